"""The first audible sample of a strike: where the quiet before allows it by its size, else by where the noise changes."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .delay import delays
from .onset import CLICK_S
from .whiten import Streams

Array = NDArray[np.float64]

_AUDIBLE = 0.02  # of the strike's peak
_CLEAR = 4.5  # times the rms before: so much of noise does not come by chance within 10 ms
_BACK_S, _ON_S = 0.008, 0.008  # how far from the candidate the first sample is sought
_BEFORE_S = 0.020
_LONG_S = 0.012  # of a click
_RATIOS = 10.0 ** np.arange(-0.5, 6.1, 0.5)  # click power over the quiet at its beginning
_RISES_S = (5e-5, 0.0005, 0.0015, 0.004)  # of the click
_STEP_S = 8e-5  # in which the moment is sought
_FOOT_RATE_HZ, _FOOT_ORDER, _FOOT_DYING_S = 6000.0, 24, 0.02
_FOOT_LATE_S = 0.0003  # the delay of its low pass
_TOLD = 3.0  # nats of a change that tell the moment
_TAKES_PART_DB = 20.0
_LOW_LATE_S = 0.0015  # by so much the low band's step comes after the first audible sample


def first_audible(s: Streams, at_s: float, earliest_s: float) -> float:
    """First audible sample [s] of the strike near ``at_s`` in the earliest channel, not before ``earliest_s``.

    Where 4.5 times the rms before lies below 2 % of the strike's peak: the first sample above that. Else the moment
    from which a click explains the click band best (maximum likelihood over all channels, each shifted by
    its delay); where no channel hears a click, the step of the low band.
    """
    rate = s.sample_rate_hz
    at = round(at_s * rate)
    begin = max(0, round(earliest_s * rate), at - round(_BACK_S * rate))
    end = min(len(s.wave), at + round(_ON_S * rate))
    if end <= begin:
        return at_s
    taking = [c for c in range(s.wave.shape[1]) if _takes_part(s.wave, rate, at, begin, c)]
    sizes = [_by_size(s.wave[:, c], rate, at, begin, end) for c in taking]
    if all(k is not None for k in sizes):
        return min(k for k in sizes if k is not None) / rate
    return _by_change(s, at_s, begin, end)


def _takes_part(wave: Array, rate: float, at: int, begin: int, channel: int) -> bool:
    """Whether the channel's rise is within 20 dB of the best channel's."""
    end = at + round(0.02 * rate)
    quiet = max(0, begin - round(_BEFORE_S * rate))
    after = np.square(wave[begin:end]).max(axis=0, initial=0.0)
    before = np.square(wave[quiet:begin]).mean(axis=0) if begin > quiet else np.zeros(len(after))
    ratio = after / (before + 1e-4 * after + 1e-30)
    return bool(ratio[channel] >= 10 ** (-_TAKES_PART_DB / 10) * ratio.max())


def _by_size(wave: Array, rate: float, at: int, begin: int, end: int) -> int | None:
    """First sample above 2 % of the peak; None where the noise or the ring before reaches as high."""
    before = wave[max(0, begin - round(_BEFORE_S * rate)) : begin]
    peak = float(np.abs(wave[begin : at + round(0.040 * rate)]).max(initial=0.0))
    noise = float(np.sqrt(np.square(before).mean())) if len(before) > 8 else 0.0
    if _CLEAR * noise >= _AUDIBLE * peak:
        return None
    over = np.flatnonzero(np.abs(wave[begin:end]) > _AUDIBLE * peak)
    return begin + int(over[0]) if len(over) else None


def _by_change(s: Streams, at_s: float, begin: int, end: int) -> float:
    """Moment [s] of the earliest channel at which the click band changes most likely."""
    rate = s.sample_rate_hz
    step = max(1, round(_STEP_S * rate))
    grid: Array = (np.arange((end - begin) // step, dtype=float) + 0.5) * step / rate
    each = np.array([_change(row, s.click_rate_hz, begin / rate, grid) for row in s.click])
    each += np.array([_foot(row, rate, begin, end, step) for row in s.wave.T])
    best = each.max(axis=1)
    loudest = int(best.argmax())
    if not best[loudest] > _TOLD:
        return max(begin / rate, at_s - _LOW_LATE_S)
    first = begin + step * int(each[loudest].argmax())
    if len(each) == 1:
        return first / rate
    lag = np.rint(np.array(delays(s.high, rate, first)) * rate / step).astype(int)
    lag -= lag[loudest]
    joint = np.sum([_shifted(row, shift) for row, shift in zip(each, lag.tolist(), strict=True)], axis=0)
    return (begin + step * (int(joint.argmax()) + int(lag[best > _TOLD].min()))) / rate


def _shifted(row: Array, shift: int) -> Array:
    """``row`` read ``shift`` places later, its own lowest value beyond its ends."""
    at = np.arange(len(row)) + shift
    inside = (at >= 0) & (at < len(row))
    return np.where(inside, row[np.clip(at, 0, len(row) - 1)], row.min())


def _change(row: Array, rate: float, begin_s: float, grid_s: Array) -> Array:
    """Nats of a click in whitened ``row`` that begins ``grid_s`` after ``begin_s``, over the noise going on; the click's
    power rises over 0 to 4 ms and dies in 2.5 ms."""
    begin, step = round(begin_s * rate), max(1, round(_STEP_S * rate))
    before = row[max(0, begin - round(_BEFORE_S * rate)) : begin]
    noise = max(1.0, float(np.square(before).mean())) if len(before) > 8 else 1.0
    total = len(grid_s) + round(_LONG_S * rate / step)
    power = np.ones(total * step)
    have = np.square(row[begin : begin + len(power)]) / noise
    power[: len(have)] = have
    nats = _beginnings(power.reshape(-1, step).sum(axis=1), step, step / rate, CLICK_S)
    return np.interp(grid_s, (np.arange(total) + 0.5) * step / rate, nats)


def _beginnings(power: Array, degrees: int, bin_s: float, dying_s: float) -> Array:
    """Nats, for every bin, of a rise that begins there and dies in ``dying_s``, over noise of ``degrees`` a bin going on."""
    weights, cost = _rises(len(power), bin_s, dying_s)
    size = 2 * len(power)
    moments = np.fft.irfft(np.fft.rfft(power, size) * weights, size, axis=1)[:, : len(power)]
    out: Array = (0.5 * moments - 0.5 * degrees * cost).max(axis=0)
    return out


@lru_cache(maxsize=16)
def _rises(count: int, bin_s: float, dying_s: float) -> tuple[NDArray[np.complex128], Array]:
    """(conjugate spectra of the weights, summed log variances up to the end for every first bin) of all rises tried."""
    t = (np.arange(count) + 0.5) * bin_s
    over = np.array([ratio * np.minimum(t / rise, 1.0) ** 2 * np.exp(-t / dying_s) for rise in _RISES_S for ratio in _RATIOS])
    weights = np.conj(np.fft.rfft(over / (1.0 + over), 2 * count, axis=1))
    return weights, np.cumsum(np.log1p(over), axis=1)[:, ::-1]


def _foot(wave: Array, rate: float, begin: int, end: int, step: int) -> Array:
    """Nats, on the grid of ``_change``, of a body that begins to move: what the 70 ms before do not foretell below 1.5 kHz."""
    from scipy.signal import butter, lfilter, sosfilt

    stride = max(1, round(rate / _FOOT_RATE_HZ))
    slow = rate / stride
    settling, lead = round(0.02 * slow), round(0.09 * slow)
    count = (end - begin) // stride + 1
    total = count + round(_LONG_S * slow)
    piece = wave[max(0, begin - lead * stride) : begin + total * stride]
    piece = np.concatenate([np.zeros(max(0, lead * stride - begin)), piece])
    low = np.asarray(sosfilt(butter(4, min(1500.0, 0.4 * rate), fs=rate, output="sos"), piece))[::stride]
    rows = np.lib.stride_tricks.sliding_window_view(low[settling:lead], _FOOT_ORDER + 1)
    gram = rows[:, :-1].T @ rows[:, :-1]
    gram[np.diag_indices_from(gram)] += 1e-6 * np.trace(gram) / _FOOT_ORDER + 1e-30
    ahead = np.linalg.solve(gram, rows[:, :-1].T @ rows[:, -1])
    left = np.square(lfilter(np.concatenate([[1.0], -ahead[::-1]]), 1.0, low))
    noise = float(left[settling + _FOOT_ORDER : lead].mean()) * len(rows) / (len(rows) - _FOOT_ORDER)
    power = np.ones(total)
    have = left[lead : lead + total] / (noise + 1e-12 * float(np.square(low).max()) + 1e-30)
    power[: len(have)] = have
    nats = _beginnings(power, 1, 1.0 / slow, _FOOT_DYING_S)[:count]
    grid = (np.arange((end - begin) // step) + 0.5) * step / stride + _FOOT_LATE_S * slow
    return np.interp(grid, np.arange(count) + 0.5, nats)
