"""What a choice is: designs, the limits that leave none, and what no design was tested for."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..records import Drum
from .carrying import Carried
from .cost import Scale
from .design import Build
from .hunt import Found, Hunt
from .job import Job

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
