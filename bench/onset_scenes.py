"""Scenes of real strikes and of the physical model, for ``bench/onsets.py``; truth known to the sample.

A real scene lays recorded strikes of drums in a row: gaps of 0.25-1.6 s on the tails, every sixth doubled 60-90 ms later by
another strike of the same drum, two microphones (the second later, duller, with the room's decay), snare wires that
buzz in answer, clunks of a pedal 15-60 ms before some strikes, bleed of another drum (neither right nor wrong to find),
noise and hum.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from onsets import RATE_HZ, Scene, pink, strike

Array = NDArray[np.float64]
RECORDINGS = Path(__file__).resolve().parents[1] / "tests" / "data" / "recordings"
KITS = {"learn": ("kick", "tom-high"), "check": ("tom-low", "two-headed")}


@cache
def recorded(which: str) -> tuple[tuple[Array, ...], ...]:
    """Strikes of each drum of a half of the recordings, at 48 kHz, peak 1."""
    from scipy.signal import resample_poly

    from bothheads.sound.audio import read_audio

    drums = []
    for name in KITS[which]:
        takes = []
        for path in sorted(RECORDINGS.glob(f"{name}*.flac")):
            got = read_audio(path)
            x = resample_poly(got.samples[:, 0], RATE_HZ // 300, got.sample_rate_hz // 300)
            takes.append(np.asarray(x / np.abs(x).max()))
        drums.append(tuple(takes))
    return tuple(drums)


def real_scene(seed: int, snr_db: float, which: str = "check", seconds: float = 24.0) -> Scene:
    """Two microphones on one drum of ``which`` half at ``snr_db`` (as in ``onsets.scene``)."""
    rng = np.random.default_rng([seed, int(snr_db), 7])
    drums = recorded(which)
    takes = drums[rng.integers(len(drums))]
    n = int(seconds * RATE_HZ)
    near, far = np.zeros(n + 4 * RATE_HZ), np.zeros(n + 4 * RATE_HZ)
    out = Scene(np.zeros((n, 2)), [], [], [])
    lag = rng.uniform(0.0, 0.003)
    wires, reference = rng.uniform() < 0.4, 0.0
    at, second = rng.uniform(0.3, 1.0), False
    while at < seconds - 1.0:
        wave = takes[rng.integers(len(takes))]
        reference = reference or float(np.sqrt((wave[: RATE_HZ // 10] ** 2).mean()))
        level = -rng.uniform(0, 20) if not second else out.level_db[-1] - rng.uniform(-3, 6)
        first = round(at * RATE_HZ)
        near[first : first + len(wave)] += wave * 10 ** (level / 20)
        if wires:
            buzz(rng, near, first, 10 ** (level / 20))
        if not second and rng.uniform() < 0.15:
            _clunk(rng, near, first - round(rng.uniform(0.015, 0.06) * RATE_HZ), 10 ** ((level - 26) / 20))
        out.onset_s.append(first / RATE_HZ + int(np.argmax(np.abs(wave) > 0.02)) / RATE_HZ)
        out.delay_s.append((0.0, lag))
        out.doubled.append(second)
        out.level_db.append(level)
        second = not second and rng.uniform() < 1 / 6
        at += rng.uniform(0.06, 0.09) if second else rng.uniform(0.25, 1.6)
    if rng.uniform() < 0.4:
        _bleed(rng, near, recorded("learn" if which == "check" else "check"), out)
    far[:] = _room(rng, near, lag)
    x = np.stack([near[:n], far[:n]], axis=1)
    x += _noise(rng, n) * reference * 10 ** (-snr_db / 20)
    out.samples = np.rint(x / np.abs(x).max() * 0.9 * 2**23) / 2**23
    return out


def buzz(rng: np.random.Generator, x: Array, first: int, size: float) -> None:
    """Snare wires: 3-9 kHz noise that begins 5-12 ms after the strike and dies in a tenth of a second."""
    from scipy.signal import butter, sosfilt

    n = RATE_HZ // 2
    t = np.arange(n) / RATE_HZ
    noise = sosfilt(butter(2, [3000, 9000], "band", fs=RATE_HZ, output="sos"), rng.standard_normal(n))
    begin = first + round(rng.uniform(0.005, 0.012) * RATE_HZ)
    shape = np.minimum(t / 0.004, 1.0) * np.exp(-t / rng.uniform(0.04, 0.15))
    x[begin : begin + n] += size * 10 ** (-rng.uniform(18, 34) / 20) * shape * noise


def _clunk(rng: np.random.Generator, x: Array, first: int, size: float) -> None:
    """A pedal: a dull knock of 150-600 Hz that is gone in 5 ms."""
    t = np.arange(RATE_HZ // 20) / RATE_HZ
    knock = np.sin(2 * np.pi * rng.uniform(150, 600) * t) * np.exp(-t / rng.uniform(0.002, 0.006))
    first = max(first, 0)
    x[first : first + len(t)] += size * knock


def _bleed(rng: np.random.Generator, x: Array, others: tuple[tuple[Array, ...], ...], truth: Scene) -> None:
    """Other drums 20-34 dB below, where nobody strikes this one; kept in ``truth.neutral_s``."""
    for _ in range(5):
        takes = others[rng.integers(len(others))]
        wave = takes[rng.integers(len(takes))]
        at = rng.uniform(0.5, len(x) / RATE_HZ - 6.0)
        if min(abs(at - s) for s in truth.onset_s) > 0.15:
            first = round(at * RATE_HZ)
            x[first : first + len(wave)] += wave * 10 ** (-rng.uniform(20, 34) / 20)
            truth.neutral_s.append(at)


def _room(rng: np.random.Generator, near: Array, lag: float) -> Array:
    """What a second microphone hears: later by ``lag`` [s], duller, with echoes that die in 0.1-0.4 s."""
    from scipy.signal import butter, fftconvolve, sosfilt

    n = RATE_HZ // 2
    t = np.arange(n) / RATE_HZ
    echo = rng.standard_normal(n) * np.exp(-6.9 * t / rng.uniform(0.1, 0.4)) * (rng.uniform(size=n) < 0.02)
    echo *= 10 ** (-rng.uniform(6, 14) / 20) / np.sqrt(np.square(echo).sum())
    echo[: round(0.004 * RATE_HZ)] = 0.0
    echo[0] = 1.0
    heard = fftconvolve(near, echo)[: len(near)]
    heard = np.asarray(sosfilt(butter(1, rng.uniform(3000, 12000), fs=RATE_HZ, output="sos"), heard))
    spectrum = np.fft.rfft(heard)
    f = np.fft.rfftfreq(len(heard), 1 / RATE_HZ)
    moved: Array = np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * lag), len(heard))
    return float(rng.uniform(0.4, 1.0)) * moved


def _noise(rng: np.random.Generator, n: int) -> Array:
    """Room noise of rms 1, white to pink, with hum."""
    t = np.arange(n) / RATE_HZ
    share = rng.uniform(0.0, 0.9)
    hum = sum(np.sin(2 * np.pi * 50 * k * t + rng.uniform(0, 6)) / k for k in (1, 2, 3))
    rows = [np.sqrt(share) * pink(rng, n) + np.sqrt(1 - share) * rng.standard_normal(n) + rng.uniform(0, 0.4) * hum
            for _ in range(2)]
    return np.array(rows).T


def model_scene(seed: int) -> Scene:
    """Two strikes without a click on a two-headed drum of the physical model, some with heads tuned alike, so that they beat;
    in two of five the bleed of another drum 0.8 s later, 20-34 dB below (neither right nor wrong to find)."""
    rng = np.random.default_rng([seed, 17])
    noise_db = float(rng.choice([-200.0, -90.0, -70.0, -60.0, -50.0]))
    x, late = _model_take(rng, noise_db)
    out = Scene(x, [0.4 + late, 2.0 + late], [(0.0,) * x.shape[1]] * 2, [False] * 2, [0.0, 0.0])
    if rng.uniform() < 0.4:
        other, _ = _model_take(rng, -200.0)
        shift = round(0.8 * RATE_HZ)
        x[shift:, 0] += 10 ** (-rng.uniform(20, 34) / 20) * other[: len(x) - shift, 0]
        out.neutral_s.extend([1.2, 2.8])
    return out


def _model_take(rng: np.random.Generator, noise_db: float) -> tuple[Array, float]:
    """(two strikes, near 0.4 and 2 s, on a drum drawn by ``rng``, how much later they are audible [s])."""
    from dataclasses import replace

    from takes import BASS, samples_of, tuned

    diameter = float(rng.uniform(0.25, 0.66))
    tension = float(rng.uniform(200.0, 1400.0))
    drum = tuned(replace(BASS, diameter=diameter, depth=float(rng.uniform(0.5, 0.9)) * diameter), tension,
                 tension * float(rng.choice([1.0, 1.0, rng.uniform(0.7, 1.3)])))
    x = np.asarray(samples_of(drum, gains=(float(rng.uniform(0.5, 1.0)), 1.0), noise_db=noise_db, places=("front",),
                              seed=int(rng.integers(1000))))
    x = x[:, None] if x.ndim == 1 else x
    loud = np.abs(x[: 2 * RATE_HZ]).max(axis=1)
    return x.copy(), float(np.argmax(loud[round(0.4 * RATE_HZ) :] > 0.02 * loud.max())) / RATE_HZ


def bare_scene(seed: int, which: str = "check") -> Scene:
    """One strike in a file of its own, 0.25-2.5 s long, which begins with it or up to 0.3 s before; synthetic or real, on
    digital silence or noise 40-80 dB below; some faded or cut at the end, some hard clipped."""
    rng = np.random.default_rng([seed, 19])
    drums = recorded(which)
    takes = drums[rng.integers(len(drums))]
    wave = strike(rng) if rng.uniform() < 0.3 else takes[rng.integers(len(takes))]
    lead = round(float(rng.choice([0.0, 0.0005, 0.005, rng.uniform(0.0, 0.3)])) * RATE_HZ)
    wave = wave[: round(rng.uniform(0.25, 2.5) * RATE_HZ)].copy()
    if rng.uniform() < 0.5:
        fade = min(len(wave) // 3, round(rng.uniform(0.01, 0.2) * RATE_HZ))
        wave[-fade:] *= np.linspace(1.0, 0.0, fade)
    if rng.uniform() < 0.2:
        wave = np.clip(wave, -0.6, 0.6)
    x = np.concatenate([np.zeros(lead), wave])
    if rng.uniform() < 0.6:
        x += 10 ** (-rng.uniform(40, 80) / 20) * pink(rng, len(x))
    first = lead + int(np.argmax(np.abs(wave) > 0.02 * np.abs(wave).max()))
    return Scene(0.8 * x[:, None], [first / RATE_HZ], [(0.0,)], [False], [0.0])
