"""Air against two independent published equations."""

from __future__ import annotations

from bothheads.physics.air import density, speed_of_sound, speed_of_sound_iso, with_properties
from bothheads.records import Air
from evidence import assert_canary, assert_published

CIPM = "CIPM-2007: Picard et al. 2008, Metrologia 45:149 (equation from memory, evaluated elsewhere)"
CRAMER = "Cramer 1993, JASA 93:2510 (coefficients from memory, evaluated elsewhere)"


def check() -> None:
    for t, h, rho in ((20, 0, 1.20456), (20, 50, 1.19932), (0, 0, 1.29305), (30, 50, 1.15552), (10, 50, 1.24438)):
        assert_published(density(t, h), rho, 1e-5, source=CIPM)
    for h, c in ((30, 343.736), (50, 343.987), (70, 344.237)):
        assert_published(speed_of_sound(20, h), c, 1e-3, source=CRAMER)
    for t, c in ((0, 331.286), (10, 337.296), (20, 343.200), (30, 349.005)):
        assert_published(speed_of_sound_iso(t), c, 1e-3, source="ISO 9613-1:1993, 343.2 sqrt(T/293.15)")


def test_air() -> None:
    check()
    assert_canary(check)


def test_two_equations_agree() -> None:
    for t in (0.0, 10.0, 20.0, 30.0):
        assert_published(speed_of_sound(t, 0.0) / speed_of_sound_iso(t), 1.0, 1e-3, kind="independent code",
                         source="Cramer 1993 beside ISO 9613-1")


def test_air_without_temperature_is_left_alone() -> None:
    assert with_properties(Air()) == Air()
    warm = with_properties(Air(temperature_c=30.0))
    assert warm.density < 1.17
    assert warm.speed_of_sound > 349.0
