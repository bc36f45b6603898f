"""Single strikes of any kind of drum, in files that begin with them and in running recordings; for ``bench/onset_scenes.py``.

Kinds: toms, kicks whose pitch falls up to seven times in 10-80 ms, snares (three modes, wires that answer within 20 ms
and die in 40-250 ms), hands on skins (dying in 20-80 ms) and brushes (a rush of noise that rises in 2-12 ms);
some behind a softer touch a few milliseconds before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from onsets import RATE_HZ, Scene, pink, strike

Array = NDArray[np.float64]
KINDS = ("tom", "kick", "snare", "hand", "brush")


def one_shot(rng: np.random.Generator, kind: str) -> Array:
    """A strike of a kind, peak 1, up to 2.5 s long."""
    if kind == "tom":
        wave = strike(rng)
        wave *= np.exp(-np.arange(len(wave)) / RATE_HZ / rng.choice([10.0, rng.uniform(0.05, 0.4)]))  # damped or not
    else:
        wave = {"kick": _kick, "snare": _snare, "hand": _hand, "brush": _brush}[kind](rng)
    if rng.uniform() < 0.25:
        wave = _touched_before(rng, wave)
    if rng.uniform() < 0.15:
        wave = np.tanh(rng.uniform(1.5, 6.0) * wave / np.abs(wave).max())
    return np.asarray(wave / np.abs(wave).max())


def _touched_before(rng: np.random.Generator, wave: Array) -> Array:
    """The strike 3-12 ms late behind a softer touch of itself or of a stick, 15-40 dB below."""
    late = round(rng.uniform(0.003, 0.012) * RATE_HZ)
    out = np.concatenate([np.zeros(late), wave])
    touch = wave if rng.uniform() < 0.5 else _hiss(rng, late, 500.0, 8000.0) * np.abs(wave).max()
    out[: len(touch)] += 10 ** (-rng.uniform(15, 40) / 20) * touch
    return out


def _time(seconds: float) -> Array:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def _hiss(rng: np.random.Generator, n: int, low_hz: float, high_hz: float) -> Array:
    from scipy.signal import butter, sosfilt

    noise = sosfilt(butter(1, [low_hz, high_hz], "band", fs=RATE_HZ, output="sos"), rng.standard_normal(n))
    return np.asarray(noise / np.abs(noise).max())


def _kick(rng: np.random.Generator) -> Array:
    t = _time(1.5)
    lowest, falls, tau = rng.uniform(35, 80), rng.uniform(0.2, 6.0), rng.uniform(0.01, 0.08)
    phase = 2 * np.pi * lowest * (t + falls * tau * (1 - np.exp(-t / tau)))
    wave = np.sin(phase + rng.uniform(0, 1.5)) * np.exp(-t / rng.uniform(0.05, 0.35))
    wave *= np.minimum(1.0, t / float(rng.choice([2e-4, rng.uniform(2e-4, 0.012)])))
    wave += rng.uniform(0, 0.4) * np.sin(2.3 * phase) * np.exp(-t / rng.uniform(0.02, 0.1))
    beater = _hiss(rng, len(t), rng.uniform(300, 1500), rng.uniform(3000, 9000)) * np.exp(-t / rng.uniform(0.001, 0.008))
    return wave + 10 ** (-rng.uniform(3, 30) / 20) * beater


def _snare(rng: np.random.Generator) -> Array:
    t = _time(1.2)
    wave = np.zeros(len(t))
    for f in rng.uniform(140, 420) * np.array([1.0, rng.uniform(1.4, 2.2), rng.uniform(2.2, 3.0)])[: rng.integers(1, 4)]:
        glide = 0.01 * rng.uniform(0, 0.08) * (1 - np.exp(-t / 0.01))
        wave += 10 ** (-rng.uniform(0, 10) / 20) * np.sin(2 * np.pi * f * (t + glide)) * np.exp(-t / rng.uniform(0.02, 0.15))
    late = np.maximum(t - rng.choice([0.0, rng.uniform(0.0, 0.008), rng.uniform(0.0, 0.02)]), 0.0)
    wires = np.minimum(late / float(rng.choice([rng.uniform(2e-4, 0.004), rng.uniform(0.002, 0.015)])), 1.0)
    wires *= np.exp(-late / rng.uniform(0.04, 0.25))
    wave += rng.uniform(0.1, 2.0) * wires * _hiss(rng, len(t), rng.uniform(400, 2000), rng.uniform(5000, 16000))
    crack = _hiss(rng, len(t), 1000.0, 12000.0) * np.exp(-t / rng.uniform(5e-4, 0.004))
    return wave + rng.uniform(0, 1.5) * crack


def _hand(rng: np.random.Generator) -> Array:
    t = _time(0.8)
    wave = np.zeros(len(t))
    for f in rng.uniform(70, 350) * np.array([1.0, 1.6, 2.1, 2.7])[: rng.integers(1, 5)]:
        tone = np.sin(2 * np.pi * f * t + rng.uniform(0, 1)) * np.exp(-t / rng.uniform(0.02, 0.08))
        wave += 10 ** (-rng.uniform(0, 12) / 20) * tone
    wave *= np.minimum(1.0, t / rng.uniform(3e-4, 0.003))
    slap = _hiss(rng, len(t), rng.uniform(500, 1500), rng.uniform(3000, 10000)) * np.exp(-t / rng.uniform(0.001, 0.02))
    return wave + rng.uniform(0, 1.0) * slap


def _brush(rng: np.random.Generator) -> Array:
    t = _time(0.6)
    wave = _hiss(rng, len(t), rng.uniform(200, 1500), rng.uniform(4000, 12000))
    wave *= np.minimum(1.0, t / rng.uniform(0.002, 0.012)) * np.exp(-t / rng.uniform(0.02, 0.12))
    tone = np.sin(2 * np.pi * rng.uniform(100, 300) * t) * np.exp(-t / 0.06) * np.minimum(1.0, t / 0.002)
    return wave + rng.uniform(0.0, 0.6) * tone


def _audible(wave: Array) -> float:
    """First sample above 2 % of the peak [s]."""
    return int(np.argmax(np.abs(wave) > 0.02 * np.abs(wave).max())) / RATE_HZ


def file_scene(seed: int, wave: Array | None = None) -> Scene:
    """One strike in a file of its own: it begins with it, within 20 or within 300 ms, ends after 0.05 to 2 s or rings out.

    On digital silence before and behind, or noise 40-90 dB below its peak; faded or cut at the end, peak at 0 to -30 dB of
    full scale, 16 or 24 bit, dithered or not; some with a second microphone.
    """
    rng = np.random.default_rng([seed, 41])
    wave = one_shot(rng, str(rng.choice(KINDS))) if wave is None else wave
    lead = round(float(rng.choice([0.0, 0.0, rng.uniform(0.0, 0.02), rng.uniform(0.0, 0.3)])) * RATE_HZ)
    wave = wave[: round(float(rng.choice([0.25, 0.5, 1.0, 2.5, rng.uniform(0.05, 2.0)])) * RATE_HZ)].copy()
    at = lead / RATE_HZ + _audible(wave)
    if rng.uniform() < 0.5:
        fade = min(len(wave) // 3, round(rng.uniform(0.003, 0.2) * RATE_HZ))
        wave[-fade:] *= np.linspace(1.0, 0.0, fade)
    if rng.uniform() < 0.5:
        wave = wave + 10 ** (-rng.uniform(40, 90) / 20) * pink(rng, len(wave))  # gone before and behind
    x = np.concatenate([np.zeros(lead), wave, np.zeros(round(float(rng.choice([0.0, rng.uniform(0.0, 0.5)])) * RATE_HZ))])
    if rng.uniform() < 0.4:
        x = x + 10 ** (-rng.uniform(40, 90) / 20) * pink(rng, len(x))
    x *= 10 ** (-float(rng.choice([0.0, 3.0, rng.uniform(0, 30)])) / 20) / np.abs(x).max()
    rows = [x] if rng.uniform() < 0.6 else [x, np.roll(x, rng.integers(0, 30)) * rng.uniform(0.2, 1.0)]
    return Scene(_stored(rng, np.array(rows).T), [at], [(0.0,) * len(rows)], [False], [0.0])


def _stored(rng: np.random.Generator, x: Array) -> Array:
    """As a file of 16 or 24 bit holds it, with triangular dither or without."""
    steps = float(rng.choice([2**15, 2**15, 2**23]))
    dither = rng.uniform(-0.5, 0.5, x.shape) + rng.uniform(-0.5, 0.5, x.shape) if rng.uniform() < 0.4 else 0.0
    return np.clip(np.rint(x * steps + dither), -steps, steps - 1) / steps


def kit_scene(seed: int, snr_db: float, shots: list[list[Array]] | None = None, *, seconds: float = 16.0) -> Scene:
    """A kit played: two to five drums of levels up to 12 dB apart, 0.1-1.2 s between strikes, by one to eight microphones.

    Each microphone hears every drum 0-25 dB down and up to 5 ms late, the nearest at 0 dB; noise as in
    ``onsets.scene``: ``snr_db`` below the first 100 ms of a strike. ``shots``: strikes of each drum, else made.
    """
    rng = np.random.default_rng([seed, int(snr_db), 43])
    if shots is None:
        kinds = rng.choice(KINDS[:4], rng.integers(2, 6))
        shots = [[one_shot(rng, str(kind)) for _ in range(3)] for kind in kinds]
    channels, n = int(rng.choice([1, 2, 2, 4, 8])), round(seconds * RATE_HZ)
    gain_db, drum_db = -rng.uniform(0, 25, (len(shots), channels)), -rng.uniform(0, 12, len(shots))
    gain_db -= gain_db.max(axis=1, keepdims=True)
    late = rng.uniform(0, 0.005, (len(shots), channels))
    x, out, reference = np.zeros((n, channels)), Scene(np.zeros((n, channels)), [], [], []), 0.0
    slowest, at = float(rng.choice([0.25, 0.6, 1.2])), rng.uniform(0.0, 0.6)
    while at < seconds - 0.5:
        drum = int(rng.integers(len(shots)))
        wave = shots[drum][rng.integers(len(shots[drum]))]
        level = float(drum_db[drum]) - rng.uniform(0, 12)
        reference = reference or float(np.sqrt(np.square(wave[: RATE_HZ // 10]).mean()))
        for c in range(channels):
            first = round((at + late[drum, c]) * RATE_HZ)
            piece = wave[: n - first]
            x[first : first + len(piece), c] += 10 ** ((level + gain_db[drum, c]) / 20) * piece
        heard = gain_db[drum] > -20.0
        out.onset_s.append(round((at + late[drum][heard].min()) * RATE_HZ) / RATE_HZ + _audible(wave))
        out.delay_s.append(tuple((late[drum] - late[drum].min()).tolist()))
        out.doubled.append(False)
        out.level_db.append(level)
        at += rng.uniform(0.1, slowest)
    share = float(rng.choice([0.0, 0.7, rng.uniform()]))
    noise = np.array([np.sqrt(share) * pink(rng, n) + np.sqrt(1 - share) * rng.standard_normal(n) for _ in range(channels)]).T
    x += reference * 10 ** (-snr_db / 20) * noise
    out.samples = _stored(rng, 0.9 * x / np.abs(x).max())
    return out
