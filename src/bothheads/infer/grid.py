"""Where to look: a grid over both tensions, its best nodes, and starts with their mirror images.

The swapped pair of a drum exchanges the films' pitches: d -> 2 ln(sigma_b / sigma_r) - d. With equal films its spectrum
is the same to the last digit and only levels differ, so every start is tried with its mirror image.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .model import DrumModel
from .scoring import TENSION_RANGE, Assumed, Heard, Prior, cost, match

Array = NDArray[np.float64]

STARTS = 22
KEEP = 500  # nodes of the grid that get a full pairing
NODES = (11, 18)  # of the grid in u and d
D_RANGE = 0.85
FINE = 0.02  # step of u between
SCENES_OF_GRID = 9


@dataclass(frozen=True, eq=False)
class Start:
    """A place to climb from, with the gains found there; higher scores first."""

    score: float
    u: float
    d: float
    gain: Array


def _fine(coarse: Array, u: Array, d: Array, at: Array) -> Array:
    """Values on the grid (U, D, ...) refined: cubic along u to ``at``, linear along d to half steps; flattened."""
    from scipy.interpolate import CubicSpline

    y = CubicSpline(u, coarse)(at)
    out = np.empty((len(at), 2 * len(d) - 1, *y.shape[2:]))
    out[:, ::2] = y
    out[:, 1::2] = 0.5 * (y[:, 1:] + y[:, :-1])
    return out.reshape(out.shape[0] * out.shape[1], *y.shape[2:])


def beginning(heard: Heard, prior: Prior, film: tuple[float, float]) -> Array:
    """State to begin from: the prior's mean, with losses that go with the longer decays heard: R = 2 sigma / tau.

    Half as much film again stands for the air that moves with it.
    """
    x = prior.mean.copy()
    if len(heard):
        tau = float(np.exp(np.quantile(heard.log_tau, 0.75)))
        guess = np.log(np.clip(3.0 * np.array(film) / tau, 0.2, 60.0))
        sd = 1.0 / np.sqrt(np.diag(prior.precision)[4:6])
        x[4:6] = np.where(sd > 1.0, guess, x[4:6])
    return x


@dataclass(frozen=True, eq=False)
class Grid:
    """What the model says at N nodes (u, d): J modes, C channels."""

    u: Array  # (N,)
    d: Array
    log_f: Array  # (N, J)
    log_tau: Array
    mean: Array  # (N, J, C) dB over the scenes
    spread: Array


def survey(model: DrumModel, heard: Heard, prior: Prior) -> list[Start]:
    """Nodes of a grid over both tensions that explain the reading best, best first."""
    low, high = np.log(TENSION_RANGE[0]) + 0.3, np.log(TENSION_RANGE[1]) - 0.3
    u = np.linspace(low, high, NODES[0])
    d = np.linspace(-D_RANGE, D_RANGE, NODES[1]) if prior.free[1] else np.array([0.0])
    uu, dd = (q.ravel() for q in np.meshgrid(u, d, indexing="ij"))
    x = np.tile(beginning(heard, prior, model.film), (len(uu), 1))
    x[:, 0], x[:, 1] = uu, dd
    modes = model.batch.modes(model.rows(x))
    levels = model.levels(modes, scenes=SCENES_OF_GRID)
    levels = np.maximum(levels, levels.max((1, 2), keepdims=True) - 50.0)
    at = np.arange(u[0], u[-1], FINE)
    half = np.linspace(d[0], d[-1], 2 * len(d) - 1)
    fine = [_fine(v[:, model.columns].reshape(len(u), len(d), len(model.columns), *v.shape[2:]), u, d, at) for v in (
        np.log(modes.frequency_hz), np.log(modes.decay_s), levels.mean(2), levels.std(2))]
    nodes = [q.ravel() for q in np.meshgrid(at, half, indexing="ij")]
    grid = Grid(nodes[0], nodes[1], fine[0], fine[1], fine[2], np.abs(fine[3]))
    return rank(grid, heard, model.assumed, np.maximum(model.f_sd[model.columns], 0.007))


def rank(grid: Grid, heard: Heard, assumed: Assumed, f_sd: Array | float) -> list[Start]:
    """Lower bound for all nodes (every partial's best mode), full pairing for the best of them, best first."""
    foreign = heard.foreign(assumed)
    in_range = grid.log_f < heard.log_f.max() + 0.05
    top = np.where(in_range[..., None], grid.mean, -999.0).max(1)
    near = 1.0 / (1.0 + np.exp(-((grid.mean - top[:, None]) + assumed.floor_db) / 4.0))
    chance = assumed.detected * (near.max(-1) if grid.mean.shape[-1] else np.full(grid.log_f.shape, 0.5))
    chance = np.where(in_range, np.clip(chance, 0.01, 0.85), 0.01)
    wide: dict[str, Any] = {"f_sd": f_sd, "tau_sd": 0.7, "level_sd": 4.0}
    nats = cost(heard, grid.log_f, grid.log_tau, grid.mean, grid.spread, chance, -top, foreign, **wide)
    missed = np.log1p(-chance).sum(1)
    bound = missed - np.minimum(nats.min(2), 0.0).sum(1)
    out = []
    for b in np.argsort(-bound)[:KEEP]:
        i, j, _ = match(nats[b])
        gain = -top[b]
        for c in range(len(gain)):
            sure = heard.has[i, c] & (grid.spread[b, j, c] < 5.0)
            if sure.sum() > 1:
                gain[c] = np.median(heard.level[i, c][sure] - grid.mean[b, j[sure], c])
        again = cost(heard, grid.log_f[b], grid.log_tau[b], grid.mean[b], grid.spread[b], chance[b], gain, foreign,
                     **wide)
        out.append(Start(float(missed[b] - match(again)[2]), float(grid.u[b]), float(grid.d[b]), gain))
    return sorted(out, key=lambda s: -s.score)


def paired_starts(found: Sequence[Start], mirror: float, *, both: bool, most: int = STARTS) -> list[Start]:
    """The best nodes at least .08 / .13 apart in (u, d), each with its swapped pair."""
    out: list[Start] = []

    def add(s: Start, d: float) -> None:
        if not any(abs(s.u - q.u) < 0.08 and abs(d - q.d) < 0.13 for q in out):
            out.append(Start(s.score, s.u, d, s.gain))

    for s in found:
        if len(out) >= most or (s.score < found[0].score - 12.0 and len(out) > 5):
            break
        add(s, s.d)
        if both:
            add(s, 2 * mirror - s.d)
    return out
