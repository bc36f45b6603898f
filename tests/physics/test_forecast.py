"""The forecast as users see it: limits, levels, note, own modes, warnings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import reference_drums as ref
from bothheads.errors import InputError
from bothheads.physics.forecast import forecast
from bothheads.physics.response import decaying_partials, push
from bothheads.records import Drum, Head, Microphone, Muffling, Opening, Strike

HEAD = Head(0.353, tension=900.0, resistance=0.5, stiffness_loss=2e-6)
DRUM = Drum("bass", 0.5588, 0.4064, HEAD, replace(HEAD, tension=700.0))


def test_partials_stay_within_60_db_and_below_300_hz() -> None:
    p = forecast(DRUM)
    loud = [max(x.level_db.values()) for x in p.partials]
    assert max(loud) - min(loud) <= 60
    assert all(x.frequency_hz < 300 for x in p.partials)
    assert sorted(x.frequency_hz for x in p.partials) == [x.frequency_hz for x in p.partials]
    assert set(p.partials[0].level_db) == {"seat", "front", "side", "top"}


def test_small_drums_go_to_600_hz() -> None:
    p = forecast(replace(DRUM, diameter=0.33, depth=0.25))
    assert max(x.frequency_hz for x in p.partials) > 300


def test_the_note_is_the_lowest_partial_of_a_plain_drum() -> None:
    p = forecast(DRUM)
    assert p.note.frequency_hz == p.partials[0].frequency_hz
    assert p.note.t60_s == pytest.approx(6.907755 * p.partials[0].decay_s)
    assert p.partials[0].label == "(0,1)"


def test_a_leak_mode_is_a_partial_and_never_the_note() -> None:
    p = forecast(DRUM.with_head("resonant", opening=Opening(0.127, 0.13)))
    assert p.partials[0].frequency_hz < 30 < (p.note.frequency_hz or 0)
    assert p.partials[0].m is None


def test_a_drum_without_resonant_head_is_a_legal_drum() -> None:
    p = forecast(Drum("open", 0.33, 0.25, HEAD, None))
    assert p.head_pitch_hz.keys() == {"batter"}
    assert p.note.frequency_hz == pytest.approx(p.head_pitch_hz["batter"], rel=1e-6)
    assert all(x.share_batter == 1.0 for x in p.partials)


def test_an_open_shell_lowers_the_head_less_than_a_closed_one_raises_it() -> None:
    """The air in an open shell is mass only; a held second head makes it a spring."""
    single = forecast(Drum("open", 0.5588, 0.4064, HEAD, None)).head_pitch_hz["batter"]
    closed = forecast(DRUM).head_pitch_hz["batter"]
    bare = 2.404826 / (2 * np.pi * 0.2794) * np.sqrt(900 / 0.353)
    assert single < bare < closed


def test_shares_of_pitch() -> None:
    p = forecast(replace(DRUM, resonant=replace(HEAD, tension=500.0)))
    pair = [x.share_batter or 0.0 for x in p.partials if x.m == 1][:2]
    assert pair[0] < 0.05 and pair[1] > 0.95  # the slacker head's, then the tighter one's
    assert 0.4 < (p.partials[0].share_batter or 0) < 0.7


def test_own_modes_are_named_and_sorted() -> None:
    p = forecast(DRUM)
    for head in ("batter", "resonant"):
        rows = p.own_modes[head]
        assert [f for f, _ in rows] == sorted(f for f, _ in rows)
        assert dict((b, a) for a, b in rows)["(0,1)"] == p.head_pitch_hz[head]
    assert p.head_pitch_hz["batter"] > p.head_pitch_hz["resonant"]


def test_levels_follow_the_force_and_the_place() -> None:
    soft = forecast(replace(DRUM, strike=Strike(force=30.0)))
    hard = forecast(replace(DRUM, strike=Strike(force=60.0)))
    for a, b in zip(soft.partials, hard.partials, strict=True):
        assert b.level_db["seat"] - a.level_db["seat"] == pytest.approx(6.0206, abs=1e-3)
    far = tuple(Microphone(f"d{r}", 0.0, 0.0, 0.4064 + r) for r in (5.0, 10.0))
    p = forecast(replace(DRUM, microphones=far)).partials[2]
    assert p.level_db["d5.0"] - p.level_db["d10.0"] == pytest.approx(6.02, abs=0.35)


def test_a_microphone_inside_hears_more() -> None:
    inside = (Microphone("inside", 0.0, 0.0, 0.2), Microphone("front", 0.0, 0.0, 1.0))
    p = forecast(replace(DRUM, microphones=inside)).partials
    assert all(x.level_db["inside"] > x.level_db["front"] for x in p if x.m == 0)


def test_the_push_is_its_integral() -> None:
    strike, s = Strike(), np.array([-3.0 + 200j, -40.0 + 1500j])
    t = np.linspace(0, strike.duration, 20001)
    force = strike.force / 2 * (1 - np.cos(2 * np.pi * t / strike.duration))
    for z, got in zip(s, push(s, strike), strict=True):
        assert got == pytest.approx(np.trapezoid(force * np.exp(z * (strike.duration - t)), t), rel=1e-6)


def test_air_round_trip_and_warnings() -> None:
    p = forecast(DRUM.with_head("batter", resistance=None))
    assert p.feel.air_round_trip_ms == pytest.approx(2 * 406.4 / 343.2)
    assert p.warnings == ("loss assumed on the batter head",)


def test_roundness() -> None:
    from bothheads.roundness import roundness_db as roundness

    assert roundness(np.array([[80.0, 80.0], [70.0, 70.0]])) == 0.0
    assert roundness(np.array([[80.0, 77.0]])) == pytest.approx(3.0)
    assert roundness(np.array([[80.0, -300.0]])) == pytest.approx(45.0)


def test_decaying_partials_are_the_forecast() -> None:
    s, amplitude = decaying_partials(DRUM, fmax_hz=200.0)
    first = forecast(DRUM, fmax_hz=200.0).partials[0]
    level = 20 * np.log10(np.abs(amplitude[0]) / 20e-6)
    assert first.frequency_hz == pytest.approx(s[0].imag / (2 * np.pi))
    assert list(first.level_db.values()) == pytest.approx(level.tolist())


def test_a_missing_tension_is_named() -> None:
    with pytest.raises(InputError, match="tension of the batter head is not known"):
        forecast(DRUM.with_head("batter", tension=None))


def test_random_drums_never_fail() -> None:
    """Sizes 10-26 in, slack to tight, holes, things: finite, decaying, audible."""
    rng = np.random.default_rng(11)
    for _ in range(6):
        a = rng.uniform(0.127, 0.33)
        head = Head(rng.uniform(0.2, 0.6), tension=float(np.exp(rng.uniform(np.log(120), np.log(4500)))))
        other = replace(head, tension=float(np.exp(rng.uniform(np.log(120), np.log(4500)))))
        depth = rng.uniform(max(0.1, 0.3 * a), min(0.508, 3.4 * a))
        drum = Drum("r", 2 * a, depth, head, other, strike=Strike(rng.uniform(-0.6, 0.6) * a, rng.uniform(-0.6, 0.6) * a))
        if rng.random() < 0.5:
            drum = drum.with_head("resonant", opening=Opening(rng.uniform(0.1, 0.9) * a, rng.uniform(0, 0.5) * a))
        if rng.random() < 0.3:
            drum = replace(drum, muffling=(Muffling("patch", ("batter",), 0.0, 0.4 * a, radius=0.2 * a, mass=0.01,
                                                    resistance=20.0),))
        p = forecast(drum, fmax_hz=220.0)
        assert p.partials and all(np.isfinite([x.frequency_hz, x.decay_s]).all() and x.decay_s > 0 for x in p.partials)
        assert p.note.frequency_hz is not None and p.roundness_db is not None


@pytest.mark.parametrize("name", ["bass22x18", "tom14x14"])
def test_levels_of_the_reference_drums_without_the_grid(name: str) -> None:
    for place in ref.PLACES:
        assert ref.rms(x for r in ref.rows(name, False) if (x := r.levels[place]) is not None) < 0.5
