"""The shell's free modes against the thin-ring coefficients and worked numbers."""

from __future__ import annotations

from math import pi, sqrt

import pytest

from bothheads.physics.shell import Shell, crossed_plies, ovalling_frequency, recoil_factor, ring_frequency
from evidence import assert_canary, assert_published

SHELL = Shell(radius=0.28, length=0.4, thickness=0.007)


def check() -> None:
    unit = sqrt(SHELL.modulus * SHELL.thickness**2 / (12 * SHELL.density * SHELL.radius**4)) / (2 * pi)
    for n, coefficient in ((2, 2.683282), (3, 7.589466), (4, 14.552138), (5, 23.533936)):
        assert_published(ovalling_frequency(SHELL, n) / unit, coefficient, 1e-6,
                         source="Hoppe 1871 / Love: n(n^2-1)/sqrt(n^2+1)", kind="closed form")
    for n, hertz in ((2, 35.3), (3, 99.9), (4, 191.5), (5, 309.7)):
        assert_published(ovalling_frequency(SHELL, n), hertz, 0.05, source="thin ring, 7 mm, 7 GPa, 680 kg/m3, 0.28 m",
                         kind="closed form")
    plain = Shell(radius=0.28, length=0.4, thickness=0.007, poisson=0.0)
    assert_published(ring_frequency(plain), 1824.0, 1.0, source="c_L / (2 pi a)", kind="closed form")


def test_ring() -> None:
    check()
    assert_canary(check)


def test_crossed_plies_lie_between_the_two_directions() -> None:
    along, _ = crossed_plies("sugar maple", share_round=1.0)
    across, _ = crossed_plies("sugar maple", share_round=0.0)
    half, density = crossed_plies("sugar maple")
    assert across < half < along
    assert_published(half, 0.5 * (along + across), 1.0, source="rule of mixtures", kind="closed form")
    assert density > 600
    with pytest.raises(ValueError, match="0 to 1"):
        crossed_plies("sugar maple", share_round=1.2)


def test_recoil_of_two_free_masses() -> None:
    """A rigid plate instead of a head would count whole; the head counts 4/j^2 of itself."""
    assert_published(recoil_factor(0.1, 5.0) ** 2 - 1, 0.69166 * 0.02, 1e-6, source="4/j^2", kind="closed form")
    with pytest.raises(ValueError, match="two waves"):
        ovalling_frequency(SHELL, 1)
