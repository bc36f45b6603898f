"""What a turn does on this drum and this head, learned from its log.

Tension is taken as near linear in turns, T = T0 + s (turns - turns0), with a slope s [N/m per turn] of the
head at hand. The slope's prior is log-normal and wide: the collar, 10 to 50 times softer than the film,
decides it, so recipes in turns do not carry over between drums. Both heads are learned together because a
fit knows their sum better than their ratio: a grid over (ln s_batter, ln s_resonant), and on every node an
exact linear filter of (T_batter, T_resonant) over the states.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray

from ..constants import TENSION_PER_TURN
from ..errors import CannotAnswer
from ..physics.hoop import slope_bound
from ..records import HEADS, HeadName, State, Turn
from .history import even_turns, head_or_none, visits
from .slopes import (
    BEND_SD,
    BEYOND_SD,
    DRIFT_SD,
    DRUM_SD,
    LOWEST_TENSION,
    NODES,
    SETTLING_SD,
    SLOPE_SD,
    SlopePrior,
    base_prior,
    grid_of,
    run,
    taught,
)

Array = NDArray[np.float64]


def prior_from(others: Sequence[Sequence[State]]) -> SlopePrior:
    """The prior that other drums' histories teach: a mean over drums with its own spread, normal in ln s."""
    seen: list[tuple[float, float]] = []
    taught = 0
    for history in others:
        try:
            model = learn_heads(history)
        except CannotAnswer:
            continue
        found = [(model.log_slope(i)) for i in (0, 1) if model.steps_learned[i]]
        seen += found
        taught += bool(found)
    precision, total = 1.0 / (SLOPE_SD**2 - DRUM_SD**2), log(TENSION_PER_TURN) / (SLOPE_SD**2 - DRUM_SD**2)
    for mean, sd in seen:
        weight = 1.0 / (DRUM_SD**2 + sd**2)
        precision, total = precision + weight, total + weight * mean
    return SlopePrior(np.full(2, total / precision), np.full(2, sqrt(DRUM_SD**2 + 1.0 / precision)), drums=taught)


@dataclass(frozen=True)
class After:
    """Tensions now and after some turns: means (2,) [N/m], joint covariance (4, 4) of (now, after)."""

    now: Array
    then: Array
    cov: Array
    extrapolated: tuple[bool, bool]

    @property
    def log_change(self) -> Array:
        """ln(T after / T now) of batter and resonant, (2,)."""
        return np.asarray(np.log(self.then / self.now))

    @property
    def log_change_cov(self) -> Array:
        """Covariance (2, 2) of that change, first order."""
        jacobian = np.hstack([-np.diag(1.0 / self.now), np.diag(1.0 / self.then)])
        return np.asarray(jacobian @ self.cov @ jacobian.T)

    @property
    def log_then_cov(self) -> Array:
        """Covariance (2, 2) of ln T after, first order, on the fits' own scale."""
        scale = np.diag(1.0 / self.then)
        return np.asarray(scale @ self.cov[2:, 2:] @ scale)


@dataclass(frozen=True)
class HeadsModel:
    """Both heads of one drum as learned; nodes G of the slope grid with their weights and tensions."""

    log_slopes: Array  # (G, 2)
    weights: Array  # (G,)
    mean: Array  # (G, 2) N/m at the last state
    cov: Array  # (G, 2, 2)
    rods: tuple[int, int]
    bound: Array  # (2,) N/m per turn
    visited: Array  # (2, 2) lowest and highest turns so far, seen from the last state, per head
    steps_learned: tuple[int, int]  # turned steps between two found tensions, per head
    common_var: Array  # (2,) of ln T shared by every state of a head
    prior: SlopePrior
    last_state: int
    has_resonant: bool = True
    new: tuple[bool, bool] = (False, False)  # a new head that has not been turned and read yet

    def log_slope(self, head: int) -> tuple[float, float]:
        """Mean and sd of ln s of one head."""
        x = self.log_slopes[:, head]
        mean = float(self.weights @ x)
        return mean, sqrt(max(float(self.weights @ (x - mean) ** 2), 1e-8))

    def now(self) -> tuple[Array, Array]:
        """Mean (2,) and covariance (2, 2) of the tensions at the last state."""
        found = self.after({})
        return found.now, found.cov[:2, :2]

    def after(self, turns: Mapping[HeadName, float] | Sequence[Turn]) -> After:
        """Tensions after further turns (mean turns of a head, or a list of ``Turn``)."""
        listed = turns if not isinstance(turns, Mapping) else [Turn(h, t) for h, t in turns.items()]
        moves = [even_turns(listed, name, n) for name, n in zip(HEADS, self.rods, strict=True)]
        step, hands = np.array([m[0] for m in moves]), np.array([m[1] for m in moves])
        beyond = np.maximum(np.maximum(step - self.visited[:, 1], self.visited[:, 0] - step), 0.0)
        slope = np.exp(self.log_slopes)
        then = np.maximum(self.mean + slope * step, LOWEST_TENSION)
        noise = slope**2 * (hands + (BEND_SD * step) ** 2 + (BEYOND_SD * beyond) ** 2
                            + (SETTLING_SD * np.maximum(step, 0.0)) ** 2) + (DRIFT_SD * then) ** 2 * bool(step.any())
        each = np.hstack([self.mean, then])
        cov = np.block([[self.cov, self.cov], [self.cov, self.cov]])
        cov[:, [2, 3], [2, 3]] += noise
        mean = self.weights @ each
        off = each - mean
        total = np.einsum("g,gij->ij", self.weights, cov) + np.einsum("g,gi,gj->ij", self.weights, off, off)
        far = beyond > 1e-9
        return After(mean[:2], mean[2:], total, (bool(far[0]), bool(far[1])))


@dataclass(frozen=True)
class TurnModel:
    """One head: what a turn does and where it stands. ``tension`` etc. belong to the last state."""

    head: HeadName
    tension: float  # N/m
    tension_sd: float  # from state to state; the absolute value is less well known: ``absolute_sd``
    absolute_sd: float
    slope: float  # N/m per turn, median
    slope_factor: float  # one sd of the slope as a factor, e.g. 1.12
    steps_learned: int
    visited: tuple[float, float]  # turns from now to the slackest and the tightest state so far
    slack_turns: float  # turns from now to where the straight line reaches no tension (negative)
    drums: int
    bound: float
    both: HeadsModel = field(repr=False)

    def tension_after(self, turns: float) -> tuple[float, float]:
        """Mean and sd [N/m] of the tension after all rods of this head are turned by ``turns``."""
        index = HEADS.index(self.head)
        found = self.both.after({self.head: turns})
        return float(found.then[index]), sqrt(float(found.cov[2 + index, 2 + index]))

    def words(self, turns: float | None = None) -> str:
        """What one turn does here and how well that is known; with ``turns``, whether they extrapolate."""
        percent = 100.0 * (self.slope_factor - 1.0)
        if self.steps_learned == 0:
            where = f"from {self.drums} other drum{'s' * (self.drums != 1)}" if self.drums else "from common practice"
            text = (f"learned from no turns yet: {where}, one turn moves the {self.head} head by about "
                    f"{_round(self.slope)} N/m, give or take a factor of {self.slope_factor:.1f}")
        else:
            steps = f"{self.steps_learned} turned step{'s' * (self.steps_learned != 1)}"
            text = (f"one turn moved the {self.head} head by about {_round(self.slope)} N/m "
                    f"(known to {percent:.0f} %, from {steps})")
        if turns is not None and not self.visited[0] - 1e-9 <= turns <= self.visited[1] + 1e-9:
            way = "tighter" if turns > 0 else "looser"
            text += f"; {abs(turns):g} turns {way} than now is further than this log has been: extrapolated"
        return text


def _round(value: float) -> str:
    return f"{round(value, -1 if value >= 100 else 0):.0f}"


def learn_heads(states: Sequence[State], *, others: Sequence[Sequence[State]] = ()) -> HeadsModel:
    """Both heads of one drum from its states (any order; the log of ONE drum).

    ``others`` are other drums' histories: they teach the prior of the slope.

    Raises
    ------
    CannotAnswer
        When no state has a fit and the first has no tension.
    """
    path = visits(states)
    if not any(v.answers for v in path):
        raise CannotAnswer("no state of this drum has a fit or a tension: take a recording with log take first.")
    last = max(states, key=lambda s: s.number)
    drum = last.drum
    heads = [head_or_none(last, name) for name in HEADS]
    bound = np.array([slope_bound(h.surface_density, drum.radius) if h else 1e4 for h in heads])
    prior = prior_from(others) if others else base_prior()
    grid = grid_of(prior.mean, prior.sd, 3.2)
    mean, cov, logw = run(grid, path, prior, bound)
    weights = np.exp(logw - logw.max())
    weights /= weights.sum()
    centre = weights @ grid
    spread = np.sqrt(weights @ (grid - centre) ** 2 + (0.25 * (grid[NODES + 1] - grid[0])) ** 2)
    grid = grid_of(centre, spread, 4.0)  # a second pass where the weight is
    mean, cov, logw = run(grid, path, prior, bound)
    weights = np.exp(logw - logw.max())
    weights /= weights.sum()
    steps, ranges = taught(path)
    fits = [v for v in path if v.answers]
    return HeadsModel(grid, weights, mean, cov, (heads[0].rods if heads[0] else 8, heads[1].rods if heads[1] else 8),
                      bound, ranges, steps, fits[-1].common_var, prior, last.number, heads[1] is not None)


def learn(states: Sequence[State], head: HeadName, *, others: Sequence[Sequence[State]] = ()) -> TurnModel:
    """What a turn does on one head of a drum, from its states; arguments and errors as ``learn_heads``."""
    return of_head(learn_heads(states, others=others), head)


def learned_heads(states: Sequence[State]) -> dict[HeadName, TurnModel]:
    """The heads of one drum whose own turns have taught something, each as learned; none without a history."""
    try:
        model = learn_heads(states)
    except CannotAnswer:
        return {}
    return {head: of_head(model, head) for i, head in enumerate(HEADS) if model.steps_learned[i]}


def of_head(model: HeadsModel, head: HeadName) -> TurnModel:
    """One head's view of what was learned for both."""
    if head == "resonant" and not model.has_resonant:
        raise CannotAnswer("this drum has no resonant head: only the batter can be turned.")
    index = HEADS.index(head)
    mean, cov = model.now()
    log_mean, log_sd = model.log_slope(index)
    tension, sd = float(mean[index]), sqrt(max(float(cov[index, index]), 0.0))
    absolute = sqrt(sd**2 + float(model.common_var[index]) * tension**2)
    return TurnModel(head, tension, sd, absolute, exp(log_mean), exp(log_sd), model.steps_learned[index],
                     (float(model.visited[index, 0]), float(model.visited[index, 1])),
                     -tension / exp(log_mean), model.prior.drums, float(model.bound[index]), model)
