"""A recorder's gain control is told from the ring itself; plain, cut and coded takes and real strikes are not accused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bothheads.session.reading import read_recording
from bothheads.sound.audio import Recording, read_audio
from bothheads.sound.ridden import is_ridden
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


@pytest.mark.parametrize("name", ["bass22x18", "bass26x14"])
def test_gain_control_is_told_and_tails_are_not_trusted(name: str) -> None:
    ridden = sixteen_bit(gain_control(take(name), RATE, threshold_db=-24.0, most_db=12.0))
    got = read_recording(Recording(ridden, RATE))
    assert any("the level was ridden" in w for w in got.warnings)
    assert got.note.frequency_hz is None and "ridden" in (got.note.refused or "")
    for p in got.partials:
        assert p.decay_sd_s is not None and p.decay_sd_s >= 0.5 * p.decay_s


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
