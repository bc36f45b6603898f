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

from ..constants import FILM_DENSITY, FILM_EXPANSION, FILM_MODULUS, FILM_POISSON, ROD_THREAD_PITCH
from ..errors import CannotAnswer
from ..records import HEADS, HeadName, State, Turn
from .history import HANDS_FLOOR, HANDS_SD, NOTHING, Visit, even_turns, head_or_none, visits

Array = NDArray[np.float64]

SLOPE_CENTRE = 300.0  # N/m per turn, middle of 150-600, assumed in the rods' mechanics; no measured drum behind it
SLOPE_SD = 0.60  # of ln s about that centre when no drum has taught anything
DRUM_SD = 0.40  # of ln s from head to head about the mean of a workshop's drums
HEADS_ALIKE = 0.5  # correlation of ln s between the two heads of one drum: same rods, same hands
BEND_SD = 0.05  # relative, a step's departure from the straight line
BEYOND_SD = 0.20  # relative, more for the part of a step outside the turns this head has been through
SETTLING_SD = 0.02  # relative to a step up: film and collar settle after it
DRIFT_SD = 0.003  # relative, from one state to the next, and per square root of ten days
NEW_DRIFT = 4.0  # times that while a head is new
NODES = 33  # per head
NONE_OF_THESE = 0.02  # share of a fit's odds given to 'it is something else'
WIDE_SD = 0.5  # ln T, how wide that something else is
LOWEST_TENSION = 15.0  # N/m, below it film hangs in creases and nothing here holds


def slope_bound(surface_density: float, radius: float, *, thread_pitch: float = ROD_THREAD_PITCH) -> float:
    """Upper bound of the slope [N/m per turn]: rigid hoop and collar, s = E h p / ((1 - nu) a).

    ``surface_density`` [kg/m2] and ``radius`` [m] give film thickness h and reach a; p is the thread's pitch [m].
    """
    thickness = surface_density / FILM_DENSITY
    return FILM_MODULUS * thickness * thread_pitch / ((1.0 - FILM_POISSON) * radius)


@dataclass(frozen=True)
class SlopePrior:
    """Normal prior of ln s of each head, (2,), and the correlation between the two."""

    mean: Array
    sd: Array
    correlation: float = HEADS_ALIKE
    drums: int = 0  # other drums that taught it


def base_prior() -> SlopePrior:
    """The prior of a workshop whose log has taught nothing yet."""
    return SlopePrior(np.full(2, log(SLOPE_CENTRE)), np.full(2, SLOPE_SD))


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
    precision, total = 1.0 / (SLOPE_SD**2 - DRUM_SD**2), log(SLOPE_CENTRE) / (SLOPE_SD**2 - DRUM_SD**2)
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
                            + (SETTLING_SD * np.maximum(step, 0.0)) ** 2) + (DRIFT_SD * then) ** 2 * (step != 0)
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


# ------------------------------------------------------------------ learning
def _grid(mean: Array, sd: Array, width: float) -> Array:
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


def _run(grid: Array, path: Sequence[Visit], prior: SlopePrior, bound: Array) -> tuple[Array, Array, Array]:
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


def _taught(path: Sequence[Visit]) -> tuple[tuple[int, int], Array]:
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
    grid = _grid(prior.mean, prior.sd, 3.2)
    mean, cov, logw = _run(grid, path, prior, bound)
    weights = np.exp(logw - logw.max())
    weights /= weights.sum()
    centre = weights @ grid
    spread = np.sqrt(weights @ (grid - centre) ** 2 + (0.25 * (grid[NODES + 1] - grid[0])) ** 2)
    grid = _grid(centre, spread, 4.0)  # a second pass where the weight is
    mean, cov, logw = _run(grid, path, prior, bound)
    weights = np.exp(logw - logw.max())
    weights /= weights.sum()
    steps, ranges = _taught(path)
    fits = [v for v in path if v.answers]
    return HeadsModel(grid, weights, mean, cov, (heads[0].rods if heads[0] else 8, heads[1].rods if heads[1] else 8),
                      bound, ranges, steps, fits[-1].common_var, prior, last.number, heads[1] is not None)


def learn(states: Sequence[State], head: HeadName, *, others: Sequence[Sequence[State]] = ()) -> TurnModel:
    """What a turn does on one head of a drum, from its states; arguments and errors as ``learn_heads``."""
    return of_head(learn_heads(states, others=others), head)


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


__all__ = ["HANDS_FLOOR", "HANDS_SD", "NOTHING", "After", "HeadsModel", "SlopePrior", "TurnModel", "base_prior",
           "learn", "learn_heads", "of_head", "prior_from", "slope_bound"]
