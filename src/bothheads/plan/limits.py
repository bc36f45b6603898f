"""Limits of a job that no design may pass: boot, weight, the opening's room; and a note that no size reaches."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp

import numpy as np

from ..units import cents
from .carrying import carried, shortfall_m
from .choice import Blocked, Design
from .design import Build
from .job import Job

TOO_FAR_CENTS = 100.0  # further from the note than this is no answer


def within_limits(job: Job, builds: list[Build]) -> tuple[list[Build], tuple[Blocked, ...]]:
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


def refusal(blocked: Sequence[Blocked]) -> str:
    return "nothing on offer can be carried: " + "; ".join(b.words for b in blocked) + "."


def note_missed(job: Job, designs: Sequence[Design]) -> Blocked | None:
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
