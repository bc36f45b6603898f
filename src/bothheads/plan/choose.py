"""Which drum for a job: sizes, films, openings and muffling searched, tensions of both heads optimised, ranked on the front.

``plan.hunt`` looks at everything on offer by smooth surfaces and solves what promises most by the exact model. It does so
for the wishes as they are, and again with each wish counted fourfold, so that the front has its corners. Designs are then
sorted by the front they stand on (``plan.front``) and by cost. Nothing here was played.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from .choice import Choice
from .cost import Scale
from .design import builds_of
from .hunt import Hunt, Lattice
from .job import Job, parse_job
from .limits import note_missed, refusal, within_limits
from .ranking import ranked
from .settling import Clock, Progress, Stopped, first_of_a_size, search


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
    builds, blocked = within_limits(asked, builds_of(asked, resistance))
    if not builds:
        return Choice(asked, (), Scale(), blocked, refusal(blocked))
    clock = Clock(progress, stop, len(builds) * len(asked.parts))
    hunt: Hunt | None = None
    stopped = False
    try:
        first, others = first_of_a_size(builds)
        hunt = Hunt(asked, first, lattice=lattice, laid=laid, tick=clock.tick)
        search(hunt, others, clock)
    except Stopped:
        stopped = True
    if hunt is None:
        return Choice(asked, (), Scale(), (), "stopped before the first design was solved", True)
    designs = ranked(hunt)
    counts = {"designs": len(hunt.builds), "states": hunt.states, "solved": hunt.solves}
    if not designs:
        why = "stopped before the first design was solved" if stopped else "no film on offer reaches what was asked"
        return Choice(asked, (), hunt.scale, (), why, stopped, counts, hunt)
    missed = note_missed(asked, designs)
    if missed is not None and not stopped:
        return Choice(asked, designs, hunt.scale, (missed,), missed.words, False, counts, hunt)
    return Choice(asked, designs, hunt.scale, (), None, stopped, counts, hunt)
