"""Rounds of taps: finite-element heads, synthetic rounds mended and refused, microphones that stand, heads not held."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bothheads.errors import AudioError, InputError
from bothheads.physics.bessel import bessel_zeros
from bothheads.physics.hoop import Mount
from bothheads.physics.membrane import baffled_mass
from bothheads.physics.uneven import Film, even_pull, shapes
from bothheads.records import Drum, Head, TapReading
from bothheads.sound.audio import read_audio
from bothheads.sound.tap_onsets import a_round, tap_onsets
from bothheads.sound.tap_pair import FAMILIES
from bothheads.sound.taps import read_taps
from evidence import assert_canary, assert_published

DATA = Path(__file__).parents[1] / "data" / "rods"
RATE = 8000
ROUND = 6
FILM = Film(0.1524, 0.353)
MOUNT = Mount(radius=0.1524, rods=ROUND, surface_density=0.353).with_gain(300.0)
TURNS = np.array([0.25, -0.1, 0.05, 0.2, -0.3, -0.1])


def heads() -> list[dict[str, Any]]:
    return list(json.loads((DATA / "rods.json").read_text())["heads"])


def cents(a: float, b: float) -> float:
    return float(1200 * np.log2(a / b))


def played(*, starts: list[float], rods: list[int], strengths: list[float] | None = None, stood: bool = False,
           detune: dict[int, float] | None = None, noise: float = 0.0015, size: float = 1.0) -> np.ndarray:
    """Taps of one uneven 12 in head at ``starts`` [s]; ``detune``: tap -> factor of its frequencies."""
    modes = FILM.modes(even_pull(1000.0) + MOUNT.pull_per_turn() @ (TURNS * size))
    count = 26
    at = shapes(modes.size, np.full(ROUND, 1 - 0.028 / FILM.radius), MOUNT.angles) @ modes.coefficients[:, :count]
    ear = shapes(modes.size, np.array([0.85]), np.array([0.4])) @ modes.coefficients[:, :count]
    hertz = modes.omega[:count] / (2 * np.pi)
    x = np.random.default_rng(5).normal(0, noise, int((max(starts) + 1.5) * RATE))
    for i, (start, rod) in enumerate(zip(starts, rods, strict=True)):
        k = int(start * RATE)
        t = np.arange(len(x) - k) / RATE
        f = hertz * (detune or {}).get(i, 1.0)
        gain = at[rod - 1] * (ear[0] if stood else at[rod - 1]) * (strengths[i] if strengths else 1.0)
        decay = 0.35 * (hertz[1] / hertz) ** 0.6
        x[k:] += 0.1 * (gain[:, None] * np.exp(-t / decay[:, None]) * np.sin(2 * np.pi * f[:, None] * t)).sum(0)
    return x


def truth(size: float = 1.0) -> np.ndarray:
    said = FILM.taps(even_pull(1000.0) + MOUNT.pull_per_turn() @ (TURNS * size), MOUNT.angles, ((1, 1),))
    return said[1, 1][0]


def worst(read: TapReading, true: np.ndarray) -> float:
    return max(abs(cents(t.rod_pitch_hz, f)) for t, f in zip(read.taps, true, strict=True) if t.rod_pitch_hz)


EVEN_STARTS = [0.2 + 1.1 * i for i in range(ROUND)]


@lru_cache
def read_head(name: str, rods: int) -> TapReading:
    sound = read_audio(DATA / f"{name}.flac")
    return read_taps(sound.samples, sound.sample_rate_hz, rods=rods)


def finite_element_heads() -> None:
    for head in heads():
        read = read_head(head["name"], head["rods"])
        assert read.refused is None
        assert not read.warnings
        for tap, hertz in zip(read.taps, head["rod_pitch_11_hz"], strict=True):
            assert tap.rod_pitch_hz is not None
            assert_published(cents(tap.rod_pitch_hz, hertz), 0.0, 3.0, kind="independent code",
                             source=f"finite elements, head {head['name']}, rod {tap.rod}")
        assert read.pair_hz is not None
        for got, component in zip(read.pair_hz, head["pairs"]["1,1"], strict=True):
            assert_published(got, component[0], 0.02, source=f"(1,1) of head {head['name']}", kind="independent code")


def test_finite_element_heads_from_sound() -> None:
    finite_element_heads()
    assert_canary(finite_element_heads)


def test_template_is_the_physics() -> None:
    for (m, n), (j, c, _) in FAMILIES.items():
        assert_published(j, float(bessel_zeros(m, n)[n - 1]), 1e-4, source="zero of J_m", kind="closed form")
        assert_published(c, float(baffled_mass(m, n)[n - 1, n - 1]), 2e-3, source="baffled added mass", kind="closed form")


def test_two_rounds_are_pooled() -> None:
    starts = [0.2 + 1.0 * i for i in range(2 * ROUND)]
    read = read_taps(played(starts=starts, rods=[*range(1, 7)] * 2), RATE, rods=ROUND)
    assert worst(read, truth()) < 1.0


def test_taps_given_by_hand_need_no_finding() -> None:
    x = played(starts=EVEN_STARTS, rods=[*range(1, 7)])
    read = read_taps(x, RATE, rods=ROUND, onsets_s=EVEN_STARTS, expected_hz=185.0)
    assert worst(read, truth()) < 1.0
    assert all(t.sd_hz and 0 < t.sd_hz < 0.2 for t in read.taps)


def test_a_bounce_counts_once() -> None:
    x = played(starts=sorted([*EVEN_STARTS, EVEN_STARTS[2] + 0.12]), rods=[1, 2, 3, 3, 4, 5, 6])
    read = read_taps(x, RATE, rods=ROUND)
    assert any("count as one" in w for w in read.warnings)
    for tap, hertz in zip(read.taps, truth(), strict=True):
        assert tap.rod_pitch_hz and tap.sd_hz
        assert abs(tap.rod_pitch_hz - hertz) < (2 * tap.sd_hz if tap.rod == 3 else 0.15)
    assert read.taps[2].sd_hz and read.taps[0].sd_hz and read.taps[2].sd_hz > 5 * read.taps[0].sd_hz  # two knocks interfere


def test_a_skipped_rod_is_named_and_left_empty() -> None:
    starts = [s for i, s in enumerate(EVEN_STARTS) if i != 3]
    read = read_taps(played(starts=starts, rods=[1, 2, 3, 5, 6]), RATE, rods=ROUND)
    assert any("no tap at rod 4" in w for w in read.warnings)
    assert read.taps[3].rod_pitch_hz is None
    assert worst(read, truth()) < 1.5


def test_a_round_that_cannot_be_counted_is_refused_with_both_numbers() -> None:
    read = read_taps(played(starts=EVEN_STARTS[:4], rods=[1, 2, 3, 4]), RATE, rods=ROUND)
    assert read.refused is not None
    assert "4 taps were found, 6 are needed" in read.refused
    silence = read_taps(np.random.default_rng(1).normal(0, 1e-3, 5 * RATE), RATE, rods=ROUND)
    assert silence.refused is not None


def test_a_standing_microphone_is_noticed_and_allowed_for() -> None:
    read = read_taps(played(starts=EVEN_STARTS, rods=[*range(1, 7)], stood=True, noise=2e-4), RATE, rods=ROUND)
    assert any("microphone stood" in w for w in read.warnings)
    assert worst(read, truth()) < 3.0
    beside = read_taps(played(starts=EVEN_STARTS, rods=[*range(1, 7)]), RATE, rods=ROUND)
    assert not any("microphone" in w for w in beside.warnings)


def test_a_tap_with_the_other_head_free_says_so() -> None:
    x = played(starts=EVEN_STARTS, rods=[*range(1, 7)], detune={4: 1.02})
    read = read_taps(x, RATE, rods=ROUND)
    assert any("rod 5" in w and "not held" in w for w in read.warnings)
    assert sum("not held" in w for w in read.warnings) == 1
    assert read.taps[4].rod_pitch_hz is None


def test_strength_of_taps_does_not_matter() -> None:
    strengths = [1.0, 0.5, 2.0, 0.8, 1.5, 0.6]
    read = read_taps(played(starts=EVEN_STARTS, rods=[*range(1, 7)], strengths=strengths), RATE, rods=ROUND)
    assert worst(read, truth()) < 1.5
    assert not read.warnings


def test_an_even_head_reads_even() -> None:
    read = read_taps(played(starts=EVEN_STARTS, rods=[*range(1, 7)], size=0.0), RATE, rods=ROUND)
    assert read.evenness_cents is not None
    assert read.evenness_cents < 0.5
    assert worst(read, truth(0.0)) < 0.5


def test_a_drum_that_is_known_narrows_the_search() -> None:
    drum = Drum("tom", 0.3048, 0.25, Head(0.353, rods=ROUND, tension=1000.0), None)
    read = read_taps(played(starts=EVEN_STARTS, rods=[*range(1, 7)]), RATE, rods=ROUND, drum=drum)
    assert worst(read, truth()) < 1.0


def test_onsets_to_a_millisecond() -> None:
    onsets, sizes = tap_onsets(played(starts=EVEN_STARTS, rods=[*range(1, 7)]), RATE)
    found = a_round(onsets, sizes, ROUND)
    np.testing.assert_allclose(found.onsets_s, EVEN_STARTS, atol=1e-3)


def test_bad_input() -> None:
    with pytest.raises(InputError, match="3 to 24"):
        read_taps(np.zeros(100), RATE, rods=2)
    with pytest.raises(AudioError, match="empty"):
        read_taps(np.zeros(0), RATE, rods=6)
    with pytest.raises(AudioError, match="not numbers"):
        read_taps(np.full(100, np.nan), RATE, rods=6)
