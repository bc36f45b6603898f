"""Partials of one strike, the quick way: one warp of time shared by all partials, or none.

decimate -> try warps, keep the one that makes the lines narrowest -> ESPRIT on the unwarped sound -> forward selection
by refit gain -> joint fit of frequencies, decays and warp -> prune, look again, backward. Several channels are one fit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from .companions import doubt_companions
from .decimate import band_hz, divisor
from .drives import poles
from .glide import narrowest, unwarp
from .hum import beside, steady_lines
from .noise import Floor, cut_windows, detrend, is_fast, measure_floor
from .residual import fisher, misfit
from .select import Limits, backward, forward, look_again, prune, smooth_density
from .varpro import JointFit
from .warp import AtRest, Clock, ExponentialWarp
from .window import Window

Array = NDArray[np.float64]
MOST_PARTIALS = 8
REST_S = 0.6  # of the window below the noise of the whole band: costs time, 8 % of the bars at 20 dB
Density = Callable[[Array], Array] | None


@dataclass(frozen=True)
class StrikeFit:
    """One strike's fit: resting frequencies [Hz], decay rates [1/s], their standard deviations, amplitudes, glide.

    ``amplitudes`` (channels, K) are those at the onset in the samples' own unit; ``settled`` False: see ``reason``.
    """

    frequency_hz: Array
    frequency_sd_hz: Array
    rate: Array
    rate_sd: Array
    amplitudes: Array
    glide: float  # relative, at the onset
    glide_rate: float  # 1/s
    explained_db: float
    fit: JointFit
    unit: Array
    settled: bool = True
    reason: str | None = None


def fit_strike(
    samples: Array, sample_rate_hz: int, onset_s: float, end_s: float, *, floor: Floor | None = None,
    fast: bool | None = None, most: int = MOST_PARTIALS, glide: bool = True, longest_s: float = 1.5,
) -> StrikeFit | None:
    """Partials of the strike between ``onset_s`` and ``end_s`` of ``samples`` (n, channels); None: none is credible.

    ``floor``: the noise (else measured before the onset); ``fast``: use the wide band (else the spectrum decides).
    """
    if fast is None:
        fast = is_fast(samples, sample_rate_hz, onset_s, end_s)
    step = divisor(sample_rate_hz, fast)
    if floor is None:
        floor = measure_floor(samples, sample_rate_hz, onset_s, step)
    windows, _, unit = cut_windows(samples, sample_rate_hz, [(onset_s, end_s)], floor, step, longest_s=longest_s,
                                   rest_s=REST_S)
    if not windows:
        return None
    fit = fit_beside_hum(windows, floor, unit, most=most, glide=glide)
    if fit is None:
        return None
    return _summary(fit, unit)


def fit_beside_hum(
    windows: Sequence[Window], floor: Floor, unit: Array, *, channels: NDArray[np.intp] | None = None,
    most: int = MOST_PARTIALS, glide: bool = True,
) -> JointFit | None:
    """``first_fit`` against the noise of ``floor``; lines that were there before the strike become nuisance.

    ``unit`` (all channels): full scale of one unit; ``channels``: those that the windows hold, default all.
    """
    density = None if floor.density is None else smooth_density(floor.density, windows[0].rate_hz)
    fit = first_fit(windows, most=most, glide=glide, density=density)
    if fit is None:
        return None
    which = np.arange(len(unit)) if channels is None else channels

    def before(f: float) -> tuple[Array, Array] | None:
        seen = floor.line(f)
        return None if seen is None else (seen[0][which], seen[1][which])

    lines = steady_lines(fit, before, unit[which])
    if not lines:
        return fit
    return first_fit([beside(w, lines) for w in windows], most=most, glide=glide, density=density)


def first_fit(
    windows: Sequence[Window], *, most: int = MOST_PARTIALS, glide: bool = True, density: Density = None
) -> JointFit | None:
    """The joint fit with one shared warp (or none) of windows that belong to one strike, or to strikes alike.

    ``density``: of the noise at any frequency, white noise of the windows' unit giving 1.
    """
    window = windows[0]
    channels = window.samples.shape[0]
    N = sum(w.samples.size for w in windows)
    limits = Limits(1.5 * np.log(N) * (2 + 2 * channels), most=most)
    quiet = [w.quiet() for w in windows]
    hypotheses = [(0.0, 8.0)]
    if glide:
        g, b, _ = narrowest([(y[int(np.argmax(y.std(axis=1)))], 1.0) for y in quiet], window.rate_hz,
                            band_hz(window.rate_hz)[1])
        if g > 0:
            hypotheses.append((g, b))
    best = None
    for g, b in hypotheses:
        fit = _start(windows, quiet, g, b, limits, density)
        if fit is None:
            continue
        score = N * np.log(fit.cost) + 1.5 * np.log(N) * ((2 + 2 * channels) * len(fit.f) + 2 * (g > 0))
        if best is None or score < best[0]:
            best = (score, fit)
    if best is None:
        return None
    return _refine(best[1], windows, quiet, limits, glide, density)


def _clock(g: float, b: float, windows: Sequence[Window], free_rate: bool) -> Clock:
    if g == 0.0:
        return AtRest()
    start = windows[0].start_s  # the warp was found on a clock that starts with the window
    return ExponentialWarp(g * float(np.exp(b * start)), b, np.ones(len(windows)), free_rate)


def _candidates(windows: Sequence[Window], quiet: Sequence[Array], g: float, b: float) -> tuple[Array, Array]:
    rate = windows[0].rate_hz
    fast = rate > 1500.0
    count = 960 if fast else 480
    return poles([unwarp(row, rate, g, b, count) for y in quiet for row in y], rate, 16, 160, 480)


def _start(
    windows: Sequence[Window], quiet: Sequence[Array], g: float, b: float, limits: Limits, density: Density
) -> JointFit | None:
    f, a = _candidates(windows, quiet, g, b)
    if not len(f):
        return None
    clock = _clock(g, b, windows, False)
    chosen = forward(windows, clock, f, a, limits, density=None if density is None else density(f))
    if not chosen:
        return None
    fit = JointFit(windows, f[chosen], a[chosen], clock).run(4, 1e-3)
    if isinstance(fit.clock, ExponentialWarp):
        fit.restart(fit.f, fit.a, replace(fit.clock, free_rate=True))
        prune(fit.run(6, 1e-3), limits, density=density)
    return fit


def _refine(
    fit: JointFit, windows: Sequence[Window], quiet: Sequence[Array], limits: Limits, glide: bool, density: Density
) -> JointFit:
    prune(fit.run(), limits, density=density)
    if isinstance(fit.clock, ExponentialWarp):
        fit = _second_pass(fit, windows, quiet, limits, density)
    look_again(fit, limits, density=density)
    if isinstance(fit.clock, ExponentialWarp):
        backward(fit, limits)
    if glide:
        _doubt_glide(fit, limits)
        doubt_companions(fit, limits)
    return fit.run(4, 1e-8)


def _second_pass(
    fit: JointFit, windows: Sequence[Window], quiet: Sequence[Array], limits: Limits, density: Density
) -> JointFit:
    """Unwarp with the warp found, start again, keep what explains more (or as much with fewer partials)."""
    clock = fit.clock
    assert isinstance(clock, ExponentialWarp)
    g = clock.glide * float(np.exp(-clock.rate * windows[0].start_s))
    f, a = _candidates(windows, quiet, g, clock.rate)
    chosen = forward(windows, clock, f, a, limits, density=None if density is None else density(f)) if len(f) else []
    if not chosen:
        return fit
    other = prune(JointFit(windows, f[chosen], a[chosen], clock).run(), limits, density=density)
    gain = fit.size * np.log(other.cost / fit.cost)
    return other if gain < limits.threshold * min(len(fit.f) - len(other.f), 0) + 1e-4 * fit.size or (
        0 < gain < limits.threshold * (len(fit.f) - len(other.f))) else fit


def _doubt_glide(fit: JointFit, limits: Limits) -> None:
    """A small glide may hide under the plain model; a found one may be nothing."""
    before = fit.state
    if isinstance(fit.clock, AtRest):
        level = np.abs(before.parts[0].amplitudes).max(0)
        rate = 2.0 * float(fit.a[int(np.argmax(level**2 / fit.a))])
        trial = ExponentialWarp(0.002, float(np.clip(rate, 0.6, 100.0)), np.ones(len(fit.windows)), False)
        fit.restart(fit.f, fit.a, trial)
        fit.run(5, 1e-4)
        if fit.size * np.log(before.cost / fit.cost) > 0.5 * limits.threshold:
            fit.restart(fit.f, fit.a, replace(cast(ExponentialWarp, fit.clock), free_rate=True))
            prune(fit.run(), limits)
            if len(fit.f) <= len(before.f):
                return
        fit.state = before
    elif isinstance(fit.clock, ExponentialWarp):
        H, _ = fit.normal()
        k = 2 * len(fit.f)
        sd = float(np.sqrt(max(np.linalg.pinv(H)[k, k], 0.0)) * np.median(misfit(fit)))
        if fit.clock.glide < 4.0 * sd:
            fit.restart(fit.f, fit.a, AtRest())
            prune(fit.run(), limits)
            if fit.size * np.log(fit.cost / before.cost) > 0.5 * limits.threshold:
                fit.state = before


def _summary(fit: JointFit, unit: Array) -> StrikeFit:
    sf, sa = fisher(fit)
    mis = misfit(fit)
    clock = fit.clock
    glide, rate = (clock.glide, clock.rate) if isinstance(clock, ExponentialWarp) else (0.0, 0.0)
    return StrikeFit(fit.f, sf * mis, fit.a, sa * mis, np.abs(fit.state.parts[0].amplitudes) * unit[:, None],
                     glide, rate, explained(fit), fit, unit)


def explained(fit: JointFit) -> float:
    """Energy of the windows (drift and hum removed) over what the partials leave [dB]."""
    total = left = 0.0
    for window, part in zip(fit.windows, fit.state.parts, strict=True):
        total += float((detrend(window.samples, window.nuisance) ** 2).sum())
        left += float(((part.residual / window.weight) ** 2).sum())
    return float(10.0 * np.log10(max(total, 1e-300) / max(left, 1e-300)))


def over_windows(found: StrikeFit, windows: Sequence[Window]) -> StrikeFit:
    """Join Fisher bars with the scatter over six fits: warped from 40, 80, 150, 250 ms, at rest from 150, 250 ms.

    Answer = the median, bar = the larger of Fisher and half the range without its two extremes. A partial whose bar
    passes 5 cents makes the strike 'not settled'. Model error, not noise, is the floor on real strikes.
    """
    values: list[Array] = []
    rates: list[Array] = []
    for offset, warped in ((0.018, True), (0.058, True), (0.128, True), (0.228, True), (0.128, False), (0.228, False)):
        late = [w.later(offset) for w in windows if w.samples.shape[1] / w.rate_hz - offset > 0.2]
        if not late:
            continue
        f, a = _again(found, late, warped)
        values.append(f)
        rates.append(a)
    if len(values) < 3:
        return found
    F, A = np.array(values), np.array(rates)
    centre, bar = _trimmed(F, found.frequency_hz)
    slope, slope_bar = _trimmed(A, found.rate)
    sd = np.maximum(found.frequency_sd_hz, bar)
    worst = np.abs(sd / centre) * 1200 / np.log(2)
    strongest = int(np.argmax((found.amplitudes.max(0)) ** 2 / found.rate))
    moves = float(worst[strongest])
    settled = moves < 5.0
    reason = None if settled else (
        f"the strongest partial at {centre[strongest]:.1f} Hz moves by {moves:.0f} cents "
        "with the part of the ring that is read")
    return replace(found, frequency_hz=centre, frequency_sd_hz=sd, rate=slope,
                   rate_sd=np.maximum(found.rate_sd, slope_bar), settled=settled, reason=reason)


def _trimmed(values: Array, first: Array) -> tuple[Array, Array]:
    """Median and half range without the two extremes (K,) of (fits, K); partials lost in most fits keep ``first``."""
    centre, bar = first.copy(), np.zeros(len(first))
    for k in range(len(first)):
        seen = np.sort(values[np.isfinite(values[:, k]), k])
        if len(seen) >= 4:
            centre[k], bar[k] = np.median(seen), 0.5 * (seen[-2] - seen[1])
        elif len(seen):
            bar[k] = 0.5 * np.ptp(np.r_[seen, first[k]])
    return centre, bar


def _again(found: StrikeFit, windows: list[Window], warped: bool) -> tuple[Array, Array]:
    """Frequencies and rates of the partials that still matter in later windows, NaN for the others."""
    K = len(found.rate)
    offset = windows[0].start_s
    level = found.amplitudes.max(0) * np.exp(-found.rate * offset)
    alive = np.nonzero(level > 10 ** (-30 / 20) * level.max())[0]
    clock: Clock = found.fit.clock if warped else AtRest()
    f, a = np.full(K, np.nan), np.full(K, np.nan)
    try:
        fit = JointFit(windows, found.frequency_hz[alive], found.rate[alive], clock).run(8, 1e-4)
    except np.linalg.LinAlgError:
        return f, a
    close = np.abs(fit.f / found.frequency_hz[alive] - 1.0) < 0.02
    f[alive[close]], a[alive[close]] = fit.f[close], fit.a[close]
    return f, a
