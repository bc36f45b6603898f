"""How much later one microphone hears a strike than another, to a fraction of a sample."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WINDOW_S = 0.012  # of the wave that is compared, around the onset
LONGEST_S = 0.012  # of a delay: 4 m of extra path
_BEFORE_S = 0.003


def delays(click: Array, sample_rate_hz: float, onset: int) -> tuple[float, ...]:
    """Delay [s] of every channel after the earliest, from the cross-correlation of their clicks.

    ``click`` (n, channels): the band above 500 Hz (a full band would lock on a wrong cycle of a low partial);
    ``onset``: sample at which the earliest channel speaks. Parabola on the peak of the upsampled correlation.
    """
    channels = int(click.shape[1])
    if channels == 1:
        return (0.0,)
    pieces = _pieces(click, sample_rate_hz, onset)
    size = 1 << int(np.ceil(np.log2(2 * pieces.shape[0])))
    spectra = np.fft.rfft(pieces, size, axis=0)
    energy = (pieces**2).sum(0)
    reference = int(np.argmax(energy))
    if not energy[reference] > 0.0:
        return (0.0,) * channels
    longest = int(LONGEST_S * sample_rate_hz)
    lags = np.zeros(channels)
    for channel in range(channels):
        if channel == reference or energy[channel] < 1e-9 * energy[reference]:
            continue
        lags[channel] = _lag(spectra[:, channel] * np.conj(spectra[:, reference]), size, longest)
    lags = lags - float(lags.min())
    return tuple(float(lag) / float(sample_rate_hz) for lag in lags.tolist())


def _pieces(click: Array, sample_rate_hz: float, onset: int) -> Array:
    """The clicks, each channel faded in and out so that the cut's edges do not correlate."""
    first = onset - int(_BEFORE_S * sample_rate_hz)
    length = int((_BEFORE_S + WINDOW_S + LONGEST_S) * sample_rate_hz)
    out = np.zeros((length, click.shape[1]))
    lo, hi = max(first, 0), min(first + length, len(click))
    if hi > lo:
        out[lo - first : hi - first] = click[lo:hi]
    fade = int(0.001 * sample_rate_hz)
    edge = np.ones(length)
    edge[:fade] = np.linspace(0, 1, fade)
    edge[-4 * fade :] = np.linspace(1, 0, 4 * fade)
    out *= edge[:, None]
    return out


def _lag(cross: NDArray[np.complex128], size: int, longest: int, finer: int = 8) -> float:
    """Lag [samples] at which the correlation is largest in size, within +-longest."""
    padded = np.zeros(size * finer // 2 + 1, complex)
    padded[: len(cross)] = cross
    padded[len(cross) - 1] *= 0.5
    correlation = np.fft.irfft(padded, size * finer)
    reach = longest * finer
    around = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    around = around * np.sign(around[np.argmax(np.abs(around))])  # a microphone of the other polarity agrees upside down
    k = int(np.argmax(around))
    if 0 < k < len(around) - 1:
        low, mid, high = around[k - 1 : k + 2]
        bend = low - 2 * mid + high
        shift = 0.5 * (low - high) / bend if bend < 0 else 0.0
    else:
        shift = 0.0
    return (k - reach + shift) / finer
