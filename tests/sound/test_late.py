"""Bars of single strikes: what the tail, read at rest, says otherwise belongs into them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from bothheads.sound.reading import read_spans

RATE = 48000


def test_bars_of_single_gliding_strikes_hold_the_truth() -> None:
    """Three partials gliding by up to 2 %, 45 dB over the noise; without the tails 85 % of 240 held."""
    rng = np.random.default_rng(77123)
    held = []
    for _ in range(24):
        t = np.arange(round(1.8 * RATE)) / RATE - 0.3
        f = np.sort(rng.uniform(50, 300, 3))
        f = f if np.diff(f).min() > 15 else f + np.array([0, 20, 45])
        tau, level = rng.uniform(0.15, 0.5, 3), 10 ** (-rng.uniform(0, 15, 3) / 20)
        glide, rate, after = rng.uniform(0, 0.02), rng.uniform(4, 12), np.maximum(t, 0)
        warped = after + glide * (1 - np.exp(-rate * after)) / rate
        phases = rng.uniform(0, 2 * np.pi, 3)
        each = zip(level, tau, f, phases, strict=True)
        x = sum(a * np.exp(-after / d) * np.cos(2 * np.pi * hz * warped + p) for a, d, hz, p in each) * (t >= 0)
        x = 0.3 * x / np.abs(x).max() + rng.normal(0, 0.3 * 10 ** (-45 / 20), len(t))
        span = SimpleNamespace(onset_s=0.3, end_s=len(t) / RATE, peak_dbfs=(0.0,), delay_s=(0.0,))
        got = read_spans(x[:, None], RATE, [span], quick=False)
        assert got is not None
        for hz in f:
            k = int(np.argmin(np.abs(got.frequency_hz - hz)))
            held.append(abs(got.frequency_hz[k] - hz) < 1.96 * got.frequency_sd_hz[k])
    assert np.mean(held) > 0.93
