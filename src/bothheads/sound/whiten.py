"""Bands in which the quiet of the recording is white noise of variance 1, so that what is new can be weighed in nats."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .resample import low_pass

Array = NDArray[np.float64]

LOW_RATE_HZ = 2000.0
_STAGE_RATE_HZ = 6000.0  # between the rate of the recording and that of the low band
_CLICK_RATE_HZ = 24000.0  # about; above 11 kHz a click is no surer than below
_LOW_HZ = (25.0, 850.0)  # where the partials lie
_CLICK_HZ = 1500.0  # above it: the click of a stroke, and nothing of a low partial behind a filter this steep
_LOW_ORDER, _CLICK_ORDER = 32, 16  # of the predictor of the quiet
_LEAST_ORDER, _SAMPLES_EACH = 2, 100  # each coefficient must be told by so many quiet samples
_SHORTEST = 64  # samples of a spectrum
_QUIET_SHARES = (0.05, 0.1, 0.2)  # of the spectra of a bin that may be its quiet
_MOST_FRAMES = 1500  # of spectra that tell the quiet, spread over the recording
_DEEPEST = 1e-9  # of the mean power: what is quieter is taken as this


@dataclass(frozen=True)
class Streams:
    """What strikes are sought in. ``samples`` (channels, n): as recorded; ``low`` (channels, m) 25-850 Hz at ``low_rate_hz``,
    as it is; ``ring`` (channels, m) at ``low_rate_hz`` and ``click`` (channels, k) at ``click_rate_hz``, above 1.5 kHz: with
    their quiet whitened to variance 1."""

    samples: Array
    low: Array
    ring: Array
    click: Array
    sample_rate_hz: float
    low_rate_hz: float
    click_rate_hz: float
    click_late_s: float  # by which ``click`` comes late behind the low pass of its lower rate


class LowBand:
    """The low band of a stream, block by block, and the last ``kept_s`` of it: what the quiet of a short piece is told from,
    in which a ring may never die."""

    def __init__(self, sample_rate_hz: float, channels: int, *, kept_s: float = 12.0) -> None:
        self._first, self._second, self._sos = _low_design(float(sample_rate_hz))
        self._before = np.zeros((channels, len(_thinning(self._first)) - 1))
        self._state = np.zeros((len(self._sos), channels, 2))
        self._past = np.zeros((channels, 0))
        self._kept = round(kept_s * sample_rate_hz / (self._first * self._second))
        self._skip = [0, 0]  # samples of the next block before one is taken, at the rate of the recording and between

    def add(self, block: Array) -> None:
        """The next samples (n, channels)."""
        from scipy.signal import sosfilt

        x = np.concatenate([self._before, np.asarray(block, float).T], axis=1)
        taps = _thinning(self._first)
        self._before = x[:, x.shape[1] - len(taps) + 1 :]
        at = np.arange(self._skip[0], len(block), self._first)
        self._skip[0] = (self._skip[0] - len(block)) % self._first
        if not len(at):
            return
        between = np.lib.stride_tricks.sliding_window_view(x, len(taps), axis=1)[:, at] @ taps
        y, self._state = sosfilt(self._sos, between, axis=1, zi=self._state)
        taken = y[:, self._skip[1] :: self._second]
        self._skip[1] = (self._skip[1] - y.shape[1]) % self._second
        self._past = np.concatenate([self._past, taken], axis=1)[:, -self._kept :]

    @property
    def past(self) -> Array:
        """What is kept of the band (channels, m), at the rate of ``Streams.low``."""
        return self._past


@lru_cache(maxsize=16)
def _low_design(sample_rate_hz: float) -> tuple[int, int, Array]:
    """(step to the rate between, step from there to ``LOW_RATE_HZ``, causal second-order sections at the rate between)."""
    first = max(1, round(sample_rate_hz / _STAGE_RATE_HZ))
    between = sample_rate_hz / first
    second = max(1, round(between / LOW_RATE_HZ))
    sections = butterworth(2, _LOW_HZ[0], "high", between), butterworth(6, _LOW_HZ[1], "low", between)
    return first, second, np.concatenate(sections)


@lru_cache(maxsize=16)
def _thinning(step: int) -> Array:
    """Taps of the low pass before every ``step``-th sample is taken; a transition of 0.7 of the new rate, 60 dB down."""
    return low_pass(2 * (5 * step // 2) + 1, 1.0 / step, 5.7) if step > 1 else np.ones(1)


def thinned(x: Array, step: int) -> Array:
    """Every ``step``-th sample of x (channels, n) behind a causal low pass (``_thinning``), as (channels, ceil(n / step))."""
    from scipy.signal import upfirdn

    if step == 1:
        return x
    out: Array = upfirdn(_thinning(step), x, 1, step, axis=1)[:, : -(-x.shape[1] // step)]
    return out


def low_band(x: Array, sample_rate_hz: float) -> Array:
    """25-850 Hz of x (channels, n) at the rate of ``Streams.low``; causal, as ``LowBand`` has it."""
    from scipy.signal import sosfilt

    first, second, sos = _low_design(float(sample_rate_hz))
    return np.ascontiguousarray(np.asarray(sosfilt(sos, thinned(x, first), axis=1))[:, ::second])


@lru_cache(maxsize=32)
def butterworth(order: int, edge_hz: float, kind: str, rate_hz: float) -> Array:
    """Causal second-order sections."""
    from scipy.signal import butter

    return np.asarray(butter(order, edge_hz, kind, fs=rate_hz, output="sos"))


def high_pass(x: Array, rate_hz: float) -> Array:
    """x (channels, n) above 1.5 kHz, causal."""
    from scipy.signal import sosfilt

    return np.asarray(sosfilt(butterworth(8, min(_CLICK_HZ, 0.225 * rate_hz), "high", rate_hz), x, axis=1))


def streams(x: Array, sample_rate_hz: float, *, untold_s: float = 0.0, past: Array | None = None) -> Streams:
    """Bands of x (n, channels). All filters are causal: nothing rings before a strike.

    ``untold_s``: so much of the beginning [s] tells nothing of the quiet (it was faded in); ``past``: the low band
    (channels, m) that tells the quiet instead, where more is known than ``x`` (``LowBand``).
    """
    samples = np.ascontiguousarray(x.T)
    first, second, _ = _low_design(float(sample_rate_hz))
    low_rate, fine = sample_rate_hz / (first * second), max(1, round(sample_rate_hz / _CLICK_RATE_HZ))
    click_rate = sample_rate_hz / fine
    low, high = low_band(samples, sample_rate_hz), high_pass(thinned(samples, fine), click_rate)
    told = past if past is not None and past.shape[1] > low.shape[1] else _told(low, round(untold_s * low_rate))
    return Streams(samples, low, _whitened(low, _LOW_ORDER, told),
                   _whitened(high, _CLICK_ORDER, _told(high, round(untold_s * click_rate))), sample_rate_hz, low_rate, click_rate,
                   len(_thinning(fine)) // 2 / sample_rate_hz)


def _told(y: Array, untold: int) -> Array:
    """``y`` without its first ``untold`` samples, where more than they are there."""
    return y[:, untold:] if y.shape[1] > 2 * untold else y


def _whitened(y: Array, order: int, told: Array) -> Array:
    """Every channel of y (channels, n) through the predictor of the quiet of ``told`` (channels, k), quiet variance 1."""
    return np.array([np.convolve(row, _predictor(quiet, order))[: len(row)] for row, quiet in zip(y, told, strict=True)])


def _predictor(row: Array, order: int) -> Array:
    """Prediction-error filter of the quiet of ``row``, its error of variance 1, by Levinson from the quiet spectrum.

    Of a short file only the broad colour is believed: what looks like a line of its quiet is the drum's own ring.
    """
    from scipy.linalg import solve_toeplitz

    order = max(_LEAST_ORDER, min(order, int(_QUIET_SHARES[-1] * len(row) / _SAMPLES_EACH)))
    r = np.fft.irfft(_quiet_spectrum(row, max(_SHORTEST, 8 * order)))[: order + 1]
    if not r[0] > 0.0:
        return np.ones(1)
    r[0] *= 1.0 + 1e-9
    ahead = solve_toeplitz(r[:order], r[1 : order + 1])
    left = max(r[0] - float(ahead @ r[1 : order + 1]), 1e-12 * r[0])
    out: Array = np.concatenate([[1.0], -ahead]) / np.sqrt(left)
    return out


def _quiet_spectrum(row: Array, size: int) -> Array:
    """Power per bin in the quiet, wherever it lies; digital silence is left out.

    Of noise alone the frames' power in a bin has an exponential law, and any quantile q tells its mean: quantile /
    -ln(1 - q). Where the ring of a short file never dies, the lower quantiles tell less than the higher: the least is taken.
    """
    window = np.hanning(size)
    padded = np.concatenate([row, np.zeros(max(0, size - len(row)))])
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[:: size // 2]
    frames = frames[:: max(1, len(frames) // _MOST_FRAMES)]
    power = np.square(np.abs(np.fft.rfft(frames * window, axis=1))) / np.square(window).sum()
    total = power.sum(axis=1)
    alive = power[total > 1e-14 * total.max(initial=0.0)]
    if not len(alive):
        return np.zeros(power.shape[1])
    quantiles = np.quantile(alive, _QUIET_SHARES, axis=0)
    quiet: Array = (quantiles / -np.log1p(-np.array(_QUIET_SHARES))[:, None]).min(axis=0)
    return np.maximum(quiet, _DEEPEST * float(alive.mean(axis=0).max()))
