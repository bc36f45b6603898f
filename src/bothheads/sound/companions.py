"""Short-lived twins just above a partial: what a glide looks like to a fit that does not follow it."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from .select import Limits, prune
from .varpro import JointFit
from .warp import ExponentialWarp

Array = NDArray[np.float64]
_GLIDES = (0.004, 0.02, 0.06)  # at the onset, relative: where to start from
_REACH = 0.08  # relative distance of a twin


def companions(fit: JointFit) -> NDArray[np.bool_]:
    """(K,) True for partials at most 8 % above a stronger one that rings 1.4 times as long or longer."""
    start = max(w.start_s for w in fit.windows)
    level = np.max([np.abs(p.amplitudes).max(axis=0) for p in fit.state.parts], axis=0) * np.exp(-fit.a * start)
    ring = level**2 / fit.a
    above = (fit.f[:, None] > fit.f) & (fit.f[:, None] < (1.0 + _REACH) * fit.f)
    out: NDArray[np.bool_] = (above & (fit.a[:, None] > 1.4 * fit.a) & (ring[:, None] < ring)).any(axis=1)
    return out


def doubt_companions(fit: JointFit, limits: Limits) -> None:
    """Where there are companions: start without them from several glides, keep what pays (gain against parameters)."""
    twin = companions(fit)
    if not twin.any() or twin.all():
        return
    before = fit.state
    f, a = before.f[~twin], before.a[~twin]
    level = np.abs(before.parts[0].amplitudes).max(0)[~twin]
    strongest = float(a[int(np.argmax(level**2 / a))])
    rates = {float(np.clip(2.0 * strongest, 0.6, 100.0))}
    if isinstance(before.clock, ExponentialWarp):
        rates.add(before.clock.rate)
    best, shares = None, np.ones(len(fit.windows))
    for rate in sorted(rates):
        for glide in _GLIDES:
            if fit.restart(f, a, ExponentialWarp(glide, rate, shares, False)):
                fit.run(6, 1e-3)
                if best is None or fit.cost < best.cost:
                    best = fit.state
    if best is None:
        fit.state = before
        return
    fit.state = best
    fit.restart(fit.f, fit.a, replace(cast(ExponentialWarp, fit.clock), free_rate=True))
    prune(fit.run(), limits)
    # the limit's threshold is what one partial must be worth; a warp has two parameters for a partial's 2 + 2 channels
    each = limits.threshold / (2 + 2 * fit.windows[0].samples.shape[0])
    saved = limits.threshold * (len(before.f) - len(fit.f))
    if not isinstance(before.clock, ExponentialWarp):
        saved -= 2.0 * each
    if fit.size * np.log(fit.cost / before.cost) > saved:
        fit.state = before
