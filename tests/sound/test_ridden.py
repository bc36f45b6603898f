"""A recorder's gain control is told from the ring itself; plain, cut and coded takes and real strikes are not accused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bothheads.session.reading import read_recording
from bothheads.sound.audio import Recording, read_audio
from bothheads.sound.floor_gain import floor_gain
from bothheads.sound.ridden import SET_BACK, is_ridden
from bothheads.sound.strikes import find_strikes
from evidence import assert_published
from phones import clipped, gain_control, low_cut, sixteen_bit
from reference_drums import DATA

RATE = 48000
RECORDINGS = Path(__file__).resolve().parents[1] / "data" / "recordings"


def take(name: str) -> np.ndarray:
    """One strike of a reference drum at the seat with noise at -55 dB."""
    rng = np.random.default_rng(2)
    t = np.arange(int(2.3 * RATE)) / RATE - 0.5
    on = np.maximum(t, 0.0)
    x = np.zeros(len(t))
    for p in DATA[name]["partials"]:
        wave = np.exp(-on / p["decay_s"]) * np.cos(2 * np.pi * p["frequency_hz"] * on + rng.uniform(0, 6))
        x += 10 ** (p["level_db"]["seat"] / 20) * wave * (t >= 0)
    return 0.8 * (x / np.abs(x).max() + 0.0018 * rng.standard_normal(len(x)))[:, None]


def ridden_take(name: str) -> np.ndarray:
    return sixteen_bit(gain_control(take(name), RATE, threshold_db=-24.0, most_db=12.0))


@pytest.mark.parametrize("name", ["bass22x18", "bass26x14"])
def test_without_a_pause_tails_are_not_trusted(name: str) -> None:
    got = read_recording(Recording(ridden_take(name)[RATE // 2 - 200:], RATE))
    assert any("the level was ridden" in w for w in got.warnings)
    assert got.note.frequency_hz is None and "ridden" in (got.note.refused or "")
    for p in got.partials:
        assert p.decay_sd_s is not None and p.decay_sd_s >= 0.5 * p.decay_s


@pytest.mark.parametrize("name", ["bass22x18", "tom14x14"])
def test_noise_of_the_pause_tells_the_gain_and_decays_are_set_back(name: str) -> None:
    got = read_recording(Recording(ridden_take(name), RATE))
    assert SET_BACK in got.warnings and got.note.frequency_hz is not None
    loud = sorted(DATA[name]["partials"], key=lambda p: -p["level_db"]["seat"] - 4.3 * np.log(p["decay_s"]))[:3]
    for truth in loud:
        near = min(got.partials, key=lambda p: abs(p.frequency_hz - truth["frequency_hz"]))
        assert_published(near.decay_s / truth["decay_s"], 1.0, 0.08, kind="independent code", source="the take's own decays")
        assert near.decay_sd_s is not None and near.decay_sd_s >= 0.05 * near.decay_s


def in_noise(stem: str) -> tuple[np.ndarray, int]:
    """A real strike twice, half a second of noise at -56 dB before it."""
    sound = read_audio(RECORDINGS / f"{stem}.flac")
    x, rate = sound.samples[:, :1] / np.abs(sound.samples).max(), sound.sample_rate_hz
    x = x * np.minimum(1.0, np.arange(len(x))[::-1, None] / (0.05 * rate))
    y = 0.0016 * np.random.default_rng(8).standard_normal((int(0.6 * rate) + 2 * max(len(x), int(1.2 * rate)), 1))
    for start, size in ((int(0.6 * rate), 0.5), (int(0.6 * rate) + max(len(x), int(1.2 * rate)), 0.8)):
        y[start : start + len(x)] += size * x
    return y, rate


def told(x: np.ndarray, rate: int) -> bool:
    return floor_gain(x, rate, [s.onset_s for s in find_strikes(x, rate)]) is not None


@pytest.mark.parametrize("stem", ["tom-high-4-hard", "tom-low-1-very-soft", "kick-3-medium", "two-headed-low"])
def test_real_strikes_in_noise_are_told_ridden_only_where_they_are(stem: str) -> None:
    x, rate = in_noise(stem)
    assert not told(sixteen_bit(x), rate)
    assert told(sixteen_bit(gain_control(x, rate, threshold_db=-24.0, most_db=12.0)), rate)


def test_what_rings_or_rustles_in_the_pause_is_no_gain() -> None:
    """A cymbal that dies away through pause and strike, and a noise that stops with the first strike."""
    x, rate = in_noise("tom-low-3-medium")
    t = np.arange(len(x)) / rate
    hiss = np.random.default_rng(9).standard_normal(len(x))[:, None]
    assert not told(x + 0.02 * np.exp(-t / 0.8)[:, None] * hiss, rate)
    assert not told(x + 0.01 * (t < 0.59)[:, None] * hiss, rate)


@pytest.mark.parametrize("name", ["bass22x18", "tom14x14"])
def test_plain_cut_and_clipped_takes_are_not_accused(name: str) -> None:
    for x in (take(name), low_cut(take(name), RATE, order=4), clipped(take(name))):
        got = read_recording(Recording(sixteen_bit(x), RATE))
        assert got.strikes and not any("ridden" in w for w in got.warnings)


@pytest.mark.parametrize("stem", ["tom-high-3-medium", "tom-low-5-very-hard", "kick-2-soft", "kick-5-very-hard", "two-headed-mid"])
def test_real_strikes_are_not_accused(stem: str) -> None:
    sound = read_audio(RECORDINGS / f"{stem}.flac")
    reading = read_recording(sound, quick=True)
    assert reading.strikes and not is_ridden(sound.samples, sound.sample_rate_hz, reading.strikes)
