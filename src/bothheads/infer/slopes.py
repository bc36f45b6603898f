"""The filter behind ``infer.turns``: tensions of both heads over the states, on a grid of slopes.

On every node (ln s_batter, ln s_resonant) the tensions follow an exact linear filter: carried by the turns,
widened by hands, bends, settling and drift, narrowed by each state's fit; the nodes' likelihoods weigh the slopes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from ..constants import FILM_DENSITY, FILM_EXPANSION, FILM_MODULUS, FILM_POISSON, TENSION_PER_TURN
from .history import Visit

Array = NDArray[np.float64]

SLOPE_SD = 0.48  # of ln s about that centre when no drum has taught anything; the same mechanics: 45 % and more
DRUM_SD = 0.35  # of ln s from head to head about the mean of a workshop's drums
HEADS_ALIKE = 0.5  # correlation of ln s between the two heads of one drum: same rods, same hands
BEND_SD = 0.04  # relative, a step's departure from the straight line
BEYOND_SD = 0.10  # relative, more for the part of a step outside the turns this head has been through
SETTLING_SD = 0.02  # relative to a step up: film and collar settle after it
DRIFT_SD = 0.0022  # relative, from one state to the next, and per square root of ten days
NEW_DRIFT = 4.0  # times that while a head is new
NODES = 33  # per head
NONE_OF_THESE = 0.02  # share of a fit's odds given to 'it is something else'
WIDE_SD = 0.5  # ln T, how wide that something else is
LOWEST_TENSION = 15.0  # N/m, below it film hangs in creases and nothing here holds


@dataclass(frozen=True)
class SlopePrior:
    """Normal prior of ln s of each head, (2,), and the correlation between the two."""

    mean: Array
    sd: Array
    correlation: float = HEADS_ALIKE
    drums: int = 0  # other drums that taught it


def base_prior() -> SlopePrior:
    """The prior of a workshop whose log has taught nothing yet."""
    return SlopePrior(np.full(2, log(TENSION_PER_TURN)), np.full(2, SLOPE_SD))


def grid_of(mean: Array, sd: Array, width: float) -> Array:
    line = np.linspace(-width, width, NODES)
    a, b = np.meshgrid(mean[0] + sd[0] * line, mean[1] + sd[1] * line, indexing="ij")
    return np.column_stack([a.ravel(), b.ravel()])


def _log_prior(grid: Array, prior: SlopePrior, bound: Array) -> Array:
    z = (grid - prior.mean) / prior.sd
    r = prior.correlation
    value = -0.5 * (z[:, 0] ** 2 - 2.0 * r * z[:, 0] * z[:, 1] + z[:, 1] ** 2) / (1.0 - r * r)
    over = np.maximum(grid - np.log(bound), 0.0)  # no drum passes the rigid bound
    return np.asarray(value - 0.5 * ((over / 0.05) ** 2).sum(axis=1))


def _predict(mean: Array, cov: Array, slope: Array, visit: Visit, bound: Array, new: Array) -> tuple[Array, Array]:
    """Tensions of every node carried from the state before to this one."""
    warm = -FILM_MODULUS * FILM_EXPANSION / (1.0 - FILM_POISSON) * visit.film / FILM_DENSITY * (slope / bound)
    warm = np.nan_to_num(warm) * visit.warmer
    step = slope * visit.moved
    drift = DRIFT_SD * np.where(new, NEW_DRIFT, 1.0) * sqrt(1.0 + min(visit.days, 90.0) / 10.0)
    unknown = 0.0 if visit.warmer_known else 0.002  # a few kelvin that nobody wrote down
    noise = (slope**2 * visit.moved_var + (BEND_SD * step) ** 2 + (SETTLING_SD * np.maximum(step, 0.0)) ** 2
             + (mean * drift) ** 2 + warm**2 + (mean * unknown) ** 2)
    out = cov.copy()
    out[:, [0, 1], [0, 1]] += noise
    return np.maximum(mean + step + warm, LOWEST_TENSION), out


def _one(mean: Array, cov: Array, log_tension: Array, log_cov: Array) -> tuple[Array, Array, Array]:
    """Linear filter step of every node with one answer: mean, covariance, log likelihood."""
    found = np.exp(log_tension)
    total = cov + log_cov * np.outer(found, found)
    inverse = np.linalg.inv(total)
    gap = found - mean
    gain = cov @ inverse
    like = -0.5 * (np.einsum("gi,gij,gj->g", gap, inverse, gap) + np.log(np.linalg.det(total)))
    return mean + np.einsum("gij,gj->gi", gain, gap), cov - gain @ cov, like


def _update(mean: Array, cov: Array, logw: Array, visit: Visit) -> tuple[Array, Array, Array]:
    """Filter step with what was found: every answer of the fit weighed by its odds and by the history.

    A share of ``NONE_OF_THESE`` goes to an answer ten times as wide, so that one wrong fit cannot drag a log.
    """
    answers = [(a.odds * (1.0 - NONE_OF_THESE), a.log_tension, a.log_cov) for a in visit.answers]
    main = max(visit.answers, key=lambda a: a.odds)
    answers.append((NONE_OF_THESE, main.log_tension, main.log_cov + np.eye(2) * WIDE_SD**2))
    steps = [_one(mean, cov, t, c) for _, t, c in answers]
    like = np.array([np.log(odds) for odds, _, _ in answers])[:, None] + np.array([s[2] for s in steps])
    top = like.max(axis=0)
    share = np.exp(like - top)
    total = share.sum(axis=0)
    share /= total
    means, covs = np.array([s[0] for s in steps]), np.array([s[1] for s in steps])
    merged = np.einsum("ag,agi->gi", share, means)
    off = means - merged
    out = np.einsum("ag,agij->gij", share, covs) + np.einsum("ag,agi,agj->gij", share, off, off)
    return merged, out, logw + top + np.log(total)


def _renew(mean: Array, cov: Array, logw: Array, grid: Array, head: int, prior: SlopePrior) -> None:
    """A new head: its tension is open again, its slope starts from the prior, its partner keeps what it learned."""
    weight = np.exp(logw - logw.max()).reshape(NODES, NODES)
    shape = (NODES, NODES, 2)
    other = 1 - head
    share = weight / weight.sum(axis=head, keepdims=True)
    kept = (share * mean.reshape(shape)[..., other]).sum(axis=head, keepdims=True)
    var = (share * (cov.reshape(NODES, NODES, 2, 2)[..., other, other]
                    + (mean.reshape(shape)[..., other] - kept) ** 2)).sum(axis=head, keepdims=True)
    ones = np.ones((NODES, NODES))
    mean[:, other], mean[:, head] = (kept * ones).ravel(), 500.0
    cov[:] = 0.0
    cov[:, other, other], cov[:, head, head] = (var * ones).ravel(), 1e8
    z = (grid[:, head] - prior.mean[head]) / prior.sd[head]
    marginal = np.log(weight.sum(axis=head, keepdims=True) + 1e-300) * ones
    logw[:] = marginal.ravel() - 0.5 * z**2


def run(grid: Array, path: Sequence[Visit], prior: SlopePrior, bound: Array) -> tuple[Array, Array, Array]:
    slope = np.exp(grid)
    logw = _log_prior(grid, prior, bound)
    mean = np.full((len(grid), 2), 500.0)
    cov = np.tile(np.diag([1e8, 1e8]), (len(grid), 1, 1))
    new = np.zeros(2, dtype=bool)
    for index, visit in enumerate(path):
        for head in (0, 1):
            if visit.new[head]:
                _renew(mean, cov, logw, grid, head, prior)
                new[head] = True
        if index:
            mean, cov = _predict(mean, cov, slope, visit, bound, new)
        if visit.answers:
            mean, cov, logw = _update(mean, cov, logw, visit)
    return mean, cov, logw


def taught(path: Sequence[Visit]) -> tuple[tuple[int, int], Array]:
    """Turned steps between found tensions, and the range of turns [from the last state], per head."""
    steps, ranges = [], []
    for head in (0, 1):
        start = max((i for i, v in enumerate(path) if v.new[head]), default=0)
        mine = path[start:]
        count, moved, seen = 0, 0.0, False
        for i, v in enumerate(mine):
            moved += abs(v.moved[head]) if i else 0.0
            if v.answers and v.answers[0].log_cov[head, head] < 1.0:
                count += bool(seen and moved > 0.02)
                moved, seen = 0.0, True
        places = np.cumsum([v.moved[head] if i else 0.0 for i, v in enumerate(mine)])
        steps.append(count)
        ranges.append([places.min() - places[-1], places.max() - places[-1]])
    return (steps[0], steps[1]), np.array(ranges)
