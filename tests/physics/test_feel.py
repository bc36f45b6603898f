"""Feel of a whole drum: the static give of the struck spot, the air's round trip, what tension and depth do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bothheads.physics.feel import contact_with, driving_point, feel, static_remainder
from bothheads.records import Drum, Head, Strike
from evidence import assert_canary, assert_published

FILM = Head(surface_density=0.35306, tension=1200.0, resistance=5.0)
DRUM = Drum("d", 0.5588, 0.4572, FILM, FILM, strike=Strike(x=0.0, radius_sd=0.03))


def check_round_trip() -> None:
    assert_published(feel(DRUM).air_round_trip_ms, 2.664, 1e-3, source="2 x 18 in / 343.2 m/s", kind="closed form")


def test_round_trip_of_the_air() -> None:
    check_round_trip()
    assert_canary(check_round_trip)


def test_static_give_is_the_membranes() -> None:
    """A Gaussian spot of sd b on a membrane held at a: (ln(a/(2b)) + gamma/2 + ...) / (2 pi T), air adds stiffness only."""
    bare = replace(DRUM, resonant=None)
    total = static_remainder(bare, bare.strike, 1e-3)
    a, b, t = 0.2794, 0.03, 1200.0
    exact = (np.log(a / (2 * b)) + 0.5772156649 / 2) / (2 * np.pi * t)
    assert_published(total, float(exact), 0.02, relative=True, source="log potential of two Gaussian spots, sd b each",
                     kind="closed form")


def test_what_the_cut_leaves_out_is_made_up_for() -> None:
    """Cut at 300 or at 560 Hz: the contact is the same to a few percent."""
    low, high = (contact_with(DRUM, fmax_hz=f) for f in (300.0, 560.0))
    assert abs(low.contact_s / high.contact_s - 1) < 0.03
    assert abs(low.rebound - high.rebound) < 0.03


def test_the_spot_gives_way_when_pushed() -> None:
    poles, residues = driving_point(DRUM, DRUM.strike, fmax_hz=300.0)
    t = np.linspace(1e-4, 1e-3, 20)
    moved = np.real(np.exp(np.outer(t, poles)) @ residues)
    assert (np.diff(moved) > 0).all()


def test_a_tighter_head_lets_go_sooner() -> None:
    tight = DRUM.with_head("batter", tension=3600.0)
    assert contact_with(tight).contact_s < 0.8 * contact_with(DRUM).contact_s
