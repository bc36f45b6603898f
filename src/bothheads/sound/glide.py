"""A first guess of the glide: of many warps of time, the one that makes all lines narrowest."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .resample import at_positions, upsample

Array = NDArray[np.float64]
GLIDES = np.r_[.002, .004, .008, .012, .016, .02, .025, .03, .036, .042, .05, .06, .08, .1, .13]
RATES = np.r_[1.2, 2.0, 4.0, 8.0, 16.0, 30.0]  # 1/s


def rest_clock(u: Array, glide: Array | float, rate: Array | float) -> Array:
    """Time t at which the warped clock u = t + glide (1 - exp(-rate t)) / rate shows ``u`` (four fixed-point steps)."""
    t = u
    for _ in range(4):
        t = u - glide * (1.0 - np.exp(-rate * t)) / rate
    return t


def unwarp(samples: Array, rate_hz: float, glide: float, rate: float, count: int) -> Array:
    """``samples`` (T,) from the onset's side, resampled on the clock of a drum at rest: (count,) or shorter."""
    count = min(count, len(samples) - 20)
    if glide == 0.0 or count < 8:
        return samples[: max(count, 0)]
    t = rest_clock(np.arange(count) / rate_hz, glide, rate)
    return at_positions(samples, t * rate_hz)


def _grid() -> tuple[Array, Array]:
    """Glides and rates [1/s] tried, no glide first."""
    g, b = (m.ravel() for m in np.meshgrid(GLIDES, RATES))
    return np.r_[0.0, g], np.r_[8.0, b]


@lru_cache(maxsize=4)
def _warps(count: int, rate_hz: float, up: int, energy: float) -> tuple[NDArray[np.int64], NDArray[np.float32], Array]:
    """(index, share of the next sample) of ``count`` samples, upsampled ``up`` times, on each clock tried, and exp(-rate t)."""
    g, b = _grid()
    t = rest_clock(np.arange(count) / rate_hz, g[:, None] * energy, b[:, None])
    x = np.clip(t * rate_hz * up, 0, count * up - 2)
    i = x.astype(np.int64)
    return i, (x - i).astype(np.float32), np.exp(-b[:, None] * t)


def narrowest(series: list[tuple[Array, float]], rate_hz: float, top_hz: float) -> tuple[float, float, float]:
    """(glide, rate [1/s], gain) of one exponential warp for all ``series`` of (samples, energy share).

    Score: sum over series of ln(sum |Y|^4 / (sum |Y|^2)^2) of the unwarped spectrum (0.8 s); gain is over no warp.
    """
    points, up = 2048, 4
    freq = np.fft.rfftfreq(points, 1.0 / rate_hz)
    band = (freq > 20.0) & (freq < top_hz)
    g, b = _grid()
    score = np.zeros(g.size)
    for y, energy in series:
        n = min(int(0.8 * rate_hz), len(y))
        fine = upsample(y[:n], up).astype(np.float32)
        i, part, fade = _warps(n, rate_hz, up, energy)
        warped = fine[i] * (1 - part) + fine[i + 1] * part
        power = np.abs(np.fft.rfft(warped, points, axis=1)[:, band]) ** 2
        # stretching time by a constant factor narrows every line by that factor: take it out
        energy_at = warped**2
        stretch = 1.0 + g * energy * (energy_at * fade).sum(1) / (energy_at.sum(1) + 1e-30)
        score += np.log((power**2).sum(1) / (power.sum(1) ** 2 * stretch + 1e-30) + 1e-30)
    k = int(np.argmax(score))
    return float(g[k]), float(b[k]), float(score[k] - score[0])
