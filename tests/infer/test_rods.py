"""The filter over pull and gains: finite-element heads from sound, blind spots, learning, the log."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bothheads.errors import InputError
from bothheads.infer.rod_model import LEVELS, PITCHES, HeadSize, rod_basis, rod_model, tension_from_pitch
from bothheads.infer.rods import RodState
from bothheads.physics.hoop import Mount, round_the_rim
from bothheads.physics.uneven import Film, even_pull
from bothheads.records import Head, TapReading
from bothheads.sound.audio import read_audio
from bothheads.sound.taps import read_taps
from evidence import assert_canary, assert_published

DATA = Path(__file__).parents[1] / "data" / "rods"
CENTS = 865.6  # of local pitch per unit of relative pull
MOUNT = Mount(radius=0.2794, rods=8).with_gain(420.0)
FILM = Film(0.2794, 0.353, 0.4)
START = RodState.start(Head(0.353), radius=0.2794, depth=0.4)
TENSION = 1000.0


def heads() -> list[dict[str, Any]]:
    return list(json.loads((DATA / "rods.json").read_text())["heads"])


@lru_cache
def read(name: str, rods: int) -> TapReading:
    sound = read_audio(DATA / f"{name}.flac")
    return read_taps(sound.samples, sound.sample_rate_hz, rods=rods)


@lru_cache
def learned(name: str) -> RodState:
    head = next(h for h in heads() if h["name"] == name)
    start = RodState.start(Head(head["sigma"], rods=head["rods"]), radius=head["radius_m"], depth=head["depth_m"])
    return start.after_reading(read(name, head["rods"]))


def true_harmonics(head: dict[str, Any]) -> np.ndarray:
    _, inverse, _ = rod_basis(head["rods"])
    return inverse @ (np.array(head["rim_pull_at_rods"]) / head["mean_tension"] - 1.0)


def said(turns: np.ndarray, mount: Mount = MOUNT, tension: float = TENSION) -> Any:
    return FILM.taps(even_pull(tension) + mount.pull_per_turn() @ turns, mount.angles, LEVELS)


def film_from_sound() -> None:
    for head in heads():
        state = learned(head["name"])
        assert_published(state.tension or 0.0, head["mean_tension"], 0.01, relative=True, kind="independent code",
                         source=f"mean tension of head {head['name']}: from the pitch alone")
        _, _, p = rod_basis(head["rods"])
        error = CENTS * (state.harmonics - true_harmonics(head))
        even, odd = (p > 1) & (p % 2 == 0), (p > 2) & (p % 2 == 1)
        for which, bound in ((even, 6.0), (odd, 9.0)):
            if which.any():
                assert_published(float(np.sqrt((error[which] ** 2).mean())), 0.0, bound, kind="independent code",
                                 source=f"finite elements, head {head['name']}: rms error of harmonics, cents")


def test_finite_element_heads_from_sound() -> None:
    film_from_sound()
    assert_canary(film_from_sound)


def test_the_three_lobes_are_found_though_no_rod_sounds_different() -> None:
    """Head r32: every rod pitch the same, its film 200 cents from rod to rod."""
    state = learned("r32")
    assert state.heard_cents().spread < 1.0
    assert 150 < state.film_cents().spread < 230


def test_tilt_is_never_claimed() -> None:
    tilted = said(0.5 * np.cos(MOUNT.angles))
    state = START.after_families(tilted)
    assert state.film_cents().spread < 8.0
    p = rod_basis(8)[2]
    assert not state.harmonics[p == 1].any()


def test_blind_spots_of_the_even_head_are_exact_zeros() -> None:
    model = rod_model(START.size, TENSION)
    pitch = model.slope[: 8 * len(PITCHES)]
    assert abs(pitch[:, (model.p % 2 == 1)]).max() < 1e-6  # odd harmonics are in no pitch
    assert not model.slope[:, model.p == 1].any()
    assert abs(model.slope[8 * len(PITCHES) :, model.p == 3]).max() > 1.0


def test_even_and_odd_harmonics_are_found() -> None:
    rng = np.random.default_rng(3)
    turns = 0.12 * rng.standard_normal(8)
    state = START.after_families(said(turns - turns.mean()))
    local = 600 * np.log2(round_the_rim(MOUNT.angles) @ (even_pull(TENSION) + MOUNT.pull_per_turn() @ (turns - turns.mean())))
    tilt = np.c_[np.ones(8), np.cos(MOUNT.angles), np.sin(MOUNT.angles)]
    local -= tilt @ np.linalg.lstsq(tilt, local, rcond=None)[0]
    error = np.array(state.film_cents().cents) - local
    assert np.sqrt((local**2).mean()) > 25
    assert np.sqrt((error**2).mean()) < 6
    assert (abs(error) < 3 * np.array(state.film_cents().sd)).all()


def test_the_gain_is_learned_from_a_known_turn() -> None:
    before = START.after_families(said(np.zeros(8)))
    prior = before.gains()[0][0]
    state = before.after_turns(np.ones(8))
    state = state.after_families(said(np.full(8, 1 / 8)))
    truth = 420.0 / 8 / TENSION
    gain, cover = state.gains()
    assert abs(gain[0] / truth - 1) < 0.15 < abs(prior / truth - 1)
    assert np.sqrt(cover[0, 0]) < 0.12 * gain[0]
    assert state.mean_cents()[0] == pytest.approx(600 * np.log2(1 + truth), abs=4)


def test_turns_move_the_estimate_and_its_bar() -> None:
    state = START.after_families(said(np.zeros(8)))
    after = state.after_turns({3: 2.0})
    assert after.film_cents().spread > 10
    assert max(after.film_cents().sd) > max(state.film_cents().sd)
    assert state.after_turns([0.0] * 8) is state
    cents = after.heard_cents().cents
    assert cents[2] == pytest.approx(cents[6], abs=0.3)  # the opposite rod moves too
    assert cents[2] - cents[0] > 3  # and at 90 degrees nothing does


def test_the_log_gives_the_state_back() -> None:
    state = START.after_families(said(np.full(8, 0.01))).after_turns({1: 1.0, 5: -0.5})
    again = RodState.from_dict(json.loads(json.dumps(state.to_dict())))
    assert again == state
    with pytest.raises(InputError, match="another version"):
        RodState.from_dict({"schema": "x"})


def test_another_day_keeps_the_gains_only() -> None:
    state = START.after_families(said(np.zeros(8))).after_turns(np.ones(8)).after_families(said(np.full(8, 1 / 8)))
    later = state.next_session()
    assert later.tension is None
    fresh = later.after_families(said(np.zeros(8), tension=700.0))
    kept, cover = fresh.gains()
    assert kept[0] * 700 == pytest.approx(state.gains()[0][0] * (state.tension or 0), rel=0.03)
    assert np.sqrt(cover[0, 0]) > 0.15 * kept[0]


def test_a_reading_that_known_turns_do_not_explain_starts_anew() -> None:
    state = learned("r18")
    reading = read("r18", 10)
    same = state.after_reading(reading)
    assert same.readings > state.readings
    assert not same.notes
    sure = replace(state, covariance=tuple(tuple(0.01 * v for v in row) for row in state.covariance))
    gone = sure.after_turns([-3.0] * 10).after_reading(reading)  # turns that were never done
    assert any("new start" in n for n in gone.notes)


def test_more_readings_sharpen() -> None:
    one = START.after_families(said(np.zeros(8)))
    two = one.after_families(said(np.zeros(8)))
    assert max(two.film_cents().sd) < 0.85 * max(one.film_cents().sd)


def test_a_family_that_is_missing_says_nothing() -> None:
    turns = 0.1 * np.cos(2 * MOUNT.angles)
    full = said(turns)
    part = {k: v for k, v in full.items() if k in ((1, 1), (2, 1))}
    part[3, 1] = (np.full(8, np.nan), np.full(8, np.nan))
    state = START.after_families(part)
    few, all_ = state.film_cents(), START.after_families(full).film_cents()
    assert max(few.sd) > max(all_.sd)
    assert few.spread == pytest.approx(all_.spread, rel=0.25)


def pitch_and_tension() -> None:
    size = HeadSize(8, 0.2794, 0.353, 0.4)
    film = size.film.taps(even_pull(777.0), np.zeros(1), ((1, 1),))[1, 1][0][0]
    assert_published(tension_from_pitch(size, film), 777.0, 0.5, source="T goes as the square of the pitch", kind="closed form")


def test_tension_from_pitch() -> None:
    pitch_and_tension()
    assert_canary(pitch_and_tension)


def test_refusals() -> None:
    with pytest.raises(InputError, match="three rods"):
        RodState.start(Head(0.353, rods=2), radius=0.2, depth=0.3)
    with pytest.raises(InputError, match="nothing was read"):
        START.film_cents()
    with pytest.raises(InputError, match="other head held"):
        START.after_reading(TapReading((), None, None))
    with pytest.raises(InputError, match="no rod 9"):
        START.after_families(said(np.zeros(8))).after_turns({9: 1.0})
    with pytest.raises(InputError, match="8 rods, the round has 6"):
        START.after_reading(read("r32", 6))
