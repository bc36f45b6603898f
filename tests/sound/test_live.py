"""The streaming reader gives the same strikes and notes as the file, holds little, and tells of gaps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bothheads.sound.audio import read_audio
from bothheads.sound.kit import assign_strikes
from bothheads.sound.live import KEPT_S, LiveReader
from bothheads.sound.reading import read_samples

RECORDINGS = Path(__file__).resolve().parents[1] / "data" / "recordings"


def session(gap_s: float = 1.5) -> tuple[np.ndarray, int, list[float]]:
    """Three real strikes of one tom behind one another, with a little noise."""
    rng = np.random.default_rng(2)
    pieces, onsets, at = [], [], 0
    for stem in ("tom-low-1-very-soft", "tom-low-2-soft", "tom-low-3-medium"):
        sound = read_audio(RECORDINGS / f"{stem}.flac")
        lead = round(gap_s * sound.sample_rate_hz)
        onsets.append((at + lead) / sound.sample_rate_hz)
        pieces += [np.zeros((lead, 1)), sound.samples]
        at += lead + len(sound.samples)
    x = np.concatenate([*pieces, np.zeros((22050, 1))])
    return x + 3e-5 * rng.standard_normal(x.shape), 44100, onsets


def test_strikes_and_notes_come_as_they_are_played() -> None:
    x, rate, onsets = session()
    reader = LiveReader(rate, ("ch1",))
    events, held = [], 0
    for at in range(0, len(x), 2048):
        for event in reader.feed(x[at : at + 2048], frame=at):
            events.append((event, reader.position_s))
        held = max(held, len(reader._kept))
    events += [(e, reader.position_s) for e in reader.finish()]
    strikes = [(e, told) for e, told in events if e.kind == "strike"]
    assert [e.at_s for e, _ in strikes] == pytest.approx(onsets, abs=0.003)
    assert all(told - e.at_s < 0.35 for e, told in strikes)
    readings = [(e, told) for e, told in events if e.kind == "reading"]
    assert len(readings) == 3
    for event, told in readings:
        assert told - event.at_s < 0.6 + 0.1
        assert event.reading is not None and event.reading.note.frequency_hz == pytest.approx(78.7, abs=0.6)
    assert len([e for e, _ in events if e.kind == "refined"]) == 3
    assert held <= KEPT_S * rate + 2048


def test_a_gap_is_told() -> None:
    reader = LiveReader(44100, ("ch1",))
    assert reader.feed(np.zeros((2048, 1)), frame=0) == []
    events = reader.feed(np.zeros((2048, 1)), frame=4096)
    assert [(e.kind, e.frames) for e in events] == [("dropped", 2048)]
    assert reader.position_s == pytest.approx(6144 / 44100)
    far = reader.feed(np.zeros((10, 1)), frame=10**8)
    assert far[0].kind == "dropped" and len(reader._kept) == 10


def test_another_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="2 channels, the reader 1"):
        LiveReader(44100, ("ch1",)).feed(np.zeros((100, 2)))


def test_the_first_reading_is_that_of_the_file() -> None:
    sound = read_audio(RECORDINGS / "tom-low-2-soft.flac")
    reader = LiveReader(sound.sample_rate_hz, ("ch1",))
    got = [e for at in range(0, len(sound.samples), 2048) for e in reader.feed(sound.samples[at : at + 2048])]
    live = next(e.reading for e in got if e.kind == "reading")
    whole = read_samples(sound.samples, sound.sample_rate_hz, quick=True)
    assert live is not None and live.note.frequency_hz == pytest.approx(whole.note.frequency_hz, abs=0.3)


def test_bleed_is_not_a_strike() -> None:
    """Two toms, two microphones, each hears the other 14 dB weaker and 1 ms later."""
    low, high = (read_audio(RECORDINGS / f"{s}.flac").samples[:, 0] for s in ("tom-low-3-medium", "tom-high-4-hard"))
    x = np.zeros((44100 * 8, 2))
    for k, (wave, own) in enumerate([(low, 0), (high, 1), (low, 0), (high, 1)]):
        at = 22050 + k * 80000
        wave = wave / np.abs(wave).max() * 0.5
        x[at : at + len(wave), own] += wave
        x[at + 44 : at + 44 + len(wave), 1 - own] += 0.2 * wave
    x += 1e-5 * np.random.default_rng(4).standard_normal(x.shape)
    got = assign_strikes(x, 44100, ["low", "high"])
    assert [round((s.onset_s - 0.5) / (80000 / 44100)) for s in got["low"]] == [0, 2]
    assert [round((s.onset_s - 0.5) / (80000 / 44100)) for s in got["high"]] == [1, 3]
