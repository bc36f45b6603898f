"""Resampling by small whole numbers with one windowed sinc; fractional positions by a cubic on twice the rate."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_HALF = 10  # zero crossings on each side


def low_pass(taps: int, edge: float, beta: float) -> Array:
    """Windowed-sinc low pass, ``taps`` odd, unit gain at zero, half gain at ``edge`` (1 = half the sampling rate)."""
    n = np.arange(taps) - (taps - 1) / 2
    h = np.sinc(edge * n) * np.kaiser(taps, beta)
    out: Array = h / h.sum()
    return out


@lru_cache(maxsize=8)
def _sinc(factor: int) -> Array:
    return low_pass(2 * _HALF * factor + 1, 1.0 / factor, 7.0)


def upsample(y: Array, factor: int) -> Array:
    """``y`` (T,) at ``factor`` times its rate; sample i of y is sample factor i of the answer."""
    spread = np.zeros(len(y) * factor)
    spread[::factor] = y
    return np.convolve(spread, _sinc(factor) * factor, "same")


def halve(y: Array) -> Array:
    """``y`` (T,) at half its rate."""
    return np.convolve(y, _sinc(2), "same")[::2]


def at_positions(y: Array, position: Array) -> Array:
    """``y`` (T,) at fractional indices ``position``."""
    from scipy.ndimage import map_coordinates

    out: Array = map_coordinates(upsample(y, 2), [2.0 * np.maximum(position, 0.0)], order=3, mode="nearest")
    return out
