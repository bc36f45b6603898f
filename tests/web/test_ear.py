"""Packets to strikes, and what is said while someone strikes."""

from __future__ import annotations

import io
import wave
from dataclasses import replace

import numpy as np
import pytest

from bothheads import drumfile
from bothheads.records import Note, Partial, Reading, StrikeReading
from bothheads.web.advice import advice, apart, drift
from bothheads.web.bench import Bench, wav_bytes
from bothheads.web.ear import HEADER, Ear, hello_of

RATE = 44100
DRUM = drumfile.parse("diameter_in = 20\ndepth_in = 14\n[batter]\n[resonant]\n")[0]


def struck(onsets_s, seconds, *, level=0.3, noise=1e-4, seed=3):
    """Strikes of two partials over noise."""
    rng = np.random.default_rng(seed)
    x = rng.normal(0, noise, round(seconds * RATE))
    for at in onsets_s:
        t = np.arange(len(x) - round(at * RATE)) / RATE
        tone = np.exp(-t / 0.35) * np.sin(2 * np.pi * 45 * t) + 0.5 * np.exp(-t / 0.25) * np.sin(2 * np.pi * 103 * t)
        x[len(x) - len(t):] += level * (tone + 0.4 * np.exp(-t / 0.003) * rng.normal(0, 1, len(t)))
    return x.astype("<f4")


def packets(x, frames=2048):
    for i in range(0, len(x) - frames + 1, frames):
        yield HEADER.pack(1, frames, float(i)) + x[i:i + frames].tobytes()


def read(note_hz, *, peak=-12.0, settled=True, refused=None, warnings=()):
    p = Partial(note_hz, 0.05, 0.4, 0.02, (0.0,), (-12.0,))
    note = Note(refused=refused) if refused else Note(note_hz, 0.05, 0.4, 2.8)
    return Reading(RATE, ("seat",), (StrikeReading(0.2, (peak,), 10.0),), (p,), note, warnings, settled=settled)


def test_strikes_are_read_soon_and_again_when_they_have_rung_out():
    ear = Ear(RATE, [0], ("seat",), DRUM)
    heard = [h for p in packets(struck([0.8, 3.4], 8.4)) for h in ear.feed(p)]
    assert [h.final for h in heard] == [False, False, True, True]  # the second is read before the first is read again
    assert [round(h.onset / RATE, 1) for h in heard] == [0.8, 3.4, 0.8, 3.4]
    assert heard[0].window_end - heard[0].onset == round(0.6 * RATE)
    for h in heard:
        assert any(abs(p.frequency_hz - 45) < 0.5 for p in h.reading.partials)
    assert ear.gaps == 0


def test_a_click_in_the_ring_is_no_strike():
    x = struck([0.8], 4.5)
    x[round(2.2 * RATE)] += 0.02
    ear = Ear(RATE, [0], ("seat",), DRUM)
    heard = [h for p in packets(x) for h in ear.feed(p)]
    assert {round(h.onset / RATE, 1) for h in heard} == {0.8}


def test_lost_packets_are_counted_and_bad_ones_left():
    ear = Ear(RATE, [0], ("seat",), DRUM)
    some = list(packets(struck([], 1.0)))
    for p in (some[0], some[1], some[3], b"", b"x" * 40, some[4][:-4]):
        assert ear.feed(p) == []
    assert ear.gaps == 1


@pytest.mark.parametrize("hello", [{}, {"rate": 100}, {"rate": "x"}, {"rate": 44100, "channels": ["1:seat", "2:seat"]}, 5])
def test_a_hello_that_is_none_is_refused(hello):
    with pytest.raises((ValueError, KeyError, TypeError), match=r"."):
        hello_of(hello, ("seat", "front"))


def test_channels_are_named_after_places():
    assert hello_of({"rate": 48000, "channels": ["1:seat", "2:front"]}, ("seat", "front")) == (48000, [0, 1], ("seat", "front"))
    assert hello_of({"rate": 48000, "channels": ["2:moon"]}, ("seat",)) == (48000, [1], ("ch2",))


def test_sound_is_kept_to_24_bits():
    x = np.array([[0.5], [-1.0], [1.0], [1 / 8388608]])
    with wave.open(io.BytesIO(wav_bytes(x, RATE))) as file:
        raw = file.readframes(4)
    values = [int.from_bytes(raw[3 * i:3 * i + 3], "little", signed=True) for i in range(4)]
    assert values == [4194304, -8388608, 8388607, 1]


def test_a_strike_that_stands_apart_is_named_and_can_be_left_out():
    bench = Bench(DRUM)
    for hz in (62.0, 62.05, 64.0, 61.95):
        bench.add(b"", read(hz))
    assert [r["apart"] for r in bench.rows()] == [False, False, True, False]
    assert "cents above the others" in bench.rows()[2]["words"]
    assert len(bench.averaged().strikes) == 4
    bench.toggle(3)
    assert len(bench.averaged().strikes) == 3
    assert bench.rows()[2]["dropped"]
    bench.toggle(3)
    assert len(bench.averaged().strikes) == 4


def test_what_is_said():
    good = [read(62.0), read(62.02), read(61.99)]
    assert advice([], None)[0].word == "Listening"
    assert advice(good[:1], good[0])[0].word == "Strike again"
    assert advice(good, good[0])[0].word == "Enough"
    assert advice([*good, read(62.0, peak=-0.1)], good[0])[0].word == "Softer"
    falling = [read(62.0), read(61.7), read(61.4)]
    assert advice(falling, falling[0])[0].word == "Not settled"
    refused = replace(good[0], note=Note(refused="62 and 66 Hz can both be the note"))
    assert [a.word for a in advice(good, refused)] == ["Hold the other head"]


def test_drift_needs_a_direction():
    assert drift([read(62.0), read(61.5), read(61.0)]) < -25
    assert drift([read(62.0), read(61.5), read(62.0)]) == 0.0
    assert apart([read(62.0), read(80.0)]) == [None, None]
