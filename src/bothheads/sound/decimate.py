"""Samples at a rate that fits the drum: one linear-phase FIR, evaluated only where it is kept."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .resample import low_pass

Array = NDArray[np.float64]

SLOW_RATE_HZ = 1200.0  # for bands up to 440 Hz
FAST_RATE_HZ = 2400.0  # for bands up to 1 kHz
_TAPS_S = 0.0188  # length of the impulse response at the slow rate; it smears a click by half of that
_KAISER = 7.0


def divisor(sample_rate_hz: float, fast: bool) -> int:
    """Whole number by which ``sample_rate_hz`` is divided to come nearest to the slow or the fast rate."""
    return max(1, round(sample_rate_hz / (FAST_RATE_HZ if fast else SLOW_RATE_HZ)))


def band_hz(rate_hz: float) -> tuple[float, float]:
    """(lowest, highest) frequency [Hz] at which partials are sought at a decimated rate [Hz]."""
    return 18.0, 0.37 * rate_hz if rate_hz < 1500.0 else 0.435 * rate_hz


@lru_cache(maxsize=16)
def _filter(sample_rate_hz: float, step: int) -> Array:
    """Polyphase table (step, q) of the low pass whose edge is half the new rate (slow) or 0.44 of it (fast)."""
    if step == 1:
        return np.ones((1, 1))
    rate = sample_rate_hz / step
    slow = rate < 1500.0
    length = _TAPS_S if slow else _TAPS_S * 2 / 3
    taps = int(length * sample_rate_hz) // 2 * 2 + 1
    taps = max(taps, 4 * step + 1)
    h = low_pass(taps, 2.0 * rate * (0.5 if slow else 0.44) / sample_rate_hz, _KAISER)
    q = -(-taps // step)
    padded = np.zeros(q * step)
    padded[:taps] = h
    return np.ascontiguousarray(padded.reshape(q, step).T)


def response(f: Array, sample_rate_hz: float, step: int) -> Array:
    """Gain of the decimating low pass at frequencies f [Hz]."""
    h = _filter(float(sample_rate_hz), step).T.ravel()
    gain: Array = np.abs(np.exp(-2j * np.pi * np.outer(f, np.arange(h.size)) / sample_rate_hz) @ h)
    return gain


def taps_of(sample_rate_hz: float, step: int) -> int:
    """Length of the impulse response in samples of the undecimated clock."""
    if step == 1:
        return 1
    rate = sample_rate_hz / step
    length = _TAPS_S if rate < 1500.0 else _TAPS_S * 2 / 3
    return max(int(length * sample_rate_hz) // 2 * 2 + 1, 4 * step + 1)


def decimate(samples: Array, sample_rate_hz: float, start: int, count: int, step: int) -> Array:
    """``count`` filtered samples per channel, every ``step``, the first centred on index ``start``.

    ``samples`` (n, channels); zeros are taken to lie before and after. Answer (channels, count).
    """
    table = _filter(float(sample_rate_hz), step)
    q = table.shape[1]
    first = start - taps_of(sample_rate_hz, step) // 2
    need = (count + q) * step
    lo, hi = max(first, 0), min(first + need, len(samples))
    block = np.zeros((need, samples.shape[1]))
    if hi > lo:
        block[lo - first : hi - first] = samples[lo:hi]
    out = np.empty((samples.shape[1], count))
    for channel in range(samples.shape[1]):
        rows = np.ascontiguousarray(block[:, channel]).reshape(-1, step) @ table
        out[channel] = sum(rows[j : j + count, j] for j in range(q))
    return out
