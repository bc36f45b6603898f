"""A whole take in one fit: all strikes and channels, two heads with their own tension histories.

Harder strikes enter when their glide has fallen, softest first; at each stage ESPRIT on all strikes and channels
together, forward selection, fit, prune. Fitting a 10 % glide at full length at once locks partials a cycle wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .drives import DrivenFit, drives_of, poles, window_again
from .glide import narrowest, unwarp
from .noise import detrend, over_median
from .partials import explained
from .remainder import explained_late_db
from .resample import halve
from .residual import envelope
from .select import Limits, forward
from .varpro import JointFit
from .warp import DrivenWarp, ExponentialWarp
from .window import Window

Array = NDArray[np.float64]
Density = Callable[[Array], Array] | None
MOST_PARTIALS = 30
DRIVES = 4
_SMALL_GLIDE = 0.012
_STAGES = (0.012, 0.025, 0.045, 0.07, 0.1)
_FIRST_TOP_HZ = 440.0
_LITTLE_LEFT = 0.1  # mean log of residual over noise: no pair is hidden in it


@dataclass
class TakeFit:
    """The driven fit of a take; ``quality`` is the mean log of residual over noise (0 = nothing but noise is left)."""

    driven: DrivenFit
    strikes: list[int]  # index of the window of each strike in the fit
    quality: float


@dataclass(frozen=True)
class _Start:
    """One way into the fit: glide from which on strikes enter in stages, most drives, least rms that weights follow."""

    late: float
    drives: int
    least: float = 1.0


_STARTS = (_Start(_SMALL_GLIDE, DRIVES), _Start(1.0, DRIVES), _Start(_SMALL_GLIDE, 2))
_ALONE = (_Start(_SMALL_GLIDE, DRIVES), _Start(_SMALL_GLIDE, 2, 0.1), _Start(1.0, DRIVES, 0.1))
_WELL_DB = 25.0  # of the ring from 150 ms on explained: no other start is tried
_POOR_DB = 20.0
_FLAT = 1.3  # rms over that of white noise with the same median spectrum


def fit_alone(window: Window, density: Density = None) -> TakeFit | None:
    """The fit of a strike with no pause before it: of up to three starts the one that explains most.

    Without a pause the unit of the samples is the level at the end of the window, where a cut recording still rings: a
    second start lets the weights follow the residual to a tenth of it. Explained energy of the whole and from 150 ms on
    decide, less what a line must pay.
    """
    best: tuple[float, TakeFit] | None = None
    for start, enough in zip(_ALONE, (_WELL_DB, _POOR_DB, np.inf), strict=True):
        found = _tried([window], density, start, _plan([window], start))
        if found is not None:
            fit = found.driven.fit
            late = explained_late_db(fit) or 0.0
            score = explained(fit) + late - 20.0 / np.log(10.0) * found.driven.limits.threshold / fit.size * len(fit.f)
            if best is None or score > best[0]:
                best = score, found
        if best is not None and ((explained_late_db(best[1].driven.fit) or 0.0) > enough or _flat(best[1].driven.fit)):
            break
    return None if best is None else best[1]


def _flat(fit: JointFit) -> bool:
    """Whether what a fit leaves after its first 130 ms is noise alike at every frequency."""
    window, part = fit.windows[0], fit.state.parts[0]
    left = (part.residual / window.weight)[:, int(0.13 * window.rate_hz) :]
    return bool(left.shape[1] > 64 and over_median(left, window.rate_hz).max() < _FLAT)


def fit_take(windows: Sequence[Window], density: Density = None, *, good: float = 0.5) -> TakeFit | None:
    """The best of a staged fit, one in one go and one with two drives; the later two only when much is left."""
    best: TakeFit | None = None
    staged = _plan(windows, _STARTS[0])
    for attempt, start in enumerate(_STARTS):
        in_one_go = start.late >= 1.0
        if in_one_go and len(staged.stages) == 1:
            continue  # the first went in one go: this would be the same again
        found = _tried(windows, density, start, replace(staged, stages=staged.stages[-1:]) if in_one_go else staged)
        if found is not None and (best is None or found.quality < best.quality - 0.02):
            best = found
        if best is not None and best.quality < (good if attempt == 0 else 0.5):
            break
    return best


def _tried(windows: Sequence[Window], density: Density, start: _Start, plan: _Plan) -> TakeFit | None:
    try:
        return _once(windows, density, start, plan)
    except np.linalg.LinAlgError:
        return None


@dataclass
class _Plan:
    """What is known before the fit: energies (S,), the warp's first guess and when each strike enters each stage."""

    energy: Array
    glide: float
    rate: float
    stages: list[list[float | None]]


def _plan(windows: Sequence[Window], start: _Start) -> _Plan:
    quiet = [detrend(w.samples, w.nuisance) for w in windows]
    energy = _energies(windows, quiet)
    g, b = _first_warp(windows, quiet, energy)
    stages: list[list[float | None]] = []
    weak = int(np.argmin(energy))
    loud = [envelope(y, w.rate_hz) for y, w in zip(quiet, windows, strict=True)]
    if g > start.late:
        for limit in _STAGES:
            row: list[float | None] = []
            for k, e in enumerate(energy):
                offset = max(0.0, float(np.log(g * e / limit)) / b)
                offset = 0.0 if offset < 0.03 else min(offset, 0.9) if k == weak else offset
                i = min(int(offset * windows[k].rate_hz), len(loud[k]) - 1)
                row.append(offset if offset <= 0.9 and (loud[k][i] > 8 * start.least or k == weak) else None)
            if any(o is None or o > 0 for o in row) and (not stages or row != stages[-1]):
                stages.append(row)
    return _Plan(energy, g, b, [*stages, [0.0] * len(windows)])


def _energies(windows: Sequence[Window], quiet: Sequence[Array]) -> Array:
    e = np.array([(y[:, : int(0.15 * w.rate_hz)] ** 2).sum() for w, y in zip(windows, quiet, strict=True)])
    out: Array = e / e.max()
    return out


def _first_warp(windows: Sequence[Window], quiet: Sequence[Array], energy: Array) -> tuple[float, float]:
    """One exponential warp for all strikes, glide in proportion to the strike's energy, from the window's start."""
    rate = windows[0].rate_hz
    series = []
    for y, e in zip(quiet, energy, strict=True):
        for row in y[np.argsort(-y.std(axis=1))[:2]]:
            part = row[: int(0.85 * rate)]
            series.append((halve(part) if rate > 1500 else part, float(e)))
    g, b, _ = narrowest(series, rate / 2 if rate > 1500 else rate, _FIRST_TOP_HZ)
    return g, b


def _entering(windows: Sequence[Window], offsets: Sequence[float | None]) -> tuple[list[int], list[Window]]:
    chosen, sub = [], []
    for k, offset in enumerate(offsets):
        if offset is not None and windows[k].samples.shape[1] / windows[k].rate_hz - offset > 0.25:
            chosen.append(k)
            sub.append(windows[k].later(offset) if offset else window_again(windows[k]))
    return chosen, sub


def _once(windows: Sequence[Window], density: Density, start: _Start, plan: _Plan) -> TakeFit | None:
    N = sum(w.samples.size for w in windows)
    limits = Limits(6.0 * np.log(N), max_rate=50.0, max_sd_hz=1.2, max_rate_sd=0.7, most=MOST_PARTIALS)
    fit: DrivenFit | None = None
    entered: list[int] = []
    for number, offsets in enumerate(plan.stages):
        final = number == len(plan.stages) - 1
        chosen, sub = _entering(windows, offsets)
        if not chosen:
            continue
        for w in sub:
            w.reweigh(1.0 / np.maximum(start.least, 0.03 * envelope(detrend(w.samples, w.nuisance), w.rate_hz)))
        if fit is None:
            fit = _first(sub, plan.energy[chosen], plan, start, limits, density)
        else:
            fit = _next(fit, sub, chosen, entered, plan.energy)
        if fit is None:
            continue
        entered = chosen
        _settle(fit, final)
    if fit is None:
        return None
    for _ in range(2):
        fit.prune().choose().reweigh().run(6, 1e-5)
    fit.prune()
    return TakeFit(fit, entered, _quality(fit) if len(entered) == len(windows) else 9.0)


def _quality(fit: DrivenFit) -> float:
    logs = [np.log(np.maximum(envelope(p.residual / w.weight, w.rate_hz), 1.0)).mean()
            for w, p in zip(fit.fit.windows, fit.fit.state.parts, strict=True)]
    return float(np.mean(logs))


def _settle(fit: DrivenFit, final: bool) -> None:
    """Partials of what is left: one look a stage, at full length as long as there is something to find."""
    fit.fit.retune(replace(fit.clock, scatter=0.6 if final else 0.3))
    fit.fit.rejected = []
    if not final:
        _look(fit, 0.5)
    elif len(fit.fit.windows) == 1:  # no other force tells what a glide leaves from a mode beside it
        for k in range(4):
            if not _look(fit, 0.0 if k else 0.5) and k:
                break
    else:
        pairs = False
        for k in range(6):
            if _look(fit, 0.0, pairs=pairs):
                pairs = False
                continue
            much = _quality(fit) > _LITTLE_LEFT
            if pairs or (k and not much):
                break
            pairs = much


def _look(fit: DrivenFit, away: float, *, pairs: bool = False) -> int:
    added = fit.grow(2 if pairs else 6, away, pairs=pairs)
    if added:
        fit.run(6, 1e-3).prune()
    fit.choose().reweigh().run(6, 1e-3)
    return added


def _first(
    sub: list[Window], energy: Array, plan: _Plan, start: _Start, limits: Limits, density: Density
) -> DrivenFit | None:
    """Start: one warp for all strikes, ESPRIT on the unwarped sound, selection, a fit, then drives."""
    quiet = [detrend(w.samples, w.nuisance) for w in sub]
    g, b = plan.glide, plan.rate
    if g > start.late:
        energy = _energies(sub, quiet)
        g, b = _first_warp(sub, quiet, energy)
    rate = sub[0].rate_hz
    rows = [unwarp(row, rate, g * e, b, int(0.85 * rate)) for y, e in zip(quiet, energy, strict=True) for row in y]
    f, a = poles(rows, rate, 30, 260, 1000)
    if not len(f):
        return None
    reference = 0.022
    at_reference = energy * np.exp(b * np.array([w.start_s - reference for w in sub]))
    warp = ExponentialWarp(g * float(np.exp(b * reference)), b, at_reference, False)
    dens = None if density is None else density(f)
    chosen = forward(sub, warp, f, a, replace(limits, most=limits.most - 6), density=dens,
                     apart=lambda x, y: np.abs(f - x) > np.maximum(1.0, 0.5 * np.minimum(a, y) / np.pi))
    if not chosen:
        return None
    joint = JointFit(sub, f[chosen], a[chosen], warp).run(6, 1e-3)
    return _driven(joint, start, density, limits, reference).run(5, 1e-3).prune().run(6, 1e-3)


def _driven(joint: JointFit, start: _Start, density: Density, limits: Limits, reference_s: float) -> DrivenFit:
    """From one warp to drives: most of the glide goes to the drive whose rate is nearest to the warp's."""
    warp = joint.clock
    assert isinstance(warp, ExponentialWarp)
    amplitude = np.array([np.abs(p.amplitudes) for p in joint.state.parts]) * np.exp(-joint.a * reference_s)
    chosen, power = drives_of(amplitude, joint.f, joint.a, start.drives)
    A = (amplitude**2).sum(1)[:, chosen] ** power
    rate = 2.0 * power * joint.a[chosen]
    reference = np.maximum(A.max(0), 1e-30)
    glide = max(warp.glide, 1e-4) * float(np.exp(-warp.rate * reference_s)) * float(warp.energy.max())
    shares = np.full((len(chosen), len(joint.f)), 0.1 * glide / len(chosen))
    shares[int(np.argmin(np.abs(np.log(rate / warp.rate))))] += 0.9 * glide
    clock = DrivenWarp(shares, A / reference, rate, np.repeat(shares.mean(1)[:, None], len(joint.f), 1),
                       np.zeros(len(joint.f)), 0.3, reference_s)
    joint.restart(joint.f, joint.a, clock)
    joint.damping = 1e-3
    out = DrivenFit(joint, start.drives, density, limits)
    out.least = start.least
    out.drivers, out.power, out.reference = chosen, power, reference
    return out


def _next(fit: DrivenFit, sub: list[Window], chosen: list[int], before: list[int], energy: Array) -> DrivenFit:
    """The same partials and shares on the windows of the next stage."""
    rows = []
    for k in chosen:
        like = before.index(k) if k in before else int(np.argmin(np.abs(np.log(energy[before] / energy[k]))))
        rows.append(fit.clock.energy[like] * (1.0 if k in before else energy[k] / energy[before[like]]))
    clock = replace(fit.clock, energy=np.array(rows))
    out = DrivenFit(JointFit(sub, fit.fit.f, fit.fit.a, clock), fit.drives, fit.density, fit.limits)
    out.drivers, out.power, out.reference, out.least = fit.drivers, fit.power, fit.reference, fit.least
    return out.choose().run(6, 1e-3).reweigh().choose().run(6, 1e-3)
