"""Forecasts with spread, and after turns: anchored on the reading, so that the model's own bias cancels."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from math import log, log2
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from bothheads import wire
from bothheads.errors import CannotAnswer
from bothheads.infer import anchors, forecast, ladder, turns
from bothheads.records import Drum, Fit, Head, HeadFit, Note, Partial, Reading, State, Turn

DRUM = Drum("Street bass", 0.66, 0.305, Head(0.353, 10, tension=620.0, resistance=4.0),
            Head(0.353, 10, tension=470.0, resistance=4.0))


def bench(name: str) -> ModuleType:
    path = Path(__file__).parents[2] / "bench" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"bench_{name}", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def read_of(drum: Drum, bias: float = 1.0) -> tuple[Reading, dict[ladder.Key, float]]:
    """What a reading of the drum would hold if every partial were ``bias`` times the model's."""
    rungs = ladder.rungs(drum)
    prediction = forecast.predict_drum(drum, None)
    out, truth = [], {}
    for p, rung in zip(prediction.partials, forecast.pair_rungs(prediction, rungs), strict=True):
        if rung is not None and max(p.level_db.values()) > 75 and rung.decay_s > 0.03:
            level = max(p.level_db.values()) - max(max(q.level_db.values()) for q in prediction.partials)
            out.append(Partial(rung.frequency_hz * bias, 0.02, rung.decay_s, 0.05 * rung.decay_s, (level,), (-20.0,)))
            truth[rung.key] = rung.frequency_hz * bias
    note = prediction.note.frequency_hz
    return Reading(48000, ("front",), (), tuple(out), Note(note * bias if note else None, 0.05, 0.3, 2.07)), truth


def state(number: int, drum: Drum, moved: tuple[Turn, ...] = (), bias: float = 1.0, fitted: bool = True) -> State:
    tension = ladder.known_tensions(drum)
    assert tension is not None
    cov = ((0.03**2 / 2, 0.0), (0.0, 2 * 0.03**2))
    fit = Fit(HeadFit(tension[0], 18.0), HeadFit(tension[1], 14.0), 0.97, (), (), True, None, cov)
    return State(1, number, f"2026-04-{number:02d}T10:00:00Z", drum, moved, wire.reading(read_of(drum, bias)[0]),
                 wire.fit(fit) if fitted else None)


@pytest.mark.parametrize(("sd_batter", "sd_resonant"), [(30.0, 0.0), (0.0, 25.0), (30.0, 25.0)])
def test_spread_is_what_differences_say(sd_batter: float, sd_resonant: float) -> None:
    found = forecast.forecast_spread(DRUM, {"batter": (620.0, sd_batter), "resonant": (470.0, sd_resonant)},
                                     model_sd=0.0)
    keys = [r.key for r in forecast.pair_rungs(found, ladder.rungs(DRUM)) if r]
    ends = [{r.key: r.frequency_hz for r in ladder.rungs(ladder.with_tensions(DRUM, 620 + a * sd_batter,
                                                                              470 + b * sd_resonant))}
            for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    for key, p in list(zip(keys, found.partials, strict=True))[:9]:
        moves = [(ends[0][key] - ends[1][key]) / 2, (ends[2][key] - ends[3][key]) / 2]
        assert p.frequency_sd_hz == pytest.approx(np.hypot(*moves), rel=0.03, abs=2e-3)


def test_spread_takes_the_covariance_of_both_heads() -> None:
    along = forecast.forecast_spread(DRUM, np.array([[9e-4, 9e-4], [9e-4, 9e-4]]), model_sd=0.0)
    against = forecast.forecast_spread(DRUM, np.array([[9e-4, -9e-4], [-9e-4, 9e-4]]), model_sd=0.0)
    note = along.note.frequency_hz
    assert note is not None and along.note.sd_hz is not None and against.note.sd_hz is not None
    assert along.note.sd_hz == pytest.approx(note * 0.03 * 0.5, rel=0.1)  # all tension in one step: half of it in ln f
    assert against.note.sd_hz < 0.3 * along.note.sd_hz  # one up, one down: the note hardly moves


def test_assumed_loss_widens_the_tail() -> None:
    assumed = DRUM.with_head("batter", resistance=None).with_head("resonant", resistance=None)
    tight = forecast.forecast_spread(DRUM, np.zeros((2, 2))).partials[0]
    wide = forecast.forecast_spread(assumed, np.zeros((2, 2))).partials[0]
    assert tight.decay_sd_s is not None and wide.decay_sd_s is not None
    assert wide.decay_sd_s / wide.decay_s > 2 * tight.decay_sd_s / tight.decay_s


def test_a_bias_of_the_model_cancels() -> None:
    """Everything reads 40 cents sharp of the model; the forecast after turns is sharp by the same 40 cents."""
    bias = 2 ** (40 / 1200)
    second = ladder.with_tensions(DRUM, 695.0, 470.0)
    third = ladder.with_tensions(DRUM, 695.0, 545.0)
    fourth = ladder.with_tensions(DRUM, 770.0, 545.0)
    states = [state(1, DRUM, (), bias), state(2, second, (Turn("batter", 0.25),), bias),
              state(3, third, (Turn("resonant", 0.25),), bias)]
    drum, prediction = forecast.forecast_after(states, [Turn("batter", 0.25)])
    assert drum.batter.tension == pytest.approx(770, rel=0.02)
    truth = read_of(fourth, bias)[1]
    found = forecast.carry(states, [Turn("batter", 0.25)], learned=turns.learn_heads(states))
    off = [1200 * log2(p.frequency_hz / truth[k]) for p, k in zip(found[1].partials, found[2], strict=True)
           if k in truth]
    assert len(off) > 5
    assert np.median(np.abs(off)) < 8
    note = prediction.note
    assert note.frequency_hz is not None and note.sd_hz is not None
    base = forecast.predict_drum(fourth, None).note.frequency_hz
    assert base is not None
    assert abs(1200 * log2(note.frequency_hz / base) - 40) < 12
    assert 0 < note.sd_hz < 1.0


def test_no_turn_gives_the_reading_back() -> None:
    states = [state(1, DRUM, (), 1.004)]
    truth = read_of(DRUM, 1.004)[1]
    _, prediction, keys = forecast.carry(states, {}, learned=turns.learn_heads(states))
    for p, key in zip(prediction.partials, keys, strict=True):
        if key in truth:
            assert p.frequency_hz == pytest.approx(truth[key], rel=1e-9)


def test_spread_grows_with_the_turn() -> None:
    states = [state(1, DRUM)]
    sds = [forecast.forecast_after(states, {"batter": t})[1].note.sd_hz for t in (0.125, 0.5, 1.0)]
    assert None not in sds and sds == sorted(sds)  # type: ignore[type-var]


def test_an_opening_between_does_not_break_it() -> None:
    states = [replace(state(1, DRUM), reading=None)]
    drum, prediction = forecast.forecast_after(states, {"resonant": -0.25})
    assert any("model's alone" in w for w in prediction.warnings)
    assert drum.resonant is not None and drum.resonant.tension is not None and drum.resonant.tension < 470


def test_from_a_drum_file_the_guess_is_wide_and_says_so() -> None:
    drum, prediction = forecast.forecast_from_file(DRUM, {"batter": 0.5})
    assert any("learned from no turns yet" in w for w in prediction.warnings)
    assert drum.batter.tension is not None and drum.batter.tension > 650
    assert prediction.note.sd_hz is not None and prediction.note.frequency_hz is not None
    assert prediction.note.sd_hz / prediction.note.frequency_hz > 0.02
    with pytest.raises(CannotAnswer, match="no tension and no history"):
        forecast.forecast_from_file(DRUM.with_head("batter", tension=None), {"batter": 0.5})


def test_foreign_partials_are_anchors_of_nothing() -> None:
    reading = read_of(DRUM)[0]
    hum = Partial(25.0, 0.01, 5.0, 0.1, (0.0,), (-20.0,))
    noisy = replace(state(1, DRUM), reading=wire.reading(replace(reading, partials=(hum, *reading.partials))))
    rungs = ladder.rungs(DRUM)
    found = anchors.anchors(noisy, forecast.predict_drum(DRUM, None), rungs)
    assert 25.0 not in [a.frequency_hz for a in found.values()]
    assert len({a.frequency_hz for a in found.values()}) == len(found)


def test_rungs_keep_their_key_through_a_turn() -> None:
    """(m, rank) is the same partial before and after: every rung moves by at most half of the tensions' change."""
    a = {r.key: r for r in ladder.rungs(DRUM)}
    b = {r.key: r for r in ladder.rungs(ladder.with_tensions(DRUM, 620 * 1.1, 470 * 1.1))}
    common = set(a) & set(b)
    assert len(common) > 20
    for key in common:
        assert 0.3 * log(1.1) < log(b[key].frequency_hz / a[key].frequency_hz) <= 0.501 * log(1.1)


def test_a_seeded_twentieth_of_the_stories() -> None:
    """Six of the 200 stories of bench/stories.py: median within 15 cents, most bands cover."""
    stories = bench("stories")
    rows = [stories.case(seed) for seed in range(7000, 7006)]
    cents = np.abs(np.concatenate([r["cents"] for r in rows]))
    z = np.abs(np.concatenate([r["z"] for r in rows]))
    assert len(cents) > 15
    assert np.median(cents) < 15
    assert np.mean(z < 1.96) >= 0.88
