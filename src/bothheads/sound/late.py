"""The strike read again from later on, as fitted and at rest: what a glide model leaves open, told by the very strike.

Late in the ring the heads have settled, and a partial can be read there without any model of the glide. Where that
answer and the answer of the whole strike differ by more than the noise of the tail allows, the model (glide, decay that
slows down, a neighbour's line under this one) is at fault, and the difference belongs into the bar.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .residual import fisher, misfit
from .varpro import JointFit
from .warp import AtRest, Clock
from .window import Window

Array = NDArray[np.float64]
_MOVED_S = (0.06, 0.13)
_STARTS_S = (0.13, 0.23, 0.33, 0.43, 0.53, 0.63, 0.73)  # after the first sample of the window
_LEFT_S = 0.2  # of ring that a tail must have
_SETTLED = 0.003  # mean glide in the tail, relative (5 cents): what is left is taken off by the model itself
_FADED = 2.5  # nepers after which a partial has died away
_FAR = 0.01  # relative: a tail that runs off to another line says nothing about this one


def over_starts(fit: JointFit) -> tuple[Array, Array]:
    """How far (f [Hz], a [1/s]) move when reading starts 60 or 130 ms later: rms of the two moves, (K,) each."""
    moves = []
    for start in _MOVED_S:
        if not _rings_on(fit, start):
            continue
        try:
            late = JointFit([w.later(start) for w in fit.windows], fit.f, fit.a, fit.clock).run(5, 1e-4)
        except np.linalg.LinAlgError:
            continue
        alive = fit.a * start < _FADED  # what has died away by then says nothing about this
        moves.append((np.where(alive, late.f - fit.f, np.nan), np.where(alive, late.a - fit.a, np.nan)))
    if not moves:
        return np.zeros(len(fit.f)), np.zeros(len(fit.f))
    M: Array = np.array(moves)
    rms: Array = np.sqrt(np.nansum(M**2, axis=0) / np.maximum(np.isfinite(M).sum(axis=0), 1))
    return rms[0], rms[1]


def tail_moves(fit: JointFit) -> Array:
    """Standard deviation (K,) [Hz] of the resting frequencies as tails of the ring tell them about those of ``fit``.

    Root of the mean square difference less the tails' own variance, tails weighted by 1 / that variance; 0 where no tail
    is at rest, none is left, or the noise explains every difference.
    """
    K = len(fit.f)
    excess, weight = np.zeros(K), np.zeros(K)
    for start in _STARTS_S:
        if not _rings_on(fit, start):
            break
        tails = [w.later(start) for w in fit.windows]
        glide = _glide_left(fit.clock, tails, fit.a)
        alive = np.nonzero(fit.a * start < _FADED)[0]
        if not alive.size or not (glide[alive] < _SETTLED).any():
            continue
        try:
            late = JointFit(tails, fit.f[alive], fit.a[alive], AtRest()).run(8, 1e-5)
        except np.linalg.LinAlgError:
            continue
        sd = fisher(late)[0] * misfit(late)
        move = late.f / (1.0 + glide[alive]) - fit.f[alive]
        told = (glide[alive] < _SETTLED) & (np.abs(move) < _FAR * fit.f[alive]) & np.isfinite(sd) & (sd > 0)
        k = alive[told]
        excess[k] += move[told] ** 2 / sd[told] ** 2 - 1.0
        weight[k] += 1.0 / sd[told] ** 2
    out: Array = np.sqrt(np.maximum(excess, 0.0) / np.maximum(weight, 1e-300))
    return out


def _rings_on(fit: JointFit, start_s: float) -> bool:
    return all(w.samples.shape[1] / w.rate_hz - start_s >= _LEFT_S for w in fit.windows)


def _glide_left(clock: Clock, tails: list[Window], a: Array) -> Array:
    """Mean of du/dt - 1 (K,) over the tails, as a fit at rest reads it into a frequency."""
    total, weight = np.zeros(len(a)), np.zeros(len(a))
    for i, window in enumerate(tails):
        t = window.half[::2]
        energy = np.exp(-2.0 * a[:, None] * (t - t[0]))
        centre = (energy @ t) / energy.sum(axis=1)
        # the slope of a phase through noise alike everywhere: a change of rate counts by the lever of what rings after it
        lever = np.cumsum((energy * (t - centre[:, None]))[:, ::-1], axis=1)[:, ::-1]
        total += (lever * (clock.curve(i, window.half).rate - 1.0)).sum(axis=1)
        weight += lever.sum(axis=1)
    out: Array = total / np.maximum(weight, 1e-300)
    return out
