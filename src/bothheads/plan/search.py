"""The search for turns: eighths of both heads, sixteenths to finish, on the drum's sheet, exact where it wants to end."""

from __future__ import annotations

from math import exp, log

import numpy as np
from numpy.typing import NDArray

from ..records import HEADS
from . import safety, wish
from .task import BATTER, Task
from .wish import FIGURES, Goal

Array = NDArray[np.float64]

REACH = 16  # eighths either way in one plan: two turns
TURN_COST = 0.012  # per eighth of one head: of two equal answers take the one with less turning
OPPOSED_COST = 0.25  # one head up and the other down: only where the wish needs it
HALF_COST = 0.05  # for a sixteenth of a turn: only where it is worth the care
DRIFT_COST = 0.12  # weight that holds what nobody asked about where it is
OVERSHOOT_COST = 0.15  # share of the cost beyond a goal that is met
REFINEMENTS = 5
MOST_STEPS = 8  # passes in one plan; after that many the log knows better, so plan again
NEAR_CENTS = 30.0  # a partial of the wished recording this far off costs as much as a goal just missed


def _candidates(task: Task) -> tuple[Array, Array]:
    """Eighths (n, 2) in halves within bounds, time and reach, and their ln tensions (n, 2)."""
    lines = [np.arange(-2 * REACH, 2 * REACH + 1) / 2.0 if h in task.heads else np.array([0.0]) for h in HEADS]
    grid = np.array(np.meshgrid(*lines, indexing="ij")).reshape(2, -1).T
    mean_slope = task.learned.weights @ np.exp(task.learned.log_slopes)
    tension = np.exp(task.log_now) + mean_slope * grid / 8.0
    ok = np.ones(len(grid), dtype=bool)
    for head in task.heads:
        i, limit = HEADS.index(head), task.limits[head]
        low = min(limit.lowest, exp(task.log_now[i]))
        inside = (tension[:, i] >= low) & (tension[:, i] <= max(limit.highest, exp(task.log_now[i])))
        ok &= inside | (grid[:, i] == 0)
    ok &= np.ceil(np.abs(grid) / safety.LARGEST_STEP).sum(axis=1) <= MOST_STEPS
    if task.minutes is not None:
        ok &= minutes_of(grid, task.learned.rods) <= task.minutes + 1e-9
    grid = grid[ok]
    return grid, np.log(np.maximum(tension[ok], np.minimum(15.0, np.exp(task.log_now))))


def minutes_of(eighths: Array, rods: tuple[int, int]) -> Array:
    passes = np.ceil(np.abs(eighths) / safety.LARGEST_STEP)
    return np.asarray((passes * (safety.SECONDS_A_ROD * np.array(rods) + safety.SECONDS_A_READING)).sum(axis=-1) / 60.0)


def column(goal: Goal, values: Array) -> Array:
    if goal.figure == "relation":
        return np.asarray(values[:, BATTER] - values[:, BATTER + 1])
    return np.asarray(values[:, FIGURES.index(goal.figure)])


def _cost(task: Task, eighths: Array, log_t: Array) -> Array:
    """Cost of each candidate: goals missed, turning, and drift of what nobody asked about."""
    values = task.sheet.at_many(log_t) + task.offset
    values[:, BATTER:] = log_t
    cost = TURN_COST * np.abs(eighths).sum(axis=1) + HALF_COST * (eighths % 1.0 != 0).sum(axis=1)
    cost = cost + OPPOSED_COST * (eighths[:, 0] * eighths[:, 1] < 0)
    for goal in task.goals:
        off = (column(goal, values) - goal.target) / goal.tolerance
        if goal.direction:
            off = np.where(off * goal.direction > 0, off * OVERSHOOT_COST, off)
        cost = cost + goal.weight * 2.0 * (np.sqrt(1.0 + off**2) - 1.0)  # far off, linear: no turn at any price
    if len(task.target_partials):
        cost = cost + 2.0 * far_off(task, log_t).mean(axis=1) / NEAR_CENTS
    asked = {g.figure for g in task.goals}
    base = task.now + task.offset
    for figure, width in (("note", wish.SEMITONE), ("tail", 0.3), ("response", 0.1), ("roundness", 3.0)):
        if figure not in asked:
            i = FIGURES.index(figure)
            cost = cost + DRIFT_COST * ((values[:, i] - np.nan_to_num(base[i])) / width) ** 2
    return np.asarray(cost)


def search(task: Task) -> tuple[Array, Array]:
    """Eighths (2,) and ln tensions of the best candidate; only candidates solved exactly may win."""
    eighths, log_t = _candidates(task)
    low, high = log_t.min(axis=0), log_t.max(axis=0)
    spread = np.array([0.45, 0.45])
    task.sheet.cover(np.maximum(low, task.log_now - spread), np.minimum(high, task.log_now + spread))
    tried = [int(np.flatnonzero(~eighths.any(axis=1))[0])]  # no turn is always a candidate
    for _ in range(REFINEMENTS):
        found = int(np.argmin(_cost(task, eighths, log_t)))
        if found in tried:
            break
        task.sheet.exact(log_t[found])
        tried.append(found)
    best = tried[int(np.argmin(_cost(task, eighths[tried], log_t[tried])))]
    return eighths[best], log_t[best]


def far_off(task: Task, log_t: Array) -> Array:
    """Cents from each partial of the recording to the nearest audible one of the drum, (n, partials), up to 150."""
    ladder_f = task.sheet.audible_at(log_t)
    gap = np.abs(task.target_partials[None, :, None] - ladder_f[:, None, :]) * 1200.0 / log(2.0)
    return np.asarray(np.minimum(gap.min(axis=2), 150.0))
