"""One microphone moved round a drum: the same levels as several microphones at once, kept as one state."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads import drumfile, session
from bothheads.errors import InputError
from bothheads.records import Microphone, Note, Partial, Reading, StrikeReading
from bothheads.sound.recording import Recording
from evidence import assert_published

RATE = 48000
DRUM = """
name = "Walked"
diameter_in = 14
depth_in = 10
[batter]
film_mil = 10
rods = 6
[resonant]
film_mil = 10
rods = 6
"""
FREQUENCIES = (110.0, 176.0, 240.0)
LEVELS = {"seat": (-10.0, -20.0, -24.0), "front": (-12.0, -35.0, -22.0), "left ear": (-16.0, -21.0, -40.0)}


def heard(place: str, shift_hz: float = 0.0, peak: float = -6.0) -> Reading:
    partials = tuple(Partial(f + shift_hz, 0.02, 0.4, 0.01, (level,), (level,)) for f, level in
                     zip(FREQUENCIES, LEVELS[place], strict=True))
    return Reading(RATE, ("ch1",), (StrikeReading(0.2, (peak,), 5.0),), partials, Note(FREQUENCIES[0]))


def test_a_walk_has_the_roundness_of_microphones_that_stood_there_together():
    found = session.walked({p: [heard(p), heard(p, 0.01)] for p in LEVELS})
    together = replace(heard("seat"), channels=tuple(LEVELS), partials=tuple(
        Partial(f, 0.02, 0.4, 0.01, levels, levels) for f, levels in zip(FREQUENCIES, zip(*LEVELS.values(), strict=True),
                                                                         strict=True)))
    assert found.places == tuple(LEVELS)
    assert_published(found.roundness_db, session.roundness(together), 1e-9, kind="independent code",
                     source="the same levels as channels of one reading")


def test_a_walk_s_reading_has_a_level_at_each_place_and_none_where_nothing_was_found():
    from bothheads.session.walk import walk_reading

    deaf = replace(heard("front"), partials=heard("front").partials[:2])
    reading = walk_reading({"seat": [heard("seat")], "front": [deaf]})
    assert reading.channels == ("seat", "front")
    assert reading.partials[2].level_dbfs == (-24.0, None)
    assert reading.partials[1].level_db == (-10.0, -23.0)
    assert [s.peak_dbfs for s in reading.strikes] == [(-6.0, None), (None, -6.0)]


def test_how_far_strokes_differ_is_said():
    twice = [heard("seat", peak=-9.0), heard("seat", peak=-5.0)]
    assert session.strokes_apart_db({"seat": twice, "front": [heard("front")]}) == 4.0
    assert session.strokes_apart_db({"seat": [heard("seat")]}) is None


def sound(scale: tuple[float, ...], seed: int) -> Recording:
    t = np.arange(round(1.6 * RATE)) / RATE - 0.3
    x = sum(10 ** (a / 20) * np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.35) * np.sin(2 * np.pi * f * t), 0)
            for f, a in zip(FREQUENCIES, scale, strict=True))
    return Recording((x + np.random.default_rng(seed).normal(0, 2e-5, len(t)))[:, None], RATE)


def test_a_walk_is_kept_as_one_state_with_its_places(tmp_path):
    file = tmp_path / "drum.toml"
    file.write_text(DRUM, encoding="utf-8")
    said = []
    with session.open_log(tmp_path / "log.sqlite") as log:
        session.add_drum(file, log=log)
        ear = Microphone("left ear", 0.1, 0.5, -0.4)
        places = {p.name: p for p in drumfile.parse(DRUM)[0].places} | {"left ear": ear}
        state, reading, _ = session.take_walk(
            "Walked", [(places[p], f"{p}.wav", sound(LEVELS[p], i)) for i, p in enumerate(LEVELS)], log=log,
            progress=lambda what, share: said.append((what, share)))
        again = log.state(1, state.number)
    assert [t.channels for t in again.takes] == [("seat",), ("front",), ("left ear",)]
    assert ear in again.drum.microphones and len(again.drum.microphones) == 5
    assert reading.channels == tuple(LEVELS)
    assert [round(p.level_dbfs[0] - p.level_dbfs[1]) for p in reading.partials if abs(p.frequency_hz - 176) < 2] == [15]
    assert said[0] == ("reading seat: seat.wav, 1 of 3", 0.0) and said[-1][0] == "finding both heads"


@pytest.mark.parametrize(("places", "words"), [
    ([Microphone("seat", 0, 0, 0)], "2 to 12 places"),
    ([Microphone("seat", 0, 0, 0), Microphone("seat", 1, 0, 0)], "two places are called seat"),
])
def test_a_walk_that_is_none_is_refused(tmp_path, places, words):
    file = tmp_path / "drum.toml"
    file.write_text(DRUM, encoding="utf-8")
    with session.open_log(tmp_path / "log.sqlite") as log:
        session.add_drum(file, log=log)
        with pytest.raises(InputError, match=words):
            session.take_walk("Walked", [(m, "a.wav", sound((-10, -20, -20), 1)) for m in places], log=log)
        assert log.last_state(1) is None
