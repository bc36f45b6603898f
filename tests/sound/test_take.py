"""A whole take read in one fit: gliding takes of a non-linear simulation, and a strike model built here."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from bothheads.sound.gather import Found
from bothheads.sound.reading import read_spans

RATE = 8000


@cache
def gliding_take(seed: int, glide: float, snr_db: float) -> tuple[dict[str, np.ndarray], Found]:
    """Three strikes on a still ringing drum: each partial has its own share in two drives; old ring goes on."""
    rng = np.random.default_rng(seed)
    f = np.array([61.0, 98.5, 131.2, 167.0, 221.7])
    tau = np.array([0.42, 0.30, 0.24, 0.16, 0.11])
    share = glide * np.stack([rng.uniform(0.7, 1.3, 5), 0.4 * rng.uniform(0.7, 1.3, 5)])  # per unit of drives 0 and 2
    onsets, force = np.array([0.5, 2.3, 4.1]), np.array([0.55, 0.3, 1.0])
    n = int(6.0 * RATE)
    t = np.arange(n) / RATE
    level = rng.uniform(0.3, 1.0, (2, 5))
    z = np.zeros(5, complex)
    out = np.zeros((n, 2))
    push = rng.uniform(0, 2 * np.pi, 5)
    mode = np.array([1.0, 0.7, 0.6, 0.5, 0.4])
    step = np.exp(-1 / tau / RATE)
    starts = set((onsets * RATE).astype(int))
    hits = iter(force)
    for i in range(n):
        if i in starts:
            z = z + next(hits) * mode * np.exp(1j * push)
        energy = np.abs(z[[0, 2]]) ** 2 / mode[[0, 2]] ** 2
        z = z * step * np.exp(2j * np.pi * f * np.sqrt(1 + 2 * (energy @ share)) / RATE)
        out[i] = level @ z.real
    early = out[int(4.1 * RATE) : int(4.2 * RATE)]
    sd = np.sqrt((early**2).mean()) * 10 ** (-snr_db / 20)
    x = 0.1 * (out + sd * rng.standard_normal(out.shape))
    spans = [SimpleNamespace(onset_s=float(a), end_s=float(b), peak_dbfs=(0.0, 0.0), delay_s=(0.0, 0.0))
             for a, b in zip(onsets, [*onsets[1:], t[-1]], strict=True)]
    found = read_spans(x, RATE, spans, quick=False)
    assert found is not None
    return {"f": f, "tau": tau, "share": share, "force": force, "level": level * mode * 0.1}, found


def cents(found: Found, truth: dict[str, np.ndarray]) -> np.ndarray:
    return np.array([1200 * np.log2(found.frequency_hz[np.argmin(np.abs(found.frequency_hz - x))] / x)
                     for x in truth["f"]])


@pytest.mark.parametrize("glide", (0.002, 0.02, 0.06))
def test_resting_frequencies_do_not_depend_on_the_glide(glide: float) -> None:
    truth, found = gliding_take(1, glide, 45.0)
    assert len(found.frequency_hz) == 5
    assert np.abs(cents(found, truth)).max() < 0.6
    assert np.median(np.abs(cents(found, truth))) < 0.15


def test_bars_hold_the_truth() -> None:
    z = []
    for seed in (1, 2, 3):
        truth, found = gliding_take(seed, 0.02, 45.0)
        for x in truth["f"]:
            k = int(np.argmin(np.abs(found.frequency_hz - x)))
            z.append((found.frequency_hz[k] - x) / found.frequency_sd_hz[k])
    assert (np.abs(z) < 1.96).mean() >= 0.8
    assert np.abs(z).max() < 5.0


def test_decays_and_levels() -> None:
    truth, found = gliding_take(1, 0.02, 45.0)
    order = np.argsort(found.frequency_hz)
    assert np.allclose(1 / found.rate[order], truth["tau"], rtol=0.04)
    first = found.amplitude[0][:, order]  # the first strike, nothing rings before it
    assert np.allclose(first, truth["force"][0] * truth["level"], rtol=0.1)


def test_glide_is_answered_per_strike() -> None:
    truth, found = gliding_take(1, 0.02, 45.0)
    order = np.argsort(truth["force"])
    glides = np.array([g for g in found.glide_cents if g is not None])
    assert len(glides) == 3
    assert (np.diff(glides[order]) > 0).all()  # harder strikes glide more
    full = 600 * np.log2(1 + 2 * truth["share"][:, 0].sum())  # the hardest one, drives at 1, before old ring
    assert 0.7 * full < glides[2] < 1.5 * full


def test_silence_between_is_not_needed_in_every_channel() -> None:
    """A dead channel gets no levels and disturbs nothing."""
    from bothheads.sound.reading import read_samples

    rng = np.random.default_rng(3)
    t = np.arange(int(2.0 * RATE)) / RATE - 0.4
    y = np.where(t > 0, np.exp(-t / 0.3) * np.sin(2 * np.pi * 90 * t), 0.0) + 1e-3 * rng.standard_normal(t.size)
    span = SimpleNamespace(onset_s=0.4, end_s=2.0, peak_dbfs=(0.0, -99.0), delay_s=(0.0, 0.0))
    reading = read_samples(np.stack([y, 0 * y], 1), RATE, channels=("seat", "front"), spans=[span])
    best = max(reading.partials, key=lambda p: p.level_db[0] if p.level_db[0] is not None else -99.0)
    assert best.frequency_hz == pytest.approx(90.0, abs=0.05)
    assert best.level_db[1] is None
    assert best.level_dbfs[1] is None
