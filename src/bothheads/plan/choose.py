"""Which drum for a job: sizes, films, openings and muffling searched, tensions of both heads optimised, ranked on the front.

``plan.hunt`` looks at everything on offer by smooth surfaces and solves what promises most by the exact model. It does so
for the wishes as they are, and again with each wish counted fourfold, so that the front has its corners. Designs are then
sorted by the front they stand on (``plan.front``) and by cost. Nothing here was played.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from math import exp
from typing import Any

import numpy as np

from ..constants import TENSION_PER_TURN
from ..drumfile import changed
from ..errors import BothheadsError
from ..records import Drum
from ..units import cents
from .carrying import Carried, carried, shortfall_m
from .cost import EIGHTH, KILOGRAM, Scale
from .design import Build, builds_of
from .front import fronts, order
from .hunt import Corner, Found, Hunt, Lattice, expense
from .job import Job, parse_job
from .sheet import exact_model, figures

Progress = Callable[[float, str], None]

KEPT = 6  # designs returned
OF_A_SIZE = 2  # designs of one size among them, as long as there are others
EMPHASIS = 4.0  # a wish counted so many times, for the front's corners
FAR = 6.0  # steps behind the best: not shown
SETTLED = (5, 2)  # builds solved to the end: for the wishes as they are, for each emphasis
SLACK, ROUGH = 0.3, 1.0  # steps by which an unsolved promise may be wrong; where roundness is asked
SIZES_AT_ONCE = 8  # up to so many sizes everything is looked at; of more, one build each first, then the rest of
SIZES_KEPT = (8, 3)  # the best so many: for the wishes as they are, for each emphasis
CORNERS = 4  # wishes that are emphasised
COLD = (12.0, 35.0)  # what the tables of a new size cost in the same unit: closed, with an opening
MOST_EXPENSE = (500.0, 90.0)  # of exact solves, in solves of a round drum: for the wishes, for all emphases together
TOO_FAR_CENTS = 100.0  # further from the note than this is no answer
NOT_TESTED = (
    "wood, shell thickness, ply and bearing edges: the model's shell is rigid",
    "beater or stick and who plays: one reference push, and one felt beater for the feel",
    "the room beyond its floor, and the microphones themselves",
    "how a maker's film damps by itself: losses are assumed alike unless you give them",
    "pillows and loose filling: laid on are a ring, a strip, or a folded cloth on one head or both",
    "looks, price, and whether the size is made",
)


@dataclass(frozen=True)
class Design:
    """One drum with a setting for every part of the job. ``cost`` in steps, smaller is better."""

    build: Build
    settings: tuple[Found, ...]
    misses: dict[str, float]
    cost: float
    carried: Carried
    front: int = 1
    label: str = ""

    @property
    def drums(self) -> tuple[Drum, ...]:
        """The drum as set for each part."""
        return tuple(f.figures.drum for f in self.settings)


@dataclass(frozen=True)
class Blocked:
    """A limit that leaves nothing, and the design that misses it by least."""

    limit: str
    words: str
    nearest: Build | None = None


@dataclass(frozen=True)
class Choice:
    """Designs, best first; ``refused`` says why there are none."""

    job: Job
    designs: tuple[Design, ...]
    scale: Scale
    blocked: tuple[Blocked, ...] = ()
    refused: str | None = None
    stopped: bool = False
    searched: dict[str, int] = field(default_factory=dict)
    hunt: Hunt | None = field(default=None, compare=False, repr=False)


class Stopped(Exception):
    """Raised inside a search when its owner wants no more."""


def choose(
    job: Mapping[str, Any] | Job, *, resistance: float | None = None,
    lattice: Lattice | None = None, laid: Sequence[str] | None = None,
    progress: Progress | None = None, stop: Callable[[], bool] | None = None,
) -> Choice:
    """Ranked drums for a job (``plan.job``), best first.

    ``resistance`` [N s/m3] of new heads where the log tells it; ``lattice`` restricts the settings to a small grid and
    ``laid`` the ways of muffling; ``progress(share, words)`` is told of every step; when ``stop()`` is true the best so far
    is returned.

    Raises
    ------
    InputError
        For a job that cannot be read and for sizes that leave nothing to choose from.
    """
    asked = job if isinstance(job, Job) else parse_job(job)
    builds, blocked = _within_limits(asked, builds_of(asked, resistance))
    if not builds:
        return Choice(asked, (), Scale(), blocked, _refusal(blocked))
    clock = _Clock(progress, stop, len(builds) * len(asked.parts))
    hunt: Hunt | None = None
    stopped = False
    try:
        first, others = _first_of_a_size(builds)
        hunt = Hunt(asked, first, lattice=lattice, laid=laid, tick=clock.tick)
        _search(hunt, others, clock)
    except Stopped:
        stopped = True
    if hunt is None:
        return Choice(asked, (), Scale(), (), "stopped before the first design was solved", True)
    designs = _ranked(hunt)
    counts = {"designs": len(hunt.builds), "states": hunt.states, "solved": hunt.solves}
    if not designs:
        why = "stopped before the first design was solved" if stopped else "no film on offer reaches what was asked"
        return Choice(asked, (), hunt.scale, (), why, stopped, counts, hunt)
    missed = _note_missed(asked, designs)
    if missed is not None and not stopped:
        return Choice(asked, designs, hunt.scale, (missed,), missed.words, False, counts, hunt)
    return Choice(asked, designs, hunt.scale, (), None, stopped, counts, hunt)


class _Clock:
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


# ------------------------------------------------------------------ limits
def _within_limits(job: Job, builds: list[Build]) -> tuple[list[Build], tuple[Blocked, ...]]:
    """Builds that may be carried; where none may, the limit or limits that leave none."""
    loads = [carried(b.drum, job.use) for b in builds]
    over = {
        "boot": [shortfall_m(c, job.boot) if job.boot else -1.0 for c in loads],
        "weight": [c.weight_kg - job.weight_kg if job.weight_kg else -1.0 for c in loads],
    }
    left = [b for i, b in enumerate(builds) if all(v[i] <= 1e-9 for v in over.values())]
    if left or not builds:
        return left, () if left else (Blocked("opening", "no head on offer has room for the opening"),)
    alone = [name for name, v in over.items() if min(v) > 1e-9]
    blocked = []
    for name in alone or [n for n, v in over.items() if max(v) > 1e-9]:
        i = int(np.argmin(over[name]))
        by = f"{100 * over[name][i]:.0f} cm" if name == "boot" else f"{over[name][i]:.1f} kg"
        how = f"{builds[i].name} comes nearest and is {by} too {'large' if name == 'boot' else 'heavy'}" if alone else \
            "each limit alone leaves something, both together nothing"
        blocked.append(Blocked(name, f"the {name} limit: {how} (packed size and weight are estimates)", builds[i]))
    return [], tuple(blocked)


def _refusal(blocked: Sequence[Blocked]) -> str:
    return "nothing on offer can be carried: " + "; ".join(b.words for b in blocked) + "."


def _note_missed(job: Job, designs: Sequence[Design]) -> Blocked | None:
    """The note that no design comes near to, or None."""
    for i, part in enumerate(job.parts):
        wish = part.wish("note")
        if wish is None:
            continue
        off = [max(cents(wish.low, hz), cents(hz, wish.high)) for d in designs
               if (hz := exp(d.settings[i].figures.values["note"]))]
        k = int(np.argmin(off))
        if off[k] > TOO_FAR_CENTS:
            hz = exp(designs[k].settings[i].figures.values["note"])
            return Blocked("note", f"no size on offer reaches {wish.words} within its film: {designs[k].build.name} comes "
                                   f"nearest with {hz:.1f} Hz: widen the sizes or change the note.", designs[k].build)
    return None


# ------------------------------------------------------------------ search
def _size(build: Build) -> tuple[float, float]:
    return build.drum.diameter, build.drum.depth


def _first_of_a_size(builds: Sequence[Build]) -> tuple[list[Build], list[Build]]:
    """One build of every size where there are many, and the others; all at once where there are few."""
    if len({_size(b) for b in builds}) <= SIZES_AT_ONCE:
        return list(builds), []
    first = list({_size(b): b for b in reversed(builds)}.values())[::-1]
    return first, [b for b in builds if b not in first]


def _search(hunt: Hunt, others: Sequence[Build], clock: _Clock) -> None:
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


def _promised(hunt: Hunt, weights: Sequence[Mapping[str, float]], start: int, clock: _Clock) -> np.ndarray[Any, Any]:
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


# ------------------------------------------------------------------ ranking
def turning(first: Drum, second: Drum) -> float:
    """Eighths of a turn between two settings, both heads together, at the prior's pull per turn."""
    moved = 0.0
    for a, b in ((first.batter, second.batter), (first.resonant, second.resonant)):
        if a is not None and b is not None:
            moved += abs((b.tension or 0.0) - (a.tension or 0.0))
    return 8.0 * moved / TENSION_PER_TURN


def assembled(build: Build, settings: Sequence[Found], use: str) -> Design:
    """A design from its settings: misses of all parts, and what the turning between them costs."""
    misses = {key: value for found in settings for key, value in found.misses.items()}
    if len(settings) > 1:
        misses["turning"] = EIGHTH * sum(turning(settings[0].figures.drum, s.figures.drum) for s in settings[1:])
    load = carried(settings[0].figures.drum, use)
    misses["weight"] = KILOGRAM * load.weight_kg
    return Design(build, tuple(settings), misses, float(sum(misses.values())), load)


def _ranked(hunt: Hunt) -> tuple[Design, ...]:
    """Designs of everything that was solved, by front and cost, not too many of one size."""
    pool: list[Design] = []
    for row in hunt.corners:
        pool += _of_build(hunt, row)
    if not pool:
        return ()
    rows = np.array([_asked(hunt.job, d) for d in pool])
    numbers = fronts(rows)
    costs = [d.cost for d in pool]
    near = [i for i, c in enumerate(costs) if c <= min(costs) + FAR]
    pool, numbers, costs = [pool[i] for i in near], [numbers[i] for i in near], [costs[i] for i in near]
    ranked = [replace(pool[i], front=numbers[i]) for i in order(numbers, costs)]
    best = int(np.argmin([d.cost for d in ranked]))
    ranked.insert(0, ranked.pop(best))  # least cost leads, also where a tolerance put it behind
    kept: list[Design] = []
    for limit in (OF_A_SIZE, KEPT):
        for d in ranked:
            same = sum(d.build.drum.diameter == k.build.drum.diameter and d.build.drum.depth == k.build.drum.depth for k in kept)
            if len(kept) < KEPT and d not in kept and same < limit:
                kept.append(d)
    kept.sort(key=lambda d: ranked.index(d))
    return tuple(_labelled(hunt.job, kept))


def _of_build(hunt: Hunt, row: Sequence[Corner]) -> list[Design]:
    """Pareto settings of one build; for several parts the best pairs of each part's few best."""
    each: list[list[Found]] = []
    for corner in row:
        found = sorted((hunt.found(corner, s) for s in corner.solved), key=lambda f: f.cost({}))
        found = [f for f in found if np.isfinite(f.cost({}))]
        if not found:
            return []
        each.append(found[:12] if len(row) == 1 else found[:5])
    designs = sorted((assembled(row[0].build, combo, hunt.job.use) for combo in product(*each)), key=lambda d: d.cost)
    kept: list[Design] = []
    for d in designs:
        if all(_apart(d, k) for k in kept):
            kept.append(d)
    return kept[:4]


def _apart(a: Design, b: Design) -> bool:
    """Whether two designs of one build are worth telling apart."""
    pairs = list(zip(a.settings, b.settings, strict=True))
    return any(x.setting.laid != y.setting.laid or abs(x.setting.u - y.setting.u) > 0.08
               or abs(x.setting.d - y.setting.d) > 0.25 or abs(x.setting.size - y.setting.size) > 0.02 for x, y in pairs)


def _asked(job: Job, design: Design) -> list[float]:
    """Misses of what was asked, and of the films: what the front is about."""
    return [design.misses[w.key] for w in job.criteria] + [sum(v for k, v in design.misses.items() if k.endswith(".film"))]


def _labelled(job: Job, designs: Sequence[Design]) -> list[Design]:
    """What each is best in: all round, one of the wishes, weight."""
    labels: dict[int, list[str]] = {0: ["best all round"]}
    for wish in job.criteria:
        values = [d.misses[wish.key] for d in designs]
        i = int(np.argmin(values))
        if sorted(values)[min(1, len(values) - 1)] - values[i] > 0.3:
            what = {"most": f"loudest at the {wish.what}", "least": f"quietest at the {wish.what}"}.get(wish.aim, "")
            words = {"response": "quickest answer", "roundness": "most alike all round"} if wish.aim == "least" else {}
            labels.setdefault(i, []).append(words.get(wish.what) or what or f"nearest to the {wish.what} wished")
    if len(designs) > 1:
        i = int(np.argmin([d.carried.weight_kg for d in designs]))
        labels.setdefault(i, []).append("lightest")
    return [replace(d, label=", ".join(labels.get(i, []))) for i, d in enumerate(designs)]


def sweep(drum: Drum, key: str, values: Sequence[str]) -> tuple[dict[str, Any], ...]:
    """What one drum-file key does: a row per value with note, tail and the figures of ``plan.wish``.

    ``key`` and ``values`` as in ``--set KEY=VALUE``. A value that cannot be is a row with its ``error``.
    """
    rows: list[dict[str, Any]] = []
    for value in values:
        try:
            prediction = exact_model(changed(drum, key, value))
            found = figures(changed(drum, key, value), prediction)
        except BothheadsError as error:
            rows.append({"value": value, "error": str(error)})
            continue
        note = prediction.note
        rows.append({
            "value": value, "note_hz": note.frequency_hz, "note": note.name, "tail_s": note.t60_s,
            "tone_db": float(found[2]), "attack_db": float(found[3]), "response_ms": 1e3 * exp(float(found[4])),
            "roundness_db": prediction.roundness_db, "head_pitch_hz": prediction.head_pitch_hz,
        })
    return tuple(rows)
