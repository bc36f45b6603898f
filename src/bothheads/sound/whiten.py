"""Bands in which the quiet of the recording is white noise of variance 1, so that what is new can be weighed in nats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LOW_RATE_HZ = 2000.0
_CLICK_RATE_HZ = 48000.0  # at the most; what a microphone hears above 24 kHz tells nothing
_LOW_HZ = (25.0, 850.0)  # where the partials lie
_CLICK_HZ = 1500.0  # above it: the click of a stroke, and nothing of a low partial behind a filter this steep
_LOW_ORDER, _CLICK_ORDER = 32, 16  # of the predictor of the quiet
_QUIET_SHARE = 0.2  # of the spectra of a bin that are its quiet
_DEEPEST = 1e-9  # of the mean power: what is quieter is taken as this


@dataclass(frozen=True)
class Streams:
    """What strikes are sought in. ``wave`` (n, channels) above 30 Hz and ``high`` (n, channels) above 1.5 kHz, as they are;
    ``low`` (m, channels) 25-850 Hz at ``low_rate_hz``, as it is; ``ring`` (channels, m) at ``low_rate_hz`` and ``click``
    (channels, k) at ``click_rate_hz``: low and high with their quiet whitened to variance 1."""

    wave: Array
    high: Array
    low: Array
    ring: Array
    click: Array
    sample_rate_hz: float
    low_rate_hz: float
    click_rate_hz: float


class LowBand:
    """The low band of a stream, block by block, and the last ``kept_s`` of it: what the quiet of a short piece is told from,
    in which a ring may never die."""

    def __init__(self, sample_rate_hz: float, channels: int, *, kept_s: float = 12.0) -> None:
        self._sos, self._step = _low_filter(sample_rate_hz)
        self._state = np.zeros((len(self._sos), 2, channels))
        self._past = np.zeros((0, channels))
        self._kept, self._skip = round(kept_s * sample_rate_hz / self._step), 0

    def add(self, block: Array) -> None:
        """The next samples (n, channels)."""
        from scipy.signal import sosfilt

        y, self._state = sosfilt(self._sos, block, axis=0, zi=self._state)
        taken = y[self._skip :: self._step]
        self._skip = (self._skip - len(y)) % self._step
        self._past = np.concatenate([self._past, taken])[-self._kept :]

    @property
    def past(self) -> Array:
        """What is kept of the band (m, channels), at the rate of ``Streams.low``."""
        return self._past


def _low_filter(sample_rate_hz: float) -> tuple[Array, int]:
    """(causal second-order sections of the low band, step of its samples)."""
    from scipy.signal import butter

    edge = butter(2, _LOW_HZ[0], "high", fs=sample_rate_hz, output="sos")
    low_pass = butter(6, min(_LOW_HZ[1], 0.45 * sample_rate_hz), "low", fs=sample_rate_hz, output="sos")
    return np.concatenate([edge, low_pass]), max(1, round(sample_rate_hz / LOW_RATE_HZ))


def streams(x: Array, sample_rate_hz: float, *, untold_s: float = 0.0, past: Array | None = None) -> Streams:
    """Bands of x (n, channels). All filters are causal: nothing rings before a strike.

    ``untold_s``: so much of the beginning [s] tells nothing of the quiet (it was faded in); ``past``: the low band
    (m, channels) that tells the quiet instead, where more is known than ``x`` (``LowBand``).
    """
    from scipy.signal import butter, sosfilt

    low_sos, step = _low_filter(sample_rate_hz)
    top = 0.45 * sample_rate_hz
    rumble = butter(2, 30.0, "high", fs=sample_rate_hz, output="sos")
    high_pass = butter(8, min(_CLICK_HZ, 0.5 * top), "high", fs=sample_rate_hz, output="sos")
    low = np.asarray(sosfilt(low_sos, x, axis=0))[::step]
    high = np.asarray(sosfilt(high_pass, x, axis=0))
    low_rate, fine = sample_rate_hz / step, max(1, int(sample_rate_hz / _CLICK_RATE_HZ))
    slower = high if fine == 1 else np.asarray(sosfilt(butter(6, 0.42 * sample_rate_hz / fine, fs=sample_rate_hz, output="sos"),
                                                       high, axis=0))[::fine]
    told = past if past is not None and len(past) > len(low) else _told(low, round(untold_s * low_rate))
    return Streams(np.asarray(sosfilt(rumble, x, axis=0)), high, low, _whitened(low, _LOW_ORDER, told),
                   _whitened(slower, _CLICK_ORDER, _told(slower, round(untold_s * sample_rate_hz / fine))),
                   sample_rate_hz, low_rate, sample_rate_hz / fine)


def _told(y: Array, untold: int) -> Array:
    """``y`` without its first ``untold`` samples, where more than they are there."""
    return y[untold:] if len(y) > 2 * untold else y


def _whitened(y: Array, order: int, told: Array) -> Array:
    """Every channel of y (n, channels) through the predictor of the quiet of ``told`` (k, channels), as (channels, n), quiet
    variance 1."""
    from scipy.signal import lfilter

    out = np.zeros(y.shape[::-1])
    for channel, row in enumerate(y.T):
        error, size = _predictor(told[:, channel], order)
        out[channel] = lfilter(error, 1.0, row) / size
    return out


def _predictor(row: Array, order: int) -> tuple[Array, float]:
    """(prediction-error filter, rms of its error) of the quiet of ``row``, by Levinson from the quiet spectrum."""
    from scipy.linalg import solve_toeplitz

    quiet = _quiet_spectrum(row, max(256, 8 * order))
    r = np.fft.irfft(quiet)[: order + 1]
    if not r[0] > 0.0:
        return np.ones(1), 1.0
    r[0] *= 1.0 + 1e-9
    ahead = solve_toeplitz(r[:order], r[1 : order + 1])
    left = r[0] - float(ahead @ r[1 : order + 1])
    return np.concatenate([[1.0], -ahead]), float(np.sqrt(max(left, 1e-12 * r[0])))


def _quiet_spectrum(row: Array, size: int) -> Array:
    """Power per bin in the quiet: the fifth of the frames lowest in that bin, as the mean of an exponential law whose
    quantile this is; digital silence is left out."""
    window = np.hanning(size)
    padded = np.concatenate([row, np.zeros(max(0, size - len(row)))])
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[:: size // 2]
    power = np.square(np.abs(np.fft.rfft(frames * window, axis=1))) / np.square(window).sum()
    total = power.sum(axis=1)
    alive = power[total > 1e-14 * total.max(initial=0.0)]
    if not len(alive):
        return np.zeros(power.shape[1])
    quiet: Array = np.quantile(alive, _QUIET_SHARE, axis=0) / -np.log(1.0 - _QUIET_SHARE)
    return np.maximum(quiet, _DEEPEST * float(alive.mean(axis=0).max()))
