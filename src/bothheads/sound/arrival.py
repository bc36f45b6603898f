"""The first audible sample of a strike: where the quiet before allows it by its size, else by where the noise changes."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .delay import delays
from .onset import CLICK_S
from .whiten import Streams, butterworth, high_pass

Array = NDArray[np.float64]

_AUDIBLE = 0.02  # of the strike's peak
_CLEAR = 4.5  # times the rms before: so much of noise does not come by chance within 10 ms
_BACK_S, _ON_S = 0.008, 0.008  # how far from the candidate the first sample is sought
_NEAR_S, _STANDS_CLEAR = 0.003, 0.25  # before the likeliest moment; of the peak, where so little covers the first sample
_BEFORE_S = 0.020
_LEAD_S, _AFTER_S = 0.25, 0.06  # of sound around it that is filtered anew; what the cut starts has died by then
_AROUND_S = 0.035  # of the same for delays
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
    its delay); where no channel hears a click, the step of the low band. Where the strike is four times above that in
    every channel, the first sample near that moment that any band lifts above 4.5 times its rms before.
    """
    rate, count = s.sample_rate_hz, s.samples.shape[1]
    at = round(at_s * rate)
    begin = max(0, round(earliest_s * rate), at - round(_BACK_S * rate))
    end = min(count, at + round(_ON_S * rate))
    if end <= begin:
        return at_s
    first = max(0, begin - round(_LEAD_S * rate))
    wave = _without_rumble(s.samples[:, first : at + round(_AFTER_S * rate)], rate)
    taking = _taking_part(wave, rate, at - first, begin - first)
    sizes = [_by_size(row, rate, at - first, begin - first, end - first) for row in taking]
    if all(k is not None for k in sizes):
        return (first + min(k for k in sizes if k is not None)) / rate
    change = _by_change(s, wave, first, at_s, begin, end)
    crossing = _by_crossing(taking, rate, round(change * rate) - first, begin - first)
    return change if crossing is None else (first + crossing) / rate


def _without_rumble(piece: Array, rate: float) -> Array:
    """The piece (channels, n) above 30 Hz, causal."""
    from scipy.signal import sosfilt

    return np.asarray(sosfilt(butterworth(2, 30.0, "high", rate), piece, axis=1))


def click_delays(s: Streams, onset: int) -> tuple[float, ...]:
    """Delay [s] of every channel after the earliest of the strike at sample ``onset``, from the band above 1.5 kHz."""
    if len(s.samples) == 1:
        return (0.0,)
    around = round(_AROUND_S * s.sample_rate_hz)
    first = max(0, onset - around)
    return delays(high_pass(s.samples[:, first : onset + around], s.sample_rate_hz).T, s.sample_rate_hz, onset - first)


def _taking_part(wave: Array, rate: float, at: int, begin: int) -> Array:
    """The channels of ``wave`` (channels, n) whose rise is within 20 dB of the best channel's."""
    end = at + round(0.02 * rate)
    quiet = max(0, begin - round(_BEFORE_S * rate))
    after = np.square(wave[:, begin:end]).max(axis=1, initial=0.0)
    before = np.square(wave[:, quiet:begin]).mean(axis=1) if begin > quiet else np.zeros(len(after))
    ratio = after / (before + 1e-4 * after + 1e-30)
    out: Array = wave[ratio >= 10 ** (-_TAKES_PART_DB / 10) * ratio.max()]
    return out


def _by_size(wave: Array, rate: float, at: int, begin: int, end: int) -> int | None:
    """First sample above 2 % of the peak; None where the noise or the ring before reaches as high."""
    before = wave[max(0, begin - round(_BEFORE_S * rate)) : begin]
    peak = float(np.abs(wave[begin : at + round(0.040 * rate)]).max(initial=0.0))
    noise = float(np.sqrt(np.square(before).mean())) if len(before) > 8 else 0.0
    if _CLEAR * noise >= _AUDIBLE * peak:
        return None
    over = np.flatnonzero(np.abs(wave[begin:end]) > _AUDIBLE * peak)
    return begin + int(over[0]) if len(over) else None


def _by_crossing(taking: Array, rate: float, at: int, earliest: int) -> int | None:
    """First sample near ``at`` that a band of ``taking`` (channels, n) lifts above what was before; None where a channel's
    strike does not stand clear of it."""
    from scipy.signal import sosfilt

    begin, end = max(earliest, at - round(_NEAR_S * rate)), at + round(_ON_S * rate)
    before, until = max(0, begin - round(_BEFORE_S * rate)), at + round(0.040 * rate)
    if begin - before < round(0.002 * rate):
        return None
    peak = np.abs(taking[:, begin:until]).max(axis=1, initial=0.0)
    if (_CLEAR * np.sqrt(np.square(taking[:, before:begin]).mean(axis=1)) > _STANDS_CLEAR * peak).any():
        return None
    body = np.asarray(sosfilt(butterworth(3, min(1000.0, 0.45 * rate), "low", rate), taking, axis=1))
    found = []
    for band, least in ((taking, _AUDIBLE * peak), (body, 0.0 * peak), (high_pass(taking, rate), 0.0 * peak)):
        floor = np.maximum(_CLEAR * np.sqrt(np.square(band[:, before:begin]).mean(axis=1)), least)
        found += np.flatnonzero((np.abs(band[:, begin:end]) > floor[:, None]).any(axis=0))[:1].tolist()
    return begin + min(found) if found else None


def _by_change(s: Streams, wave: Array, first: int, at_s: float, begin: int, end: int) -> float:
    """Moment [s] of the earliest channel at which the click band changes most likely; ``wave``: from sample ``first`` on."""
    rate = s.sample_rate_hz
    step = max(1, round(_STEP_S * rate))
    grid: Array = (np.arange((end - begin) // step, dtype=float) + 0.5) * step / rate
    each = np.array([_change(row, s.click_rate_hz, begin / rate + s.click_late_s, grid) for row in s.click])
    each += np.array([_foot(row, rate, begin - first, end - first, step) for row in wave])
    best = each.max(axis=1)
    loudest = int(best.argmax())
    if not best[loudest] > _TOLD:
        return max(begin / rate, at_s - _LOW_LATE_S)
    heard = begin + step * int(each[loudest].argmax())
    if len(each) == 1:
        return heard / rate
    lag = np.rint(np.array(click_delays(s, heard)) * rate / step).astype(int)
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
    from scipy.signal import lfilter, sosfilt

    stride = max(1, round(rate / _FOOT_RATE_HZ))
    slow = rate / stride
    settling, lead = round(0.02 * slow), round(0.09 * slow)
    count = (end - begin) // stride + 1
    total = count + round(_LONG_S * slow)
    piece = wave[max(0, begin - lead * stride) : begin + total * stride]
    piece = np.concatenate([np.zeros(max(0, lead * stride - begin)), piece])
    low = np.asarray(sosfilt(butterworth(4, min(1500.0, 0.4 * rate), "low", rate), piece))[::stride]
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
