"""Contact of a beater: rigid-wall closed forms, energy, and what a yielding head changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.physics.beater import FELT, WOOD, Beater, force_spectrum, strike, wall_contact_time
from evidence import assert_canary, assert_published

NONE = np.array([], dtype=complex)
HARD = replace(FELT, loss=0.0)


@pytest.mark.parametrize(("exponent", "factor"), [(1.0, 3.14159), (1.5, 2.94328), (2.0, 2.80436), (3.0, 2.62206)])
def test_wall_contact_time_factor(exponent: float, factor: float) -> None:
    beater = Beater(mass=0.2, speed=2.0, stiffness=1e5, exponent=exponent, loss=0.0)
    deepest = ((exponent + 1) * 0.2 * 4.0 / 2e5) ** (1 / (exponent + 1))

    def check() -> None:
        assert_published(wall_contact_time(beater) * 2.0 / deepest, factor, 1e-5,
                         source="2 sqrt(pi) Gamma(1+1/(p+1))/Gamma(1/2+1/(p+1))", kind="closed form")

    check()
    assert_canary(check)


@pytest.mark.parametrize("beater", [HARD, replace(HARD, exponent=1.5, stiffness=2e4), replace(HARD, speed=6.0)])
def test_simulated_wall_contact_agrees_with_the_closed_form(beater: Beater) -> None:
    contact = strike(NONE, NONE, beater=beater)
    assert_published(contact.contact_s, wall_contact_time(beater), 0.01, relative=True,
                     source="power-law contact on a wall", kind="closed form")
    assert_published(contact.rebound, 1.0, 0.01, source="no loss, no energy lost", kind="closed form")
    assert_published(contact.impulse, 2 * beater.mass * beater.speed, 0.01, relative=True,
                     source="impulse = 2 m v", kind="closed form")


def test_loss_of_the_face_is_hunt_and_crossleys() -> None:
    """Hunt & Crossley 1975: restitution is 1 - loss v for small loss (their alpha)."""
    contact = strike(NONE, NONE, beater=replace(HARD, loss=0.01, exponent=1.5, stiffness=1e5))
    assert_published(contact.rebound, 1 - 0.01 * 3.0, 0.004, source="Hunt & Crossley 1975, J. Appl. Mech. 42:440",
                     kind="published")


def one_mode(frequency: float, mass: float, decay_rate: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    w = 2 * np.pi * frequency
    return np.array([-decay_rate + 1j * w]), np.array([1 / (1j * w * mass)])


def test_energy_never_grows() -> None:
    for frequency in (40.0, 90.0, 300.0):
        contact = strike(*one_mode(frequency, 0.3), beater=HARD)
        assert contact.rebound < 1.0
        assert contact.impulse <= 2 * HARD.mass * HARD.speed * 1.001


def test_a_massless_spring_returns_the_beater_after_half_a_period() -> None:
    """pi sqrt(m c): a light, soft head alone, under a hard face."""
    hard = replace(HARD, stiffness=1e10, exponent=2.0)
    contact = strike(NONE, NONE, beater=hard, remainder_compliance=2e-4)
    exact = np.pi * np.sqrt(hard.mass * 2e-4)
    assert_published(contact.contact_s, exact, 0.03, relative=True, source="half a period of m on a spring",
                     kind="closed form")


def test_a_buried_beater_stays() -> None:
    contact = strike(*one_mode(60.0, 0.2, 20.0), beater=replace(FELT, foot_force=80.0))
    assert contact.stayed or contact.contact_s > 2 * strike(*one_mode(60.0, 0.2, 20.0), beater=FELT).contact_s


def test_wood_gives_more_attack_than_felt() -> None:
    spectrum = [force_spectrum(strike(*one_mode(60.0, 0.4), beater=b), np.array([500.0]))[0] for b in (FELT, WOOD)]
    assert spectrum[1] > spectrum[0] + 3.0
