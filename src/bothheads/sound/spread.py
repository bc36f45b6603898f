"""How sure a take's fit is: Fisher information with the noise beside each partial, and the scatter over strikes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .drives import DrivenFit
from .residual import misfit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Spread:
    """Parts of a bar, each (K,): f in Hz, a in 1/s. ``glide_hz`` is the partial's largest glide in any strike."""

    fisher_f: Array
    fisher_a: Array
    jackknife_f: Array
    jackknife_a: Array
    glide_hz: Array


def spread(driven: DrivenFit) -> Spread:
    """Bars of a converged fit; leaving out one strike is answered by one Gauss-Newton step, not by a new fit."""
    fit = driven.fit
    K = len(fit.f)
    pieces = fit.pieces()
    H, h = fit.normal()
    free = np.delete(np.arange(len(h)), 2 * K + driven.clock.held(h[2 * K :]))
    size = 1.0 / np.sqrt(np.maximum(H.diagonal()[free], 1e-30 * H.diagonal().max() + 1e-200))
    inverse = np.linalg.pinv(H[np.ix_(free, free)] * size * size[:, None]) * size * size[:, None]
    sd = np.sqrt(np.maximum(inverse.diagonal(), 0.0))
    noise = misfit(fit)
    steps = []
    if len(pieces) > 1:
        for dH, dh in pieces:
            left = (H - dH)[np.ix_(free, free)]
            step = np.linalg.lstsq(left * size * size[:, None], (h - dh)[free] * size, rcond=1e-9)[0] * size
            steps.append(step[: 2 * K])
    jack = np.zeros(2 * K)
    if steps:
        D = np.array(steps)
        jack = np.sqrt((len(D) - 1) / len(D) * ((D - D.mean(0)) ** 2).sum(0))
    clock = driven.clock
    glide = (clock.shares.T @ clock.energy.T).max(1) * fit.f
    return Spread(sd[:K] * noise, sd[K : 2 * K] * noise, jack[:K], jack[K:], glide)


def bars(parts: Spread, f_hz: Array, rate: Array) -> tuple[Array, Array]:
    """One standard deviation of f [Hz] and a [1/s]: noise, scatter over strikes, what the drives cannot hold."""
    f = np.sqrt((1.15 * parts.fisher_f) ** 2 + (0.8 * parts.jackknife_f) ** 2 + (0.003 * parts.glide_hz) ** 2)
    pumped = 0.2 * parts.glide_hz / f_hz * rate  # early decay differs while the heads pump one another
    a = np.sqrt((1.3 * parts.fisher_a) ** 2 + (1.7 * parts.jackknife_a) ** 2 + pumped**2)
    return f, a
