"""Moving discs: baffled piston, added masses, a disc without baffle, the free monopole."""

from __future__ import annotations

import numpy as np
import pytest

from bothheads.physics import membrane
from bothheads.physics.cylinder import Cylinder
from bothheads.physics.radiation import chebyshev, radiation
from evidence import assert_canary, assert_published

# 2ka: R1, X1 of Kinsler, Frey, Coppens & Sanders, Fundamentals of Acoustics, piston functions
PISTON = {
    0.5: (0.0309261693, 0.2086949770),
    1.0: (0.1198988285, 0.3969146724),
    2.0: (0.4232751922, 0.6467637283),
    3.0: (0.7739606943, 0.6800730461),
    5.0: (1.1310316550, 0.3231247783),
}
ADDED = {  # equivalent surface density of one side over rho a, incompressible air in a baffle (Hankel transform)
    (0, 1): 0.74640, (0, 2): 0.26164, (1, 1): 0.33013, (1, 2): 0.17025, (2, 1): 0.22583, (2, 2): 0.13411,
    (3, 1): 0.17471, (3, 2): 0.11239, (4, 1): 0.14358, (5, 1): 0.12238,
}


def check_baffled_piston() -> None:
    cylinder = Cylinder(0.5)
    disc = cylinder.on_disc
    x, w = cylinder.r[disc], cylinder.w[disc]
    for twice_ka, (resistance, reactance) in PISTON.items():
        ka = twice_ka / 2
        pressure = cylinder.baffled(0, 1, 1j * ka)[:, 0] / np.sqrt(2.0)  # zeta_0 = sqrt2
        impedance = 1j * ka * 2 * (pressure * x * w).sum()  # mean pressure over rho c u
        assert_published(impedance.real, resistance, 2e-4, source="Kinsler & Frey piston function R1")
        assert_published(impedance.imag, reactance, 2e-4, source="Kinsler & Frey piston function X1")


def check_added_mass() -> None:
    piston = membrane.baffled_mass_rim_free(0, 1)[0, 0]
    assert_published(piston, 8 / (3 * np.pi), 1e-9, source="8/(3 pi), Rayleigh, Theory of Sound 302",
                     kind="closed form")
    for (m, n), value in ADDED.items():
        assert_published(membrane.baffled_mass(m, n)[n - 1, n - 1], value, 1e-4,
                         source="Hankel transform of J_m(j r/a)", kind="closed form")


def check_disc_without_baffle() -> None:
    """A rigid disc swinging broadside: kinetic energy of 8/3 rho a^3, Lamb, Hydrodynamics, art. 102."""
    halves = np.array([0.08, 0.04, 0.02])  # thin cylinders, carried to no thickness along h and h ln h
    got = []
    for half in halves:
        cylinder = Cylinder(float(half), nodes=6, along=10, around=(20, 12))
        disc = cylinder.on_disc
        pressure = cylinder.surface_pressure(0.0, [0], 1)[0][1, disc, 0].real / np.sqrt(2.0)
        got.append(4 * np.pi * float((pressure * cylinder.r[disc] * cylinder.w[disc]).sum()))
    limit = np.linalg.solve(np.stack([np.ones(3), halves, halves * np.log(halves)], 1), got)[0]
    assert_published(limit, 8 / 3, 0.01, source="Lamb, Hydrodynamics: disc moving broadside", relative=True)


def check_monopole() -> None:
    """Both ends outward, ka -> 0: power of a point source, rho c k^2 Q^2 / (4 pi)."""
    ka = 0.03
    t = chebyshev(np.array([1j * ka]))[0][0]
    load = np.tensordot(t, radiation(1.2).extra(0), 1)[:, 0, 0]  # zeta_0 = sqrt2: Q = pi sqrt2 a^2 each end
    force = -(load[0] + load[1]).imag * 2 * np.pi * 2
    assert_published(force, (2 * np.pi * np.sqrt(2.0)) ** 2 * ka / (4 * np.pi), 3e-3,
                     source="point source in free space", kind="closed form", relative=True)


@pytest.mark.parametrize("check", [check_baffled_piston, check_added_mass, check_disc_without_baffle, check_monopole])
def test_published(check) -> None:  # type: ignore[no-untyped-def]
    check()
    assert_canary(check)
