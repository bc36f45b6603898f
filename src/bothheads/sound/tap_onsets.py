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
_RISE_DB = 14.0  # of the residual over its median, least, for a tap
_ECHO_DB = 7.0
_FAINT_DB = 13.0  # a tap this far below the others is a touch, not a tap


@dataclass(frozen=True)
class Round:
    """Onsets [s] in order with the rod (from 1) each belongs to; ``warnings`` say what was mended."""

    onsets_s: tuple[float, ...]
    rods: tuple[int, ...]
    warnings: tuple[str, ...] = ()
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
    times, sizes, warnings = _without_extra(np.asarray(onsets, float), np.asarray(sizes, float), rods)
    count = len(times)
    if count >= rods and count % rods == 0:
        return Round(tuple(times.tolist()), tuple(i % rods + 1 for i in range(count)), tuple(warnings))
    mended = _skipped(times, rods)
    if mended is not None:
        missing = sorted(set(range(1, rods + 1)) - set(mended))
        return Round(tuple(times.tolist()), mended,
                     (*warnings, f"no tap at rod {missing[0]}: taken as skipped, for the pause there is twice as long"))
    return Round((), (), tuple(warnings), refused=(
        f"{count} taps were found, {rods} are needed: tap once near each rod in order, evenly, and record again."))


def _without_extra(times: Array, sizes: Array, rods: int) -> tuple[Array, Array, list[str]]:
    """Bounces merged into the later tap, and touches far fainter than the rest left out."""
    warnings: list[str] = []
    if not len(times):
        return times, sizes, warnings
    usual = float(np.median(np.sort(sizes)[-min(rods, len(sizes)) :]))
    keep = sizes > usual - _FAINT_DB
    times, sizes = times[keep], sizes[keep]
    if len(times) > rods or len(times) % rods:
        gaps = np.diff(times)
        near = min(_DOUBLE_S, 0.45 * float(np.median(gaps))) if len(gaps) else 0.0
        echo = np.r_[False, (gaps < near) & (sizes[1:] < sizes[:-1] - _ECHO_DB)]  # what is left of the tap before
        times, sizes = times[~echo], sizes[~echo]
        gaps = np.diff(times)
        doubled = np.r_[gaps < near, False]
        for i in np.nonzero(doubled)[0]:
            warnings.append(f"two taps {gaps[i] * 1e3:.0f} ms apart at {times[i]:.2f} s count as one")
        times, sizes = times[~doubled], sizes[~doubled]
    if 0 < len(times) - rods <= 2:
        order = np.argsort(sizes)
        extra = order[: len(times) - rods]
        if sizes[extra].max() < sizes[order[len(extra)]] - 4.0:
            warnings += [f"a faint tap at {times[i]:.2f} s is left out" for i in sorted(extra)]
            keep = np.ones(len(times), bool)
            keep[extra] = False
            times, sizes = times[keep], sizes[keep]
    return times, sizes, warnings


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
