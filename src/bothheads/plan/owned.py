"""The nearest thing you own: each drum of the log set as well as it can be for the job, and what to turn to get there.

Its shape, films and opening stay; tensions and what is laid on may change. Turns come from what its own log has taught
(``infer.turns``), else from the prior, which is wide.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np

from .. import units
from ..constants import TENSION_PER_TURN
from ..infer.history import fit_of
from ..infer.slopes import SLOPE_SD
from ..infer.turns import learned_heads
from ..records import HEADS, Drum, HeadName, State
from .choice import Design
from .cost import Scale
from .design import Build, laid_words, size_words
from .hunt import Hunt
from .job import Job
from .ranking import assembled
from .robust import per_turn

MOST_OWNED = 12  # drums of the log that are looked at
SETTLED = 3  # of them, the most promising, solved
ALIKE_FILM = 0.06  # relative: a film this near counts as the same
FARTHEST = 24.0  # eighths: more than three turns is another drum
SMALLEST_BASS, LARGEST_TOM = 0.40, 0.47  # m
FEW_FITS = 2  # fits before the log's losses count


@dataclass(frozen=True)
class Owned:
    """A drum of the log as it stands now."""

    drum: Drum
    drum_id: int
    state: int | None
    states: tuple[State, ...] = ()


@dataclass(frozen=True)
class Near:
    """An owned drum, set for the job: the design, turns [eighths] per part and head, and words."""

    owned: Owned
    design: Design
    turns: tuple[dict[HeadName, float], ...]
    words: tuple[str, ...]


def losses(histories: Sequence[Sequence[State]]) -> tuple[float | None, int]:
    """Median resistance [N s/m3] that the fits of the log's drums found, and how many heads it rests on."""
    found = []
    for states in histories:
        fits = [fit for s in states if (fit := fit_of(s)) is not None and not fit.refused]
        for part in (fits[-1].batter, fits[-1].resonant) if fits else ():
            if part is not None and part.resistance:
                found.append(part.resistance)
    return (exp(float(np.median(np.log(found)))), len(found)) if len(found) >= FEW_FITS else (None, len(found))


def usable(owned: Sequence[Owned], job: Job) -> list[Owned]:
    """Drums of the kind that is sought, with two heads whose tensions are known; those of the sizes on offer first."""
    middle = log(float(np.median([d for d, _ in job.sizes])))
    out = [o for o in owned if o.drum.resonant is not None and o.drum.batter.tension and o.drum.resonant.tension
           and not o.drum.wires_on and (o.drum.diameter >= SMALLEST_BASS if job.use == "bass" else o.drum.diameter <= LARGEST_TOM)]
    return sorted(out, key=lambda o: abs(log(units.inches_from_metres(o.drum.diameter)) - middle))[:MOST_OWNED]


def set_for(job: Job, owned: Sequence[Owned], scale: Scale, *, tick: Callable[[str], None] = lambda words: None) -> list[Near]:
    """The owned drums that promise most for a job, each at its best, cheapest first."""
    mine = usable(owned, job)
    if not mine:
        return []
    builds = [Build(_loosened(o.drum), o.drum.name) for o in mine]
    hunt = Hunt(job, builds, tick=tick)
    hunt.scale = scale
    promised = [sum(hunt.promise(corner, [{}])[0].cost for corner in row) for row in hunt.corners]
    out = []
    for i in sorted(range(len(mine)), key=lambda i: promised[i])[:SETTLED]:
        found = [hunt.settle(corner, {}) for corner in hunt.corners[i]]
        if all(f is not None for f in found):
            design = assembled(builds[i], [f for f in found if f], job.use)
            out.append(_near(mine[i], design, job))
    return sorted(out, key=lambda n: n.design.cost)


def nearest(design: Design, near: Sequence[Near]) -> Near | None:
    """The owned drum that comes nearest to a design: what the job costs on it, and how far its size is."""
    return min(near, key=lambda n: n.design.cost + 4.0 * abs(log(n.owned.drum.diameter / design.build.drum.diameter)),
               default=None)


def differences(design: Design, near: Near) -> list[str]:
    """What the design has that the owned drum has not."""
    a, b = design.build.drum, near.owned.drum
    out = []
    if abs(log(a.diameter / b.diameter)) > 0.01 or abs(a.depth - b.depth) > 0.01:
        out.append(f"yours is {size_words(b)}, the design {size_words(a)} (diameter x depth)")
    for name in HEADS:
        ours, theirs = b.head(name).surface_density, a.head(name).surface_density
        if abs(log(ours / theirs)) > ALIKE_FILM:
            out.append(f"its {name} head is {units.mil_from_surface_density(ours):.3g} mil, "
                       f"the design's {units.mil_from_surface_density(theirs):.3g} mil: a change of head")
    mine, wanted = near.design.build.opening_in, design.build.opening_in
    if bool(mine) != bool(wanted):
        out.append("it has an opening, the design is closed" if mine else
                   f"it is closed, the design has a {wanted:.2g} in opening: cutting one cannot be undone")
    return out


def _loosened(drum: Drum) -> Drum:
    drum = drum.with_head("batter", tension=None)
    return replace(drum.with_head("resonant", tension=None), floor=None, microphones=())


def _near(owned: Owned, design: Design, job: Job) -> Near:
    slopes, told = learned(owned)
    turns: list[dict[HeadName, float]] = []
    words: list[str] = []
    for found, part in zip(design.settings, job.parts, strict=True):
        target = found.figures.drum
        moved: dict[HeadName, float] = {}
        said = []
        for head in HEADS:
            change = (target.head(head).tension or 0.0) - (owned.drum.head(head).tension or 0.0)
            moved[head] = round(16.0 * change / slopes[head]) / 2.0
            said.append(f"{head} head {units.turns_in_words(moved[head])} on every rod")
            if abs(moved[head]) > FARTHEST:
                said.append("further than three turns: count on a new start there")
        turns.append(moved)
        lead = "" if len(job.parts) == 1 else f"{part.name} job: "
        laid = laid_words(found.setting, target.radius)
        words.append(lead + "; ".join([*said, *([laid] if laid else [])]))
    return Near(owned, design, tuple(turns), (*words, *told))


def learned(owned: Owned) -> tuple[dict[HeadName, float], list[str]]:
    """N/m per turn of each head, from the drum's own log where it has taught something, and words on how well known."""
    heads = learned_heads(owned.states)
    out: dict[HeadName, float] = {}
    words = []
    for head in HEADS:
        if head in heads:
            out[head] = heads[head].slope
            words.append(heads[head].words())
        else:
            out[head] = per_turn(owned.drum, head)
    if len(words) < len(HEADS):
        words.append(f"turns from common practice, {TENSION_PER_TURN:.0f} N/m a turn within a factor of {exp(SLOPE_SD):.1f}: "
                     "turn half, read, and plan again")
    return out, words
