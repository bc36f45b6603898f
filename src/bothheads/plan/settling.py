"""The search: which builds are solved by the exact model, in what order, until the best is settled or the expense is spent."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from .cost import Scale
from .design import Build
from .hunt import Hunt, expense

EMPHASIS = 4.0  # a wish counted so many times, for the front's corners
SETTLED = (5, 2)  # builds solved to the end: for the wishes as they are, for each emphasis
SLACK, ROUGH = 0.3, 1.0  # steps by which an unsolved promise may be wrong; where roundness is asked
SIZES_AT_ONCE = 8  # up to so many sizes everything is looked at; of more, one build each first, then the rest of
SIZES_KEPT = (8, 3)  # the best so many: for the wishes as they are, for each emphasis
CORNERS = 4  # wishes that are emphasised
COLD = (12.0, 35.0)  # what the tables of a new size cost in the same unit: closed, with an opening
MOST_EXPENSE = (500.0, 90.0)  # of exact solves, in solves of a round drum: for the wishes, for all emphases together
Progress = Callable[[float, str], None]


class Stopped(Exception):
    """Raised inside a search when its owner wants no more."""


class Clock:
    """Progress as a share of the expected steps, and the question whether to stop."""

    def __init__(self, progress: Progress | None, stop: Callable[[], bool] | None, corners: int) -> None:
        self.progress, self.stop, self.done = progress, stop, 0.0
        self.step = 0.25 / max(corners, 1)

    def tick(self, words: str) -> None:
        """One step further; raises ``Stopped``."""
        if self.stop is not None and self.stop():
            raise Stopped
        self.done = min(self.done + self.step, 0.95)
        if self.progress is not None:
            self.progress(self.done, words)


def _size(build: Build) -> tuple[float, float]:
    return build.drum.diameter, build.drum.depth


def first_of_a_size(builds: Sequence[Build]) -> tuple[list[Build], list[Build]]:
    """One build of every size where there are many, and the others; all at once where there are few."""
    if len({_size(b) for b in builds}) <= SIZES_AT_ONCE:
        return list(builds), []
    first = list({_size(b): b for b in reversed(builds)}.values())[::-1]
    return first, [b for b in builds if b not in first]


def search(hunt: Hunt, others: Sequence[Build], clock: Clock) -> None:
    """Settle the builds that promise most, for the wishes as they are and for every emphasis."""
    wishes = hunt.job.criteria[:CORNERS] if len(hunt.job.criteria) > 1 else ()
    weights: list[Mapping[str, float]] = [{}, *({w.key: EMPHASIS} for w in wishes)]
    promised = _promised(hunt, weights, 0, clock)
    if others:
        ranks = np.argsort(promised, axis=1)
        good = {_size(hunt.builds[i]) for k, row in enumerate(ranks) for i in row[: SIZES_KEPT[min(k, 1)]]}
        count = len(hunt.builds)
        hunt.add([b for b in others if _size(b) in good])
        promised = np.hstack([promised, _promised(hunt, weights, count, clock)])
    clock.step = 0.5 / (4.0 * sum(SETTLED))
    _settle(hunt, weights[0], promised[0], SETTLED[0], MOST_EXPENSE[0])
    for k, weight in enumerate(weights[1:], 1):
        _settle(hunt, weight, promised[k], SETTLED[1], MOST_EXPENSE[1] / len(wishes))
    hunt.scale = _scale(hunt)


def _promised(hunt: Hunt, weights: Sequence[Mapping[str, float]], start: int, clock: Clock) -> np.ndarray[Any, Any]:
    """Promised costs (weights, builds) of the builds from ``start`` on, all parts of the job together."""
    out = np.zeros((len(weights), len(hunt.builds) - start))
    for i, row in enumerate(hunt.corners[start:]):
        clock.tick("looking at every setting")
        for corner in row:
            out[:, i] += [p.cost for p in hunt.promise(corner, weights)]
    return out


def _settle(hunt: Hunt, weights: Mapping[str, float], promised: np.ndarray[Any, Any], count: int, most: float) -> None:
    """Solve where the promise is best, one setting at a time, until ``count`` builds and the best of all are settled.

    A build is settled when its surface promises no more than what was solved; one that turns out worse than promised goes
    back in the queue. Stops when the expense is spent.
    """
    bound, slack = promised.copy(), ROUGH if any(c.what == "roundness" for c in hunt.job.criteria) else SLACK
    settled, spent = np.zeros(len(bound), dtype=bool), 0.0
    while spent <= most:
        waiting = np.where(settled, np.inf, bound)
        i = int(np.argmin(waiting))
        best = bound[settled].min() if settled.any() else np.inf
        if not np.isfinite(waiting[i]) or (settled.sum() >= count and waiting[i] >= best):
            break
        solved, cold = sum(len(c.solved) for c in hunt.corners[i]), _is_cold(hunt, i)
        found = [hunt.settle(c, weights, slack=slack if bound[i] < best + slack and not weights else 0.0, most=1)
                 for c in hunt.corners[i]]
        more = sum(len(c.solved) for c in hunt.corners[i]) - solved
        if not more or any(f is None for f in found):
            settled[i] = True
        else:
            exact = sum(f.cost(weights) for f in found if f)
            bound[i] = min(exact, sum(hunt.promise(c, [weights], zoom=True)[0].cost for c in hunt.corners[i]))
        spent += more * max((expense(hunt.builds[i], f.setting) for f in found if f), default=1.0)
        spent += COLD[hunt.builds[i].opening_in > 0] * (cold and more > 0)
        if cold and hunt.builds[i].opening_in:
            _promise_again(hunt, weights, bound, settled, hunt.builds[i].opening_in)


def _promise_again(hunt: Hunt, weights: Mapping[str, float], bound: np.ndarray[Any, Any], settled: np.ndarray[Any, Any],
                   opening_in: float) -> None:
    """The builds with this opening that nothing was solved of, now that one has told what its air does."""
    for j, row in enumerate(hunt.corners):
        if not settled[j] and hunt.builds[j].opening_in == opening_in and not any(c.solved for c in row):
            bound[j] = sum(hunt.promise(corner, [weights])[0].cost for corner in row)


def _is_cold(hunt: Hunt, i: int) -> bool:
    """Whether nothing of this size and opening was solved yet: its tables of the air are still to be made."""
    mine = hunt.builds[i]
    return not any(c.solved for b, row in zip(hunt.builds, hunt.corners, strict=True) for c in row
                   if _size(b) == _size(mine) and b.opening_in == mine.opening_in)


def _scale(hunt: Hunt) -> Scale:
    """For every wish for as much (little) as can be: the best among the best designs, that wish counted fourfold."""
    ideals = {}
    for wish in hunt.job.criteria:
        if wish.aim == "range":
            continue
        weights = {wish.key: EMPHASIS}
        best: tuple[float, float] | None = None
        for row in hunt.corners:
            found = [hunt.best_of(c, weights) for c in row]
            if any(f is None for f in found):
                continue
            cost = sum(f.cost(weights) for f in found if f)
            mine = found[wish.part]
            if mine is not None and (best is None or cost < best[0]):
                best = cost, mine.figures.values[wish.what]
        if best is not None:
            ideals[wish.key] = best[1]
    return Scale(ideals)
