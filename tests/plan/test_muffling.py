"""What to lay on a head: shares of motion in closed form, first order against the exact solve, the choice."""

from __future__ import annotations

from dataclasses import replace
from math import log

import pytest

from bothheads.physics.bessel import bessel_j
from bothheads.plan import muffling
from bothheads.records import Drum, Head, Muffling
from evidence import assert_canary, assert_published

DRUM = Drum("Street bass", 0.66, 0.305, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0))
A = DRUM.radius


def disc_share(b: float) -> float:
    """Integral of J0(j x)^2 x over 0..b divided by 0..1: b^2 (J0(jb)^2 + J1(jb)^2) / J1(j)^2."""
    inner, edge = bessel_j(1, muffling.J01 * b), bessel_j(1, muffling.J01)
    return float(b**2 * (inner[0] ** 2 + inner[1] ** 2) / edge[1] ** 2)


def check_shares() -> None:
    for b in (0.3, 0.5, 0.8):
        disc = Muffling("pad", ("batter",), radius=b * A, mass=0.01)
        assert_published(muffling.motion_share(disc, A), disc_share(b), 0.01,
                         source="b^2 (J0^2 + J1^2) / J1(j)^2, Lommel's integral", kind="closed form")
        ring = Muffling("ring", ("batter",), width=(1 - b) * A, mass=0.01)
        assert_published(muffling.motion_share(ring, A), 1 - disc_share(b), 0.01,
                         source="the rest of Lommel's integral", kind="closed form")


def test_share_of_motion() -> None:
    check_shares()
    assert_canary(check_shares)


@pytest.mark.parametrize("item", [
    Muffling("ring", ("batter",), width=0.04, mass=0.005, resistance=4.0),
    Muffling("pad", ("batter",), radius=0.06, mass=0.0002, resistance=3.0),
])
def test_first_order_agrees_with_the_exact_solve_for_light_things(item: Muffling) -> None:
    ratio, cents = muffling.leverage(DRUM, "batter").of(item, A)
    exact = muffling._measured(DRUM, muffling._low_model(DRUM), muffling._low_model, (item,), "batter", "")
    base, after = (muffling._low_model(d).note for d in (DRUM, replace(DRUM, muffling=(item,))))
    assert base.decay_s and after.decay_s and base.frequency_hz and after.frequency_hz
    assert log(after.decay_s / base.decay_s) == pytest.approx(log(ratio), rel=0.15)
    assert 1731.2 * log(after.frequency_hz / base.frequency_hz) == pytest.approx(cents, rel=0.15, abs=0.3)
    assert exact is None or exact.tail_ratio == pytest.approx(after.decay_s / base.decay_s)


@pytest.mark.parametrize("wanted", [0.85, 0.7, 0.5])
def test_the_suggestion_comes_near_the_tail_that_is_wished(wanted: float) -> None:
    offer = muffling.suggest(DRUM, tail_ratio=wanted)
    assert offer is not None
    assert abs(log(offer.tail_ratio / wanted)) < 0.2
    assert abs(offer.note_cents) < 80
    assert "batter head" in offer.words and len(offer.muffling) == 1


def test_on_the_front_head_when_only_that_is_in_reach() -> None:
    offer = muffling.suggest(DRUM, tail_ratio=0.75, head="resonant")
    assert offer is not None and offer.muffling[0].heads == ("resonant",) and "resonant head" in offer.words


def test_a_longer_tail_takes_things_off() -> None:
    ring = Muffling("ring", ("batter",), width=0.05, mass=0.01, resistance=40.0)
    offer = muffling.suggest(replace(DRUM, muffling=(ring,)), tail_ratio=1.3)
    assert offer is not None and offer.muffling == () and offer.tail_ratio > 1.05
    assert offer.words == "take the ring off the batter head"
    assert muffling.suggest(DRUM, tail_ratio=1.3) is None
