"""A round of taps settles which head is which, and does not bend what strikes already say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.errors import InputError
from bothheads.infer.heads import fit_heads
from bothheads.infer.rod_model import tension_from_pitch
from bothheads.infer.scoring import wide_prior
from bothheads.infer.taps import HELD_SD, head_size, tapped_pitch, with_taps
from bothheads.physics.coupled import build, solve, solve_round
from bothheads.physics.response import pressures
from bothheads.records import (
    Drum,
    Head,
    HeadName,
    Microphone,
    Note,
    Opening,
    Partial,
    Reading,
    Strike,
    Tap,
    TapReading,
    reference_places,
)
from evidence import assert_canary, assert_published

INSIDE = Microphone("inside", 0.05, 0.0, 0.12)  # where most bass drums have theirs: its levels tell no head apart
DRUM = Drum("bass", 0.6096, 0.3556, Head(0.353, 10), Head(0.353, 10), microphones=(INSIDE,))


def tuned(batter: float, resonant: float) -> Drum:
    return DRUM.with_head("batter", tension=batter).with_head("resonant", tension=resonant)


def without_levels(drum: Drum) -> Reading:
    """Pitches and decays alone of what a centre-struck drum sounds: nothing that tells the heads apart by side."""
    rng = np.random.default_rng(11)
    modes = solve(drum, fmax_hz=190.0)
    level = 20 * np.log10(np.abs(pressures(modes, Strike(0.06, 0.0), reference_places(drum.depth))) + 1e-12)
    keep = np.flatnonzero(((level - level.max(0)).max(1) > -30) & (modes.frequency_hz > 15))
    partials = tuple(Partial(float(modes.frequency_hz[i] * (1 + 4e-4 * rng.normal())), 0.03, float(modes.decay_s[i]),
                             float(0.1 * modes.decay_s[i]), (0.0,), (-20.0,)) for i in keep)
    return Reading(48000, ("inside",), (), partials, Note())


def tapped(drum: Drum, name: HeadName, *, bias: float = 1.0) -> TapReading:
    """A round at the (1,1) pitch of one head with the other held still, from the two-headed model."""
    held: HeadName = "resonant" if name == "batter" else "batter"
    modes = solve_round(build(drum, 300.0), 300.0, held=held)
    pitch = bias * min(f for f, m in zip(modes.frequency_hz, modes.order, strict=True) if m == 1)
    taps = tuple(Tap(rod + 1, float(pitch * (1 + 0.004 * np.cos(2.1 * rod))), 0.05, None, ()) for rod in range(10))
    return TapReading(taps, 0.0, None)


def test_pitch_gives_the_tension_that_the_two_headed_model_was_given() -> None:
    """The rods' film (other head held) against ``coupled`` with that head held: two codes, one physics."""

    def check(nudge: float = 0.0) -> None:
        drum = tuned(700.0, 820.0)
        pitch, _ = tapped_pitch(tapped(drum, "batter"))
        assert_published(tension_from_pitch(head_size(drum, "batter"), pitch) + nudge, 700.0, 10.5,
                         source="physics.coupled, resonant head held", kind="independent code")

    check()
    assert_canary(check)


def test_taps_settle_which_head_is_which() -> None:
    drum = tuned(600.0, 700.0)
    reading = without_levels(drum)
    alone = fit_heads(DRUM, [reading])
    joined = fit_heads(DRUM, [reading], taps={"batter": tapped(drum, "batter")})
    assert not alone.identifiable and alone.odds < 0.6
    assert joined.identifiable and joined.odds > 0.9
    assert joined.batter is not None and joined.resonant is not None
    assert joined.batter.tension == pytest.approx(600.0, rel=0.03)
    assert joined.resonant.tension == pytest.approx(700.0, rel=0.03)


def test_a_microphone_inside_a_drum_with_an_opening_is_answered_too() -> None:
    drum = tuned(600.0, 700.0)
    holed = drum.with_head("resonant", opening=Opening(0.127, 0.18, 0.0))
    open_drum = DRUM.with_head("resonant", opening=Opening(0.127, 0.18, 0.0))
    fit = fit_heads(open_drum, [without_levels(holed)], taps={"batter": tapped(drum, "batter")})
    assert fit.batter is not None and fit.batter.tension == pytest.approx(600.0, rel=0.04)


def test_the_other_head_s_taps_say_the_opposite() -> None:
    drum = tuned(600.0, 700.0)
    swapped = fit_heads(DRUM, [without_levels(drum)], taps={"batter": tapped(tuned(700.0, 600.0), "batter")})
    assert swapped.batter is not None and swapped.batter.tension == pytest.approx(700.0, rel=0.03)


def test_a_hand_that_holds_badly_does_not_bend_the_answer() -> None:
    """A round 1 % sharp (2 % in tension) moves the tension by less than the quoted spread of a round."""
    drum = tuned(600.0, 760.0)
    sharp = fit_heads(DRUM, [without_levels(drum)], taps={"batter": tapped(drum, "batter", bias=1.01)})
    assert sharp.batter is not None and sharp.batter.tension == pytest.approx(600.0, rel=0.02)


def test_with_taps_narrows_one_direction_only() -> None:
    prior = wide_prior(DRUM)
    joined = with_taps(prior, DRUM, {"batter": tapped(tuned(600.0, 700.0), "batter")})
    cov = np.linalg.inv(joined.precision)
    row = np.array([1.0, 0.5, 0, 0, 0, 0, 0])
    assert row @ cov @ row < (2 * HELD_SD + 2 * 0.08) ** 2
    other = np.array([1.0, -0.5, 0, 0, 0, 0, 0])
    assert other @ cov @ other > 0.05


def test_too_few_taps_and_a_missing_head_are_sentences() -> None:
    with pytest.raises(InputError, match="three pitches"):
        tapped_pitch(TapReading((Tap(1, 80.0, 0.1, None, ()),), None, None))
    one = replace(DRUM, resonant=None)
    with pytest.raises(InputError, match="no resonant head"):
        with_taps(wide_prior(one), one, {"resonant": tapped(tuned(600.0, 700.0), "resonant")})
