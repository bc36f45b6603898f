"""Exact eigenvalues of circular membranes (Bessel zeros): closed forms, NIST DLMF 10.21 and 10.74."""

from __future__ import annotations

import numpy as np
import pytest

from bothheads.physics import bessel, membrane
from evidence import assert_canary, assert_published

ZEROS = {
    0: (2.4048255577, 5.5200781103, 8.6537279129),
    1: (3.8317059702, 7.0155866698, 10.1734681351),
    2: (5.1356223018, 8.4172441404, 11.6198411721),
    3: (6.3801618959, 9.7610231300, 13.0152007217),
    4: (7.5883424345, 11.0647094885, 14.3725366716),
    5: (8.7714838160, 12.3386041975, 15.7001740797),
    6: (9.9361095242, 13.5892901705, 17.0038196678),
}
DUCT = {(1, 1): 1.84118378134, (2, 1): 3.05423692823, (0, 1): 3.83170597021, (3, 1): 4.20118894121,
        (4, 1): 5.31755312608, (1, 2): 5.33144277353}
MEAN_SHAPE = (0.43175480702, -0.12328260570, 0.06273649984)
# (disc radius, density ratio): ka of (0,1), (1,1), (2,1); J_m(sqrt(R) k r) matched to the annular solution
PATCHES = {
    (0.25, 1.5): (2.281624971, 3.793372958, 5.127129858),
    (0.25, 2.0): (2.168141785, 3.750807820, 5.117523720),
    (0.10, 3.0): (2.314851294, 3.827259578, 5.135460714),
    (0.20, 4.0): (1.960356475, 3.709274560, 5.118185295),
}
ANNULUS = {0: 6.24606183919, 1: 6.39315676162, 2: 6.81384285314, 3: 7.45774013605}  # inner edge at 0.5 a, held


def check_zeros() -> None:
    for m, values in ZEROS.items():
        for n, value in enumerate(values, 1):
            got = membrane.frequency(m, n, radius=0.5, tension=4.0, surface_density=1.0) * 2 * np.pi * 0.5 / 2.0
            assert_published(got, value, 1e-9, source="DLMF 10.21: zeros of J_m", kind="closed form")
    for (m, n), value in DUCT.items():
        assert_published(bessel.derivative_zeros(m, n)[n - 1], value, 1e-9, source="DLMF 10.21: zeros of J_m'",
                         kind="closed form")


def check_means() -> None:
    x, w = np.polynomial.legendre.leggauss(40)
    r = (x + 1) / 2
    shape = membrane.film_modes(0, 3, r) / membrane.film_modes(0, 3, 0.0)[:, None]
    for got, value in zip(2 * (shape * r * w / 2).sum(1), MEAN_SHAPE, strict=True):
        assert_published(got, value, 1e-9, source="2 J1(j)/j, mean of J0(j r/a)", kind="closed form")


def check_sectors() -> None:
    for order, value in ((1, 3.8317059702), (2, 5.1356223018), (3, 6.3801618959)):  # half, quarter disc, 60 degrees
        assert_published(bessel.bessel_zeros(order, 1)[0], value, 1e-9, source="sector pi/m: zeros of J_m",
                         kind="closed form")


def check_patches() -> None:
    for (radius, ratio), values in PATCHES.items():
        for m, value in enumerate(values):
            got = membrane.eigenvalues(m, 1, density_ratio=ratio, patch_radius=radius)[0]
            assert_published(got, value, 1e-5, source="disc of extra mass, J_m matched at its edge", kind="closed form",
                             relative=True)


def check_indian_head() -> None:
    """Two densities, b = 0.4 a, R = 9: the near-harmonic loaded head of Ramakrishna & Sondhi 1954, JASA 26:523."""
    base = membrane.eigenvalues(0, 3, density_ratio=9.0, patch_radius=0.4)
    assert_published(base[0], 1.045768286, 2e-5, source="Ramakrishna & Sondhi 1954 model, exact Bessel equation",
                     kind="closed form", relative=True)
    ratios = {(1, 1): 1.9339, (2, 1): 2.9427, (0, 2): 3.0383, (3, 1): 3.9642, (1, 2): 4.0598, (2, 2): 5.0731}
    for (m, n), value in ratios.items():
        got = membrane.eigenvalues(m, n, density_ratio=9.0, patch_radius=0.4)[n - 1] / base[0]
        assert_published(got, value, 2e-4, source="Ramakrishna & Sondhi 1954 model, exact Bessel equation",
                         kind="closed form")


def check_annulus() -> None:
    """A stiff disc holds the film: the annulus, approached as 1/sqrt(stiffness) and carried to the limit."""
    for m, value in ANNULUS.items():
        pair = []
        for stiffness in (4e4, 16e4):
            k2 = np.diag(bessel.bessel_zeros(m, 110) ** 2) + stiffness * membrane.ring_overlap(m, 110, 0.0, 0.5)
            pair.append(float(np.sqrt(np.linalg.eigvalsh(k2)[0])))
        got = 2 * pair[1] - pair[0]
        assert_published(got, value, 2e-3, source="annulus b/a = 0.5: J_m Y_m cross product", kind="closed form",
                         relative=True)


def check_bending() -> None:
    d = membrane.bending_stiffness(0.254e-3 * 1390)
    assert_published(d, 7.661e-3, 1e-5, source="E h^3/12(1-nu^2), 0.254 mm PET", kind="closed form")
    for (m, n), value in {(0, 1): 1.0093652, (1, 1): 1.0097331, (2, 1): 1.0102162, (0, 2): 1.0103860}.items():
        got = membrane.bending_factor(m, n, stiffness=d, tension=1200.0, radius=0.2794)
        assert_published(got, value, 2e-5, source="Morse & Ingard, stiff membrane, exact Bessel equation",
                         kind="closed form")


@pytest.mark.parametrize("check", [check_zeros, check_means, check_sectors, check_patches, check_indian_head,
                                   check_annulus, check_bending])
def test_published(check) -> None:  # type: ignore[no-untyped-def]
    check()
    assert_canary(check)
