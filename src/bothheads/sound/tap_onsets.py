"""Where the taps of a round begin: what the ring so far does not foretell, and mending of skipped and doubled taps.

Ringing, beats included, follows a linear predictor; a new tap does not. The predictor's residual stands up at taps only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .decimate import decimate, divisor

Array = NDArray[np.float64]

_ORDER_S = 0.035  # memory of the predictor
_DOUBLE_S = 0.3  # two taps nearer than this are one hand bouncing, or a second try
_APART_S = 0.06
_RISE_DB = 10.0  # of the residual over its median, least, for a tap
_CLEAR_DB = 5.0  # as many taps as rods stand this far above the rest: they are the round
_LIKE_DB = 6.0  # an onset soon after another is a bounce when it is this near in strength
_FAINT_DB = 13.0  # a tap this far below the others is a touch, not a tap


@dataclass(frozen=True)
class Round:
    """Onsets [s] in order with the rod (from 1) each belongs to; ``warnings`` say what was mended."""

    onsets_s: tuple[float, ...]
    rods: tuple[int, ...]
    until_s: tuple[float, ...] = ()  # where each tap's undisturbed ring ends at the latest: the next onset of any kind
    warnings: tuple[str, ...] = ()
    doubled: tuple[int, ...] = ()  # indices of taps that came twice within a moment
    refused: str | None = None


def tap_onsets(samples: Array, sample_rate_hz: int) -> tuple[Array, Array]:
    """(onsets [s], size of each [dB]) of everything in ``samples`` (n,) that the ring before does not foretell."""
    step = divisor(sample_rate_hz, True)
    rate = sample_rate_hz / step
    count = len(samples) // step
    if count < 4 * int(_ORDER_S * rate):
        return np.zeros(0), np.zeros(0)
    y = decimate(samples[:, None], sample_rate_hz, 0, count, step)[0]
    surprise = _unforetold(y, int(_ORDER_S * rate))
    width = max(2, int(0.004 * rate))
    level = 10.0 * np.log10(np.convolve(surprise**2, np.ones(width) / width, "same") + 1e-30)
    floor = max(float(np.median(level)), float(level.max()) - 70.0)
    peaks = _peaks(level, floor + _RISE_DB, int(_APART_S * rate))
    sharp = [max(k - width, 0) + int(np.abs(surprise[max(k - width, 0) : k + width]).argmax()) for k in peaks]
    onsets = np.maximum(np.array(sharp, float) - 1.0, 0.0) / rate  # the first foretold-wrong sample is the one after
    return onsets, level[peaks]


def _unforetold(y: Array, order: int) -> Array:
    """Residual of the least-squares linear predictor over the whole recording, a little noise assumed."""
    from scipy.linalg import solve_toeplitz

    full = np.fft.irfft(np.abs(np.fft.rfft(y, 2 * len(y))) ** 2)[: order + 1]
    full[0] *= 1.0 + 1e-7
    ahead = solve_toeplitz(full[:order], full[1 : order + 1])
    out = y.copy()
    out[1:] -= np.convolve(y, ahead)[: len(y) - 1]
    return np.asarray(out)


def _peaks(level: Array, least: float, apart: int) -> list[int]:
    """Indices of peaks above ``least``, largest first claim, none within ``apart`` of a larger one; in order of time."""
    from scipy.signal import find_peaks

    found, _ = find_peaks(level, height=least, distance=apart)
    return [int(k) for k in found]


def a_round(onsets: Array, sizes: Array, rods: int) -> Round:
    """Taps in order, one a rod, or several rounds; a doubled tap counts once, a skipped one is found by its gap."""
    every, strength = np.asarray(onsets, float), np.asarray(sizes, float)
    times, sizes, warnings = _without_extra(every, strength, rods)
    count = len(times)
    real = every[strength >= sizes.min(initial=np.inf) - 1.0]
    until = tuple(float(real[real > t].min(initial=np.inf)) for t in times)
    twice = tuple(i for i, t in enumerate(times) if ((real < t) & (real > t - _DOUBLE_S)).any())
    if count >= rods and count % rods == 0:
        return Round(tuple(times.tolist()), tuple(i % rods + 1 for i in range(count)), until, tuple(warnings), twice)
    mended = _skipped(times, rods)
    if mended is not None:
        missing = sorted(set(range(1, rods + 1)) - set(mended))
        return Round(tuple(times.tolist()), mended, until,
                     (*warnings, f"no tap at rod {missing[0]}: taken as skipped, for the pause there is twice as long"), twice)
    return Round((), (), (), tuple(warnings), refused=(
        f"{count} taps were found, {rods} are needed: tap once near each rod in order, evenly, and record again."))


def _without_extra(times: Array, sizes: Array, rods: int) -> tuple[Array, Array, list[str]]:
    """One onset a tap: what is left of the tap before goes, a bounce counts as one, faint touches are left out."""
    if len(times) < 2 or not np.ptp(sizes):
        return times, sizes, []
    strong = np.sort(np.argsort(-sizes)[:rods])
    near = min(_DOUBLE_S, 0.45 * float(np.median(np.diff(times[strong]))))
    loud = sizes > float(np.median(sizes[strong])) - _FAINT_DB
    if loud.sum() >= rods:
        times, sizes = times[loud], sizes[loud]
    times, sizes, warnings = _single(times, sizes, near)
    order = np.argsort(-sizes)
    if len(times) > rods and sizes[order[rods - 1]] - sizes[order[rods]] > _CLEAR_DB:
        keep = np.sort(order[:rods])
    else:
        keep = np.nonzero(sizes > float(np.median(sizes[order[:rods]])) - _FAINT_DB)[0]
    if 0 < len(keep) - rods <= 2:
        faint = keep[np.argsort(sizes[keep])][: len(keep) - rods]
        if sizes[faint].max() < np.sort(sizes[keep])[len(faint)] - 4.0:
            warnings += [f"a faint tap at {times[i]:.2f} s is left out" for i in sorted(faint)]
            keep = np.setdiff1d(keep, faint)
    return times[keep], sizes[keep], warnings


def _single(times: Array, sizes: Array, near: float) -> tuple[Array, Array, list[str]]:
    """Of onsets within ``near`` [s] the strongest; of two of like strength the later, for the ring counts from there."""
    alive = np.ones(len(times), bool)
    warnings: list[str] = []
    for i in np.argsort(-sizes):
        if not alive[i]:
            continue
        close = np.nonzero(alive & (np.abs(times - times[i]) < near) & (np.arange(len(times)) != i))[0]
        like = [k for k in close if sizes[k] > sizes[i] - _LIKE_DB and times[k] > times[i]]
        alive[close] = False
        if like:
            alive[like[-1]], alive[i] = True, False
            warnings.append(f"two taps {(times[like[-1]] - times[i]) * 1e3:.0f} ms apart at {times[i]:.2f} s count as one")
    return times[alive], sizes[alive], sorted(warnings)


def _skipped(times: Array, rods: int) -> tuple[int, ...] | None:
    """Rods of a round of one tap too few, when one pause is twice the others and no other is odd."""
    if len(times) != rods - 1 or rods < 5:
        return None
    gaps = np.diff(times)
    usual = float(np.median(gaps))
    steps = np.rint(gaps / usual)
    if abs(gaps / usual - steps).max() > 0.25 or steps.sum() != rods - 1 or steps.max() != 2:
        return None
    return tuple(int(v) for v in np.r_[1, 1 + np.cumsum(steps)])


def given(onsets_s: Sequence[float], rods: int) -> Round:
    """A round from onsets that are known already."""
    return a_round(np.array(sorted(onsets_s)), np.zeros(len(onsets_s)), rods)
