"""Sounds that are no strikes, and what a streaming reader sees of any scene; for ``builders/strike_weights.py``.

An unstruck scene has talk, chords with soft attacks, a ring that beats, swells, steps and bangs, or noise whose level moves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from onset_scenes import buzz, real_scene
from onsets import RATE_HZ, Scene, pink, scene

Array = NDArray[np.float64]


def unstruck_scene(seed: int, kind: str, seconds: float = 12.0) -> Scene:
    """Sound in which nobody strikes a drum: ``talk``, ``chords``, ``swells``, ``noise`` or ``ring`` (one strike that
    beats)."""
    rng = np.random.default_rng([seed, len(kind), 11])
    n = int(seconds * RATE_HZ)
    out = Scene(np.zeros((n, 2)), [], [], [])
    made = {"talk": _talk, "chords": _chords, "swells": _swells, "ring": _ring, "noise": _noise_alone}[kind](rng, n, out)
    x = np.stack([made, 0.6 * np.roll(made, 40)], axis=1)
    if kind == "noise":
        x[:, 1] = _noise_alone(np.random.default_rng([seed, 31]), n, out)
    x += 10 ** (-rng.uniform(40, 70) / 20) * rng.standard_normal(x.shape)
    out.samples = np.rint(x / np.abs(x).max() * 0.7 * 2**23) / 2**23
    return out


def _talk(rng: np.random.Generator, n: int, _: Scene) -> Array:
    """Syllables: glottal pulses at a moving pitch through two resonances, with hisses between."""
    from scipy.signal import butter, lfilter, sosfilt

    x = np.zeros(n)
    at = 0.3
    while at < n / RATE_HZ - 0.6:
        m = round(rng.uniform(0.08, 0.3) * RATE_HZ)
        pitch = rng.uniform(90, 220) * (1 + rng.uniform(-0.2, 0.2) * np.linspace(0, 1, m))
        phase = np.cumsum(pitch) / RATE_HZ
        voice = np.diff(np.floor(phase), prepend=0.0)
        for f, wide in ((rng.uniform(250, 800), 80.0), (rng.uniform(900, 2400), 120.0)):
            r = np.exp(-np.pi * wide / RATE_HZ)
            voice = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * f / RATE_HZ), r * r], voice)
        voice *= np.minimum(1.0, np.arange(m) / (rng.uniform(0.01, 0.04) * RATE_HZ)) * np.hanning(2 * m)[m:]
        first = round(at * RATE_HZ)
        x[first : first + m] += voice / np.abs(voice).max() * rng.uniform(0.2, 1.0)
        if rng.uniform() < 0.4:
            k = round(rng.uniform(0.04, 0.12) * RATE_HZ)
            hiss = sosfilt(butter(2, 2500, "high", fs=RATE_HZ, output="sos"), rng.standard_normal(k)) * np.hanning(k)
            begin = max(first - k, 0)
            x[begin : begin + k] += 0.1 * hiss
        at += m / RATE_HZ + rng.uniform(0.02, 0.4)
    return x


def _chords(rng: np.random.Generator, n: int, _: Scene) -> Array:
    """Held chords that begin over 30-80 ms, as of bowed strings or an organ, some with vibrato."""
    x = np.zeros(n)
    at = 0.2
    while at < n / RATE_HZ - 1.5:
        m = round(rng.uniform(0.4, 1.4) * RATE_HZ)
        t = np.arange(m) / RATE_HZ
        wave = np.zeros(m)
        for f in rng.uniform(80, 500, rng.integers(1, 4)):
            for k in range(1, 5):
                vibrato = 0.004 * f * k / 5.0 * np.sin(2 * np.pi * 5 * t)
                wave += np.sin(2 * np.pi * f * k * t + vibrato + rng.uniform(0, 6)) / k
        rise, fall = rng.uniform(0.03, 0.08), rng.uniform(0.05, 0.3)
        wave *= np.sin(np.pi / 2 * np.minimum(1, t / rise)) ** 2 * np.minimum(1, (t[-1] - t) / fall)
        first = round(at * RATE_HZ)
        x[first : first + m] += wave * rng.uniform(0.1, 0.4)
        at += rng.uniform(0.3, 1.5)
    return x


def _swells(rng: np.random.Generator, n: int, _: Scene) -> Array:
    """Breath, cloth, steps without a ring."""
    x = np.zeros(n)
    for _ in range(14):
        m = round(rng.uniform(0.08, 0.5) * RATE_HZ)
        first = rng.integers(RATE_HZ // 2, n - m)
        x[first : first + m] += pink(rng, m) * np.hanning(m) * rng.uniform(0.02, 0.4)
    for _ in range(6):
        m = round(0.02 * RATE_HZ)
        first = rng.integers(RATE_HZ // 2, n - m)
        x[first : first + m] += rng.standard_normal(m) * np.exp(-np.arange(m) / (0.001 * RATE_HZ)) * rng.uniform(0.1, 0.6)
    return x


def _ring(rng: np.random.Generator, n: int, truth: Scene) -> Array:
    """One strike whose close partials beat as they decay."""
    first = RATE_HZ // 2
    t = np.arange(n - first) / RATE_HZ
    wave = np.zeros(len(t))
    for _ in range(rng.integers(2, 6)):
        f, tau = rng.uniform(40, 200), rng.uniform(0.2, 1.2)
        for shift in (0.0, rng.uniform(0.8, 9.0)):
            wave += rng.uniform(0.3, 1.0) * np.exp(-t / (tau * rng.uniform(0.7, 1.4))) * np.sin(
                2 * np.pi * (f + shift) * t + rng.uniform(0, 6))
    wave *= np.minimum(1.0, t / 0.003)
    wave += 0.5 * np.exp(-t / 0.003) * rng.standard_normal(len(t))
    truth.onset_s.append(0.5)
    truth.delay_s.append((0.0, 40 / RATE_HZ))
    truth.doubled.append(False)
    truth.level_db.append(0.0)
    x = np.zeros(n)
    x[first:] = wave / np.abs(wave).max()
    return x


def beating_scene(seed: int) -> Scene:
    """Two strikes 1.7 s apart of five low partials that decay and beat, whose ring rises again and again."""
    rng = np.random.default_rng([seed, 13])
    n = 4 * RATE_HZ
    x = rng.normal(0.0, (0.0, 1e-4, 1e-3)[seed % 3], n)
    out = Scene(np.zeros((n, 1)), [0.5, 2.2], [(0.0,)] * 2, [False] * 2, [0.0, 0.0])
    for at in out.onset_s:
        t = np.arange(n - round(at * RATE_HZ)) / RATE_HZ
        one = np.zeros_like(t)
        for f, tau, level in ((41.8, 0.45, 1.0), (68.1, 0.4, 0.35), (78.5, 0.38, 0.4), (99.1, 0.3, 0.5), (116.7, 0.28, 0.45)):
            decay = np.exp(-t / (tau * rng.uniform(0.7, 1.5)))
            one += level * rng.uniform(0.5, 1.5) * decay * np.sin(2 * np.pi * f * rng.uniform(0.7, 1.4) * t)
        one = one * np.minimum(1.0, t / 0.004) + rng.uniform(0.0, 0.4) * np.exp(-t / 0.004) * rng.standard_normal(len(t))
        x[-len(one) :] += 0.4 * one / np.abs(one).max()
    out.samples[:, 0] = x
    return out


def window_scene(seed: int, which: str = "check", *, unstruck: bool = False) -> Scene:
    """What a streaming reader has heard when it looks: another scene up to 0.11 or 0.36 s after something.

    ``unstruck``: of noise, talk and the like.
    """
    rng = np.random.default_rng([seed, 23])
    snr = float(rng.choice([20.0, 30.0, 40.0, 60.0]))
    if unstruck:
        whole = unstruck_scene(seed + 500, str(rng.choice(["noise", "noise", "noise", "talk", "swells", "chords"])), 8.0)
    else:
        whole = scene(seed, snr, seconds=10.0) if rng.uniform() < 0.5 else real_scene(seed, snr, which, seconds=10.0)
    end = float(rng.uniform(1.6, 8.0))
    if whole.onset_s and rng.uniform() < 0.6:
        end = max(1.0, float(rng.choice(whole.onset_s)) + float(rng.choice([0.11, 0.36])))
    if unstruck and rng.uniform() < 0.7:  # louder from one sample on, looked at before it can be seen that nothing dies
        louder = float(rng.uniform(1.0, 6.0))
        whole.samples[round(louder * RATE_HZ) :] *= rng.uniform(1.3, 3.0)
        end = louder + float(rng.choice([0.11, 0.15, 0.36]))
    kept = [i for i, s in enumerate(whole.onset_s) if s < end - 0.1]
    neutral = whole.neutral_s + [s for i, s in enumerate(whole.onset_s) if i not in kept]
    return Scene(whole.samples[: round(end * RATE_HZ)], *([rows[i] for i in kept] for rows in (
        whole.onset_s, whole.delay_s, whole.doubled, whole.level_db)), neutral)


def _noise_alone(rng: np.random.Generator, n: int, _: Scene) -> Array:
    """Noise, white to pink, whose level steps or slides by up to 12 dB a few times; half of it with buzzing wires."""
    share = float(rng.choice([0.0, 1.0, rng.uniform()]))
    x = np.sqrt(share) * pink(rng, n) + np.sqrt(1 - share) * rng.standard_normal(n)
    level = np.zeros(n)
    for _ in range(rng.integers(0, 6)):
        first, slide = rng.integers(n), round(rng.choice([1e-4, rng.uniform(0.001, 0.5)]) * RATE_HZ)
        level += rng.uniform(-9, 9) * np.clip((np.arange(n) - first) / max(slide, 1), 0.0, 1.0)
    x *= 10 ** (np.clip(level, -12, 12) / 20)
    if rng.uniform() < 0.5:
        for _ in range(5):
            buzz(rng, x, int(rng.integers(0, n - RATE_HZ)), 10 ** rng.uniform(0.5, 2.0))
    return x
