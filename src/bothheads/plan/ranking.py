"""Designs of what was solved, sorted by the front they stand on and by cost, each with what it is best in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from ..constants import TENSION_PER_TURN
from ..records import Drum
from .carrying import carried
from .choice import Design
from .cost import EIGHTH, KILOGRAM
from .design import Build
from .front import fronts, order
from .hunt import Corner, Found, Hunt
from .job import Job

KEPT = 6  # designs returned
OF_A_SIZE = 2  # designs of one size among them, as long as there are others
FAR = 6.0  # steps behind the best: not shown


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


def ranked(hunt: Hunt) -> tuple[Design, ...]:
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
    placed = [replace(pool[i], front=numbers[i]) for i in order(numbers, costs)]
    best = int(np.argmin([d.cost for d in placed]))
    placed.insert(0, placed.pop(best))  # least cost leads, also where a tolerance put it behind
    kept: list[Design] = []
    for limit in (OF_A_SIZE, KEPT):
        for d in placed:
            same = sum(d.build.drum.diameter == k.build.drum.diameter and d.build.drum.depth == k.build.drum.depth for k in kept)
            if len(kept) < KEPT and d not in kept and same < limit:
                kept.append(d)
    kept.sort(key=lambda d: placed.index(d))
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
