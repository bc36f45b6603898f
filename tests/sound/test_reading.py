"""The whole chain on any input: never a crash, refusals in words, contract order, times with offset."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from bothheads import wire
from bothheads.records import Drum, Head, Reading
from bothheads.sound.gather import Found, joined
from bothheads.sound.reading import read_samples


def ring(rate: int, seconds: float = 2.0, onset: float = 0.3, partials: tuple[tuple[float, float, float], ...] = (
        (62.0, 0.5, 1.0), (97.0, 0.35, 0.6), (131.0, 0.25, 0.5)), noise: float = 1e-3, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * rate)) / rate - onset
    y = noise * rng.standard_normal(t.size)
    for f, tau, a in partials:
        y[t > 0] += a * np.exp(-t[t > 0] / tau) * np.sin(2 * np.pi * f * t[t > 0])
    return 0.3 * y


def span(rate: int, n: int, onset: float = 0.3) -> SimpleNamespace:
    return SimpleNamespace(onset_s=onset, end_s=n / rate, peak_dbfs=(-6.0,), delay_s=(0.0,))


def consistent(reading: Reading) -> None:
    out = wire.reading(reading)
    assert out["schema"] == "bothheads.reading/1"
    assert wire.reading_from(out) == reading
    f = [p.frequency_hz for p in reading.partials]
    assert f == sorted(f)
    for p in reading.partials:
        assert p.decay_s > 0 and (p.frequency_sd_hz or 0) >= 0
        assert len(p.level_db) == len(p.level_dbfs) == len(reading.channels)
    for c in range(len(reading.channels)):
        heard = [p.level_db[c] for p in reading.partials if p.level_db[c] is not None]
        assert not heard or max(heard) == pytest.approx(0.0)
    assert all(0.0 <= r.share <= 1.0 for r in reading.remainder)


@pytest.mark.parametrize("rate", (8000, 11025, 22050, 44100, 96000, 192000))
def test_every_sampling_rate_gives_the_same_answer(rate: int) -> None:
    y = ring(rate)
    reading = read_samples(y, rate, spans=[span(rate, len(y))])
    consistent(reading)
    for f in (62.0, 97.0, 131.0):
        p = min(reading.partials, key=lambda q: abs(q.frequency_hz - f))
        assert p.frequency_hz == pytest.approx(f, abs=0.05)


@pytest.mark.parametrize("quick", (True, False))
def test_both_readers_agree_on_a_plain_strike(quick: bool) -> None:
    y = ring(48000)
    reading = read_samples(y, 48000, quick=quick, spans=[span(48000, len(y))])
    consistent(reading)
    assert len(reading.partials) == 3
    assert [p.frequency_hz for p in reading.partials] == pytest.approx([62.0, 97.0, 131.0], abs=0.02)
    assert [p.decay_s for p in reading.partials] == pytest.approx([0.5, 0.35, 0.25], rel=0.03)
    assert reading.explained_db is not None and reading.explained_db > 35
    top = 20 * math.log10(0.3 * math.exp(-0.006 / 0.5))
    assert reading.partials[0].level_dbfs[0] == pytest.approx(top, abs=0.3)


def test_a_small_drum_needs_the_wide_band() -> None:
    y = ring(48000, partials=((262.0, 0.2, 0.7), (560.0, 0.12, 1.0), (702.0, 0.1, 0.6)))
    reading = read_samples(y, 48000, spans=[span(48000, len(y))])
    assert [p.frequency_hz for p in reading.partials] == pytest.approx([262.0, 560.0, 702.0], abs=0.1)
    assert [p.level_db[0] for p in reading.partials] == pytest.approx([-2.9, 0.0, -4.3], abs=0.7)


NOTHING = {
    "empty": np.zeros(0), "one sample": np.ones(1), "silence": np.zeros(48000), "constant": np.full(48000, 0.5),
    "short": np.ones(40), "short stereo": np.ones((300, 2)),
    "noise": 0.1 * np.random.default_rng(1).standard_normal(60000),
}


@pytest.mark.parametrize("quick", (True, False))
@pytest.mark.parametrize("name", list(NOTHING))
def test_nothing_to_read_is_said_in_words(name: str, quick: bool) -> None:
    reading = read_samples(NOTHING[name], 48000, quick=quick)
    consistent(reading)
    assert reading.partials == ()
    assert reading.note.frequency_hz is None
    assert reading.note.refused


@pytest.mark.parametrize("quick", (True, False))
def test_a_strike_claimed_in_noise_has_no_credible_partial(quick: bool) -> None:
    x = 0.1 * np.random.default_rng(2).standard_normal((96000, 2))
    reading = read_samples(x, 48000, quick=quick, spans=[span(48000, len(x))])
    assert reading.partials == ()
    assert len(reading.strikes) == 1
    assert reading.note.refused and not reading.settled


def test_clipped_not_finite_and_cut_short_never_crash() -> None:
    y = ring(48000)
    clipped = np.clip(4 * y, -0.5, 0.5)
    consistent(read_samples(clipped, 48000, spans=[span(48000, len(y))]))
    broken = y.copy()
    broken[5000:5010] = np.nan
    consistent(read_samples(broken, 48000, spans=[span(48000, len(y))]))
    for length in (0.31, 0.4, 0.52, 0.6):
        part = y[: int(length * 48000)]
        consistent(read_samples(part, 48000, spans=[span(48000, len(part))]))


def test_many_channels_all_get_levels() -> None:
    y = ring(24000)
    gains = 10 ** (-np.arange(32) / 20)
    rng = np.random.default_rng(4)
    x = y[:, None] * gains + 1e-6 * rng.standard_normal((len(y), 32))
    reading = read_samples(x, 24000, spans=[span(24000, len(y))])
    consistent(reading)
    p = reading.partials[0]
    drop = np.array([v for v in p.level_dbfs if v is not None])
    assert len(drop) == 32
    assert np.allclose(drop - drop[0], -np.arange(32), atol=0.1)


def test_times_carry_the_offset_and_wires_are_named() -> None:
    y = ring(48000)
    drum = Drum("d", 0.3, 0.2, Head(0.35), Head(0.35))
    reading = read_samples(y, 48000, spans=[span(48000, len(y))], offset_s=100.0, drum=replace(drum, wires_on=True))
    assert reading.strikes[0].onset_s == pytest.approx(100.3)
    assert any("wires" in w for w in reading.warnings)
    plain = read_samples(y, 48000, spans=[span(48000, len(y))], drum=drum)
    assert not any("wires" in w for w in plain.warnings)


def test_the_remainder_names_the_noise() -> None:
    y = ring(48000, noise=0.03)
    reading = read_samples(y, 48000, spans=[span(48000, len(y))])
    shares = {r.cause: r.share for r in reading.remainder}
    noise = next(v for k, v in shares.items() if k.startswith("noise"))
    assert noise > 3 * sum(v for k, v in shares.items() if not k.startswith("noise"))


def test_strikes_of_which_no_decay_is_known_are_joined_by_their_plain_mean() -> None:
    def one(rate: float) -> Found:
        return Found(np.array([100.0]), np.array([0.1]), np.array([rate]), np.array([np.inf]), np.full((1, 1, 1), 0.5),
                     np.ones((1, 1, 1), bool), (None,), None)

    both = joined([one(2.0), one(4.0)])
    assert both.rate.tolist() == pytest.approx([3.0])
    assert both.frequency_hz.tolist() == pytest.approx([100.0])
