"""The streaming reader gives the same strikes and notes as the file, holds little, never waits, and tells of gaps."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bothheads import session
from bothheads.errors import AudioError
from bothheads.sound.audio import read_audio
from bothheads.sound.kit import assign_strikes
from bothheads.sound.live import KEPT_S, RING_S, SETTLED_S, LiveEvent, LiveReader
from bothheads.sound.reading import read_samples
from bothheads.sound.stream import Ring, Wake
from bothheads.sound.strikes import find_strikes

RECORDINGS = Path(__file__).resolve().parents[1] / "data" / "recordings"
Told = list[tuple[LiveEvent, float]]


def played(reader: LiveReader, x: np.ndarray[Any, Any], frames: int = 2048) -> Told:
    """Events with the length of what had been fed when they came [s]."""
    out: Told = []
    for at in range(0, len(x), frames):
        out += [(e, reader.position_s) for e in reader.feed(x[at : at + frames], frame=at)]
    return out + [(e, reader.position_s) for e in reader.finish()]


def three_strikes(gap_s: float = 1.5) -> tuple[np.ndarray[Any, Any], int, list[float]]:
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


def synthetic(rate: int, onsets_s: list[float], seconds: float, *, channels: int = 1, noise: float = 1e-4, seed: int = 3,
              level: float = 0.3) -> np.ndarray[Any, Any]:
    """Strikes of three partials with a click over noise, each channel a little later and softer."""
    rng = np.random.default_rng(seed)
    x = rng.normal(0, noise, (round(seconds * rate), channels))
    for at in onsets_s:
        t = np.arange(round(min(2.0, seconds - at - 0.01) * rate)) / rate
        tone = sum(a * np.exp(-t / d) * np.sin(2 * np.pi * f * t) for f, d, a in ((52, 0.4, 1.0), (81, 0.3, 0.6), (131, 0.2, 0.5)))
        tone = level * (tone + 0.6 * np.exp(-t / 0.003) * rng.normal(0, 1, len(t)))
        for c in range(channels):
            begin = round(at * rate) + c * round(0.0005 * rate)
            stop = min(len(x), begin + len(t))
            x[begin:stop, c] += 0.9**c * tone[: stop - begin]
    return x


def test_strikes_and_notes_come_as_they_are_played() -> None:
    x, rate, onsets = three_strikes()
    told = played(LiveReader(rate, ("ch1",)), x)
    strikes = [(e, at) for e, at in told if e.kind == "strike"]
    assert [e.at_s for e, _ in strikes] == pytest.approx(onsets, abs=0.003)
    assert all(at - e.at_s < 0.25 for e, at in strikes)
    first = [(e, at) for e, at in told if e.kind == "first"]
    assert [e.number for e, _ in first] == [1, 2, 3]
    for event, at in first:
        assert event.window_end - event.onset == round(RING_S * rate)
        assert RING_S <= at - event.at_s < RING_S + 0.08
        assert event.reading is not None and event.reading.note.frequency_hz == pytest.approx(78.7, abs=0.6)
    refined = [e for e, _ in told if e.kind == "refined"]
    assert [e.number for e in refined] == [1, 2, 3] and all(e.final for e in refined)
    assert not [e for e, _ in told if e.kind in ("withdrawn", "dropped")]


def test_a_first_reading_does_not_wait_for_a_refined_one() -> None:
    """On one core, where all work is done within ``feed``: who is told of the new strike need not wait for the old."""
    reader = LiveReader(48000, ("ch1",))
    x = synthetic(48000, [1.0, 2.2, 3.4], 5.0)
    told = [[e.kind for e in reader.feed(x[at : at + 2048])] for at in range(0, len(x), 2048)]
    assert sum(kinds.count("first") for kinds in told) == 3
    assert sum(kinds.count("refined") for kinds in told) >= 2
    assert not any("first" in kinds and "refined" in kinds for kinds in told)


@pytest.mark.parametrize("frames", [997, 10**7])
def test_the_cut_into_blocks_changes_nothing(frames: int) -> None:
    x = synthetic(22050, [0.7, 0.76, 1.3], 2.2)
    usual = [e for e, _ in played(LiveReader(22050, ("ch1",)), x, 2048)]
    other = [e for e, _ in played(LiveReader(22050, ("ch1",)), x, frames)]
    assert [(e.kind, e.onset, e.window_end, e.final) for e in usual] == [(e.kind, e.onset, e.window_end, e.final) for e in other]
    assert [e.reading for e in usual] == [e.reading for e in other]
    assert len([e for e in usual if e.kind == "strike"]) == 3


@pytest.mark.parametrize(("rate", "channels"), [(8000, 1), (48000, 2), (96000, 1), (44100, 8)])
def test_strikes_are_those_of_the_recording(rate: int, channels: int) -> None:
    """Strokes 60 ms apart, soft into loud, and a strike at the very end of a block."""
    onsets = [0.8, 0.86, 1.9, 2.3, 2.36]
    x = synthetic(rate, onsets, 3.1, channels=channels, seed=5)
    names = tuple(f"ch{i + 1}" for i in range(channels))
    told = [e for e, _ in played(LiveReader(rate, names), x)]
    gone = {e.number for e in told if e.kind == "withdrawn"}
    live = [e.at_s for e in told if e.kind == "strike" and e.number not in gone]
    whole = [s.onset_s for s in find_strikes(x, rate)]
    assert len(whole) >= len(onsets) - 1
    assert live == pytest.approx(whole, abs=0.0015)
    last = {e.number: e for e in told if e.kind in ("first", "refined")}
    assert len(last) == len(whole) and all(e.final for e in last.values())


def test_noise_is_no_strike_and_nothing_grows() -> None:
    reader = LiveReader(44100, ("ch1", "ch2"))
    rng = np.random.default_rng(8)
    sizes = []
    for i in range(30 * 22):
        assert reader.feed(rng.normal(0, 0.01, (2048, 2)) * (1.0 if i % 200 < 190 else 2.0)) == []
        sizes.append(len(reader._ring._store) + len(reader._looks) + len(reader._known.strikes) + len(reader._reading))
    assert max(sizes) - min(sizes) < 10
    assert len(reader._ring._store) == 2 * round(KEPT_S * 44100)


def test_silence_is_over_with_the_first_strike() -> None:
    reader = LiveReader(8000, ("ch1",))
    assert reader.feed(np.zeros(60 * 8000)) == []
    told = [e for e in (*reader.feed(synthetic(8000, [0.5], 2.0), frame=60 * 8000), *reader.finish())]
    assert [e.kind for e in told] == ["strike", "first", "refined"]
    assert told[0].at_s == pytest.approx(60.5, abs=0.001)


def test_a_gap_is_told_and_nothing_is_read_across_it() -> None:
    x = synthetic(44100, [0.5, 2.5], 4.0)
    reader = LiveReader(44100, ("ch1",))
    told = reader.feed(x[:30000], frame=0)
    assert [e.kind for e in told] == ["strike"]
    told = reader.feed(x[32048:], frame=32048) + reader.finish()
    assert [(e.kind, e.frames) for e in told if e.kind == "dropped"] == [("dropped", 2048)]
    assert {round(e.at_s, 2) for e in told if e.kind in ("first", "refined")} == {2.5}
    assert reader.position_s == pytest.approx(4.0)
    assert [e.kind for e in reader.feed(x[:2048], frame=0)] == ["restarted"]
    assert reader.position_s == pytest.approx(2048 / 44100)


def test_what_is_no_sound_is_refused_and_the_stream_goes_on() -> None:
    reader = LiveReader(44100, ("left", "right"))
    bad = np.zeros((100, 2))
    bad[50, 1] = np.nan
    with pytest.raises(AudioError, match="not finite"):
        reader.feed(bad)
    with pytest.raises(AudioError, match="1 channels and the stream 2"):
        reader.feed(np.zeros(100))
    with pytest.raises(AudioError, match="divide them by full scale"):
        reader.feed(np.zeros((100, 2), np.int16))
    assert reader.position_s == 0.0
    assert reader.feed(np.full((100, 2), (0.5, 0.0))) == []
    assert reader.peaks_dbfs() == pytest.approx((-6.02, -200.0), abs=0.01)
    assert reader.peaks_dbfs() == (-200.0, -200.0)
    with pytest.raises(AudioError, match="8 to 192 kHz"):
        session.live_reader(4000, ("a",))
    with pytest.raises(AudioError, match="a name of its own"):
        session.live_reader(48000, ("a", "a"))


class Held(Executor):
    """Takes work and does it when told."""

    def __init__(self) -> None:
        self.work: list[tuple[Future[Any], Any, Any]] = []

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        self.work.append((future, fn, args))
        return future

    def do(self) -> None:
        while self.work:
            future, fn, args = self.work.pop(0)
            future.set_result(fn(*args))


def test_feeding_never_waits_for_the_work() -> None:
    x = synthetic(44100, [0.6], 3.0)
    executor, rung = Held(), []
    reader = session.live_reader(44100, ("ch1",), executor=executor, notify=lambda: rung.append(1))
    at = round(0.8 * 44100)
    assert reader.feed(x[:at]) == [] and len(executor.work) == 1 and not rung
    executor.do()
    assert rung == [1]
    assert [e.kind for e in reader.events()] == ["strike"]
    for i in range(at, round(2.9 * 44100), 2048):
        reader.feed(x[i : i + 2048])
        if len(executor.work) == 1 and i < 1.15 * 44100:
            executor.do()
    assert [fn.__name__ for _, fn, _ in executor.work] == ["read_piece"]
    executor.do()
    assert [e.kind for e in reader.events()] == ["first"]


def test_a_clipped_strike_says_so() -> None:
    x = np.clip(synthetic(44100, [0.5], 2.0, level=1.5), -0.9, 0.9)
    told = [e for e, _ in played(LiveReader(44100, ("ch1",)), x)]
    assert all("clipped" in " ".join(e.reading.warnings) for e in told if e.reading is not None)
    assert [e.kind for e in told] == ["strike", "first", "refined"]


@pytest.mark.parametrize("stem", ["tom-low-2-soft", "kick-3-medium", "tom-high-3-medium"])
def test_readings_are_those_of_the_file(stem: str) -> None:
    sound = read_audio(RECORDINGS / f"{stem}.flac")
    rng = np.random.default_rng(1)
    x = np.concatenate([np.zeros((sound.sample_rate_hz, sound.samples.shape[1])), sound.samples])
    x = x + 3e-5 * rng.standard_normal(x.shape)
    names = tuple(f"ch{i + 1}" for i in range(x.shape[1]))
    told = {e.kind: e for e, _ in played(LiveReader(sound.sample_rate_hz, names), x)}
    quick = read_samples(x[: told["first"].window_end], sound.sample_rate_hz, quick=True)
    whole = read_samples(x, sound.sample_rate_hz)
    for live, file, cents in ((told["first"].reading, quick, 8.0), (told["refined"].reading, whole, 3.0)):
        assert live is not None
        strong = [p for p in file.partials if max(p.level_db) > -12.0]
        assert strong
        for p in strong:  # the windows differ by a block: a few cents apart, or what both bars say
            near = min(live.partials, key=lambda q, f=p.frequency_hz: abs(q.frequency_hz - f))
            bars = 2.0 * float(np.hypot(p.frequency_sd_hz or 0.0, near.frequency_sd_hz or 0.0))
            apart = abs(near.frequency_hz - p.frequency_hz)
            assert apart < max(bars, p.frequency_hz * (2 ** (cents / 1200) - 1)) and apart < 0.01 * p.frequency_hz


def test_sound_is_given_from_before_the_onset() -> None:
    x = synthetic(44100, [0.5, 1.7], 3.0)
    told = [e for e, _ in played(LiveReader(44100, ("ch1",)), x)]
    for event in told:
        if event.sound is not None:
            lead = round(0.2 * 44100)
            assert len(event.sound) == lead + event.window_end - event.onset
            again = event.sound[lead - 100 : lead + 5000]
            assert np.allclose(again[:, 0], x[event.onset - 100 : event.onset + 5000, 0], atol=1e-6)
    assert max(e.window_end - e.onset for e in told) <= SETTLED_S * 44100


def test_the_ring_holds_the_last_frames() -> None:
    ring = Ring(100, 1)
    for i in range(37):
        ring.add(np.arange(13 * i, 13 * i + 13, dtype=np.float32)[:, None])
    assert (ring.begin, ring.end) == (381, 481)
    assert ring.cut(400, 403)[:, 0].tolist() == [400.0, 401.0, 402.0]
    assert ring.cut(0, 383)[:, 0].tolist() == [381.0, 382.0]
    assert len(ring.cut(480, 900)) == 1
    assert len(ring.cut(900, 800)) == 0


def test_every_strike_wakes_the_reader() -> None:
    x = synthetic(48000, [0.5, 1.1, 1.16, 2.4], 3.5, channels=2)
    wake = Wake(48000, 2)
    frames = [wake.feed(x[at : at + wake.tick], at) for at in range(0, len(x) - wake.tick, wake.tick)]
    woken = [w / 48000 for w in frames if w is not None]
    for onset in (0.5, 1.1, 1.16, 2.4):
        assert min(abs(w - onset) for w in woken) < 0.015
    assert not [w for w in woken if w < 0.45] and len(woken) < 30


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
