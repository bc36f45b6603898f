"""From a start to a fit of all strikes: at each stage ESPRIT on all strikes and channels together, selection, fit, prune.

A look at what is left that makes the whole less likely is taken back, and where a stage begins resting frequencies and
decays wait until the shares have found their place: what the late ring told well is not lost to an early one that no
model follows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .drives import DrivenFit, poles, window_again
from .entering import Plan, Start, energies, entering, first_warp
from .glide import unwarp
from .histories import drives_of
from .noise import detrend
from .residual import envelope
from .select import Limits, forward
from .varpro import JointFit
from .warp import DrivenWarp, ExponentialWarp
from .window import Window

Array = NDArray[np.float64]
Density = Callable[[Array], Array] | None
MOST_PARTIALS = 30
_LITTLE_LEFT = 0.1  # mean log of residual over noise: no pair is hidden in it


@dataclass
class TakeFit:
    """The driven fit of a take; ``quality`` is the mean log of residual over noise (0 = nothing but noise is left)."""

    driven: DrivenFit
    strikes: list[int]  # index of the window of each strike in the fit
    quality: float


def grown(windows: Sequence[Window], density: Density, start: Start, plan: Plan) -> TakeFit | None:
    """The fit that grows stage by stage; None where nothing is found. Raises LinAlgError where partials cannot be told apart."""
    N = sum(w.samples.size for w in windows)
    limits = Limits(6.0 * np.log(N), max_rate=50.0, max_sd_hz=1.2, max_rate_sd=0.7, most=MOST_PARTIALS)
    fit: DrivenFit | None = None
    entered: list[int] = []
    for number, offsets in enumerate(plan.stages):
        final = number == len(plan.stages) - 1
        chosen, sub = entering(windows, offsets)
        if not chosen:
            continue
        for w in sub:
            w.reweigh(1.0 / np.maximum(start.least, 0.03 * envelope(detrend(w.samples, w.nuisance), w.rate_hz)))
        if fit is None:
            fit = _first(sub, plan.energy[chosen], plan, start, limits, density)
        else:
            fit = _next(fit, sub, chosen, entered, plan.energy, start.held)
        if fit is None:
            continue
        entered = chosen
        _settle(fit, final)
    if fit is None:
        return None
    _finish(fit)
    return TakeFit(fit, entered, quality(fit.fit) if len(entered) == len(windows) else 9.0)


def deeper(take: TakeFit, least: float) -> TakeFit | None:
    """The fit of a strike once more from where it is, weights following the residual to ``least``; None where it fails."""
    old = take.driven
    try:
        fit = _again(old, [window_again(w) for w in old.fit.windows], old.clock)
        fit.least = least
        fit.reweigh().run(6, 1e-3)
        for k in range(3):
            if not _look(fit, 0.0) and k:
                break
        _finish(fit)
    except np.linalg.LinAlgError:
        return None
    return TakeFit(fit, take.strikes, quality(fit.fit))


def _finish(fit: DrivenFit) -> None:
    for _ in range(2):
        fit.prune().choose().reweigh().run(6, 1e-5)
    fit.prune()


def quality(fit: JointFit) -> float:
    """Mean log of the residual's running rms over the noise."""
    logs = [np.log(np.maximum(envelope(p.residual / w.weight, w.rate_hz), 1.0)).mean()
            for w, p in zip(fit.windows, fit.state.parts, strict=True)]
    return float(np.mean(logs))


def _settle(fit: DrivenFit, final: bool) -> None:
    """Partials of what is left: one look a stage, at full length as long as there is something to find."""
    fit.fit.retune(replace(fit.clock, scatter=0.6 if final and len(fit.fit.windows) > 1 else 0.3))
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
            much = quality(fit.fit) > _LITTLE_LEFT
            if pairs or (k and not much):
                break
            pairs = much


def _look(fit: DrivenFit, away: float, *, pairs: bool = False) -> int:
    before = fit.kept()
    added = fit.grow(2 if pairs else 6, away, pairs=pairs)
    if added:
        fit.run(6, 1e-3).prune()
    fit.choose().reweigh().run(6, 1e-3)
    if fit.unlikeliness() > before.unlikeliness:
        fit.back(before)
        return 0
    return added


def _first(
    sub: list[Window], energy: Array, plan: Plan, start: Start, limits: Limits, density: Density
) -> DrivenFit | None:
    """Start: one warp for all strikes, ESPRIT on the unwarped sound, selection, a fit, then drives."""
    quiet = [detrend(w.samples, w.nuisance) for w in sub]
    g, b = plan.glide, plan.rate
    if g > start.late:
        energy = energies(sub, quiet)
        g, b = first_warp(sub, quiet, energy)
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


def _driven(joint: JointFit, start: Start, density: Density, limits: Limits, reference_s: float) -> DrivenFit:
    """From one warp to drives: most of the glide goes to the drive whose rate is nearest to the warp's."""
    warp = joint.clock
    assert isinstance(warp, ExponentialWarp)
    amplitude = np.array([np.abs(p.amplitudes) for p in joint.state.parts]) * np.exp(-joint.a * reference_s)
    driven_by = drives_of(amplitude, joint.f, joint.a, start.drives, multiples=start.multiples)
    glide = max(warp.glide, 1e-4) * float(np.exp(-warp.rate * reference_s)) * float(warp.energy.max())
    shares = np.full((len(driven_by.rate), len(joint.f)), 0.1 * glide / len(driven_by.rate))
    shares[int(np.argmin(np.abs(np.log(driven_by.rate / warp.rate))))] += 0.9 * glide
    clock = DrivenWarp(shares, driven_by.energy, driven_by.rate, np.repeat(shares.mean(1)[:, None], len(joint.f), 1),
                       np.zeros(len(joint.f)), 0.3, reference_s)
    joint.restart(joint.f, joint.a, clock)
    joint.damping = 1e-3
    out = DrivenFit(joint, start.drives, density, limits)
    out.least = start.least
    out.driven_by, out.multiples = driven_by, start.multiples
    return out


def _next(fit: DrivenFit, sub: list[Window], chosen: list[int], before: list[int], energy: Array, held: bool) -> DrivenFit:
    """The same partials and shares on the windows of the next stage."""
    rows = []
    for k in chosen:
        like = before.index(k) if k in before else int(np.argmin(np.abs(np.log(energy[before] / energy[k]))))
        rows.append(fit.clock.energy[like] * (1.0 if k in before else energy[k] / energy[before[like]]))
    clock = replace(fit.clock, energy=np.array(rows))
    out = _again(fit, sub, clock)
    if held:
        out.fit.resting_held = True
        out.choose().run(6, 1e-3).reweigh().run(6, 1e-3).reweigh()
        out.fit.resting_held = False
        return out.choose().run(6, 1e-3)
    return out.choose().run(6, 1e-3).reweigh().choose().run(6, 1e-3)


def _again(fit: DrivenFit, sub: list[Window], clock: DrivenWarp) -> DrivenFit:
    """The same partials and drives on other windows."""
    out = DrivenFit(JointFit(sub, fit.fit.f, fit.fit.a, clock), fit.drives, fit.density, fit.limits)
    out.driven_by, out.multiples, out.least = fit.driven_by, fit.multiples, fit.least
    return out
