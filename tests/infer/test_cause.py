"""What explains a change between two states: invented changes of a known drum, read with noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads import wire
from bothheads.infer import cause, ladder
from bothheads.physics.forecast import forecast
from bothheads.records import Air, Drum, Fit, Head, HeadFit, Muffling, Note, Partial, Reading, State, Strike, Turn

DRUM = Drum("Street bass", 0.66, 0.305, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0))
CHANNELS = ("front", "seat")


def reading(drum: Drum, seed: int, level_noise: float = 0.5, shift: float = 0.0) -> Reading:
    rng = np.random.default_rng(seed)
    prediction = forecast(drum)
    top = {c: max(p.level_db[c] for p in prediction.partials) for c in CHANNELS}
    out = []
    for p in prediction.partials:
        level = [p.level_db[c] - top[c] for c in CHANNELS]
        if max(level) < -25 or p.decay_s < 0.03:
            continue
        f = p.frequency_hz * float(np.exp(rng.normal(0.0, 0.0008)))
        heard = [p.level_db[c] - 120 + float(rng.normal(0.0, level_noise + shift)) for c in CHANNELS]
        out.append(Partial(f, 0.001 * f, p.decay_s * float(np.exp(rng.normal(0.0, 0.05))), 0.05 * p.decay_s,
                           tuple(level), tuple(heard)))
    return Reading(48000, CHANNELS, (), tuple(out), Note())


def state(number: int, truth: Drum, described: Drum | None = None, **known: object) -> State:
    tension = ladder.known_tensions(truth)
    assert tension is not None
    fit = Fit(HeadFit(tension[0], 15.0), HeadFit(tension[1], 12.0), 0.97, (), (), True, None)
    stands = ladder.with_tensions(described or truth, *tension)
    return State(1, number, f"2026-05-0{number}T10:00:00Z", stands, reading=wire.reading(reading(truth, number)),
                 fit=wire.fit(fit), **known)  # type: ignore[arg-type]


FIRST = state(1, DRUM)


def check_odds(found: tuple[cause.Cause, ...]) -> None:
    assert sum(c.odds for c in found) == pytest.approx(1.0)
    assert [c.odds for c in found] == sorted((c.odds for c in found), reverse=True)
    assert found[0].odds <= 0.99 + 1e-9
    assert {c.what for c in found} == set(cause.PRIOR)
    assert all(c.words for c in found)


@pytest.mark.parametrize(("batter", "resonant", "what"), [
    (0.88, 1.0, "batter"), (1.12, 1.0, "batter"), (1.0, 0.86, "resonant"), (1.0, 1.15, "resonant"),
    (0.88, 1.12, "both"), (1.14, 1.1, "both"),
])
def test_a_head_that_moved_is_found_without_a_note_in_the_log(batter: float, resonant: float, what: str) -> None:
    found = cause.explain(FIRST, state(2, ladder.with_tensions(DRUM, 620 * batter, 470 * resonant)))
    check_odds(found)
    assert found[0].what == what
    if what != "both":
        assert ("slacker" in found[0].words) == (min(batter, resonant) < 1)


def test_nothing_is_nothing() -> None:
    found = cause.explain(FIRST, state(2, DRUM))
    check_odds(found)
    assert found[0].what == "nothing"


def test_settling_is_both_heads_a_little_after_days() -> None:
    turned = replace(FIRST, turns=(Turn("batter", 0.25), Turn("resonant", 0.25)))
    found = cause.explain(turned, state(5, ladder.with_tensions(DRUM, 620 * 0.98, 470 * 0.98)))
    assert found[0].what == "settling"


def test_another_strike_moves_levels_alike() -> None:
    moved = replace(DRUM, strike=Strike(0.14, 0.05))
    found = cause.explain(FIRST, state(2, moved, DRUM))
    assert found[0].what == "strike"


def test_warm_air_is_found_when_it_was_noted() -> None:
    warm = 303.15 / 288.15
    hot = replace(DRUM, air=Air(343.2 * warm**0.5, 1.204 / warm))
    a = replace(FIRST, settings={"temperature_c": "15"})
    b = replace(state(2, hot, DRUM), settings={"temperature_c": "30"})
    found = cause.explain(a, b)
    assert found[0].what == "air" and "warmer" in found[0].words


def test_shorter_tails_at_the_same_pitch_are_muffling() -> None:
    ring = Muffling("ring", ("batter",), width=0.05, mass=0.004, resistance=70.0)
    found = cause.explain(FIRST, replace(state(2, replace(DRUM, muffling=(ring,)), DRUM), remark="pad on?"))
    assert found[0].what == "muffling" and "shorter" in found[0].words


def test_noted_turns_raise_their_head() -> None:
    b = state(2, ladder.with_tensions(DRUM, 640.0, 470.0))
    plain = {c.what: c.odds for c in cause.explain(FIRST, b)}
    noted = {c.what: c.odds for c in cause.explain(FIRST, replace(b, turns=(Turn("batter", 0.0625),)))}
    assert noted["batter"] > plain["batter"]


def test_without_readings_it_cannot_tell() -> None:
    found = cause.explain(FIRST, replace(state(2, DRUM), reading=None))
    check_odds(found)
    assert found[0].what == "cannot tell" and found[0].odds > 0.8


def test_a_change_that_no_cause_makes_cannot_be_told() -> None:
    b = state(2, DRUM)
    assert b.reading is not None
    rng = np.random.default_rng(3)
    wild = [p | {"frequency_hz": p["frequency_hz"] * float(np.exp(rng.normal(0.0, 0.02)))} for p in b.reading["partials"]]
    found = cause.explain(FIRST, replace(b, reading=b.reading | {"partials": wild}))
    assert found[0].what in ("cannot tell", "muffling")
    assert found[0].odds < 0.99 or found[0].what == "cannot tell"


def test_a_drum_without_resonant_head_blames_no_resonant_head() -> None:
    alone = replace(DRUM, resonant=None)
    fit = wire.fit(Fit(HeadFit(620.0, 15.0), None, 0.97, (), (), True, None))
    a = State(1, 1, "2026-05-01T10:00:00Z", alone, reading=wire.reading(reading(alone, 1)), fit=fit)
    b = replace(a, number=2, reading=wire.reading(reading(alone.with_head("batter", tension=540.0), 2)),
                drum=alone.with_head("batter", tension=540.0))
    found = cause.explain(a, b)
    odds = {c.what: c.odds for c in found}
    assert found[0].what == "batter" and odds["resonant"] < 1e-6 and odds["both"] < 1e-6
