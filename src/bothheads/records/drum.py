"""The drum as it stands: heads, opening, muffling, strike, microphones, floor, air."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

from ..constants import (
    AIR_DENSITY,
    ASSUMED_RESISTANCE,
    ASSUMED_STIFFNESS_LOSS,
    SPEED_OF_SOUND,
    STRIKE_DURATION,
    STRIKE_FORCE,
    STRIKE_RADIUS_SD,
)

HeadName = Literal["batter", "resonant"]
HEADS: tuple[HeadName, HeadName] = ("batter", "resonant")


@dataclass(frozen=True)
class Air:
    """Air in and around the drum. ``temperature_c`` etc. are kept as given; c and rho follow from them."""

    speed_of_sound: float = SPEED_OF_SOUND  # m/s
    density: float = AIR_DENSITY  # kg/m3
    temperature_c: float | None = None
    humidity_percent: float | None = None
    pressure_hpa: float | None = None


@dataclass(frozen=True)
class Opening:
    """A round hole in the resonant head, centre (x, y) [m] on the head's plane, free edge."""

    diameter: float  # m
    x: float = 0.0  # m
    y: float = 0.0  # m


@dataclass(frozen=True)
class Head:
    """One head: film, tension and losses. ``tension`` None = not known, ``resistance`` None = assumed."""

    surface_density: float  # kg/m2, film without patches and rings
    rods: int = 8
    first_rod_deg: float = 0.0  # deg clockwise from +y, facing this head
    tension: float | None = None  # N/m, mean over the head
    resistance: float | None = None  # N s/m3, loss proportional to the film's velocity
    stiffness_loss: float | None = None  # s, T (1 + stiffness_loss d/dt)
    plies: int = 1
    opening: Opening | None = None  # resonant head only

    @property
    def resistance_used(self) -> float:
        """Resistance [N s/m3] that the model uses: the given one, else the assumed one."""
        return ASSUMED_RESISTANCE if self.resistance is None else self.resistance

    @property
    def stiffness_loss_used(self) -> float:
        """Stiffness loss [s] that the model uses: the given one, else the assumed one."""
        return ASSUMED_STIFFNESS_LOSS if self.stiffness_loss is None else self.stiffness_loss


@dataclass(frozen=True)
class Muffling:
    """Something that touches the film. ``mass`` is per head touched, spread over the whole area.

    pad, patch: disc at (x, y) of ``radius``; strip: straight across at ``y`` of ``width``; ring: ``width``
    inwards from the edge; filling: loose stuff lying at the bottom of the shell against the heads.
    """

    kind: Literal["pad", "patch", "strip", "ring", "filling"]
    heads: tuple[HeadName, ...] = ("batter",)
    x: float = 0.0  # m
    y: float = 0.0  # m
    radius: float | None = None  # m
    width: float | None = None  # m
    mass: float = 0.0  # kg per head touched
    resistance: float = 0.0  # N s/m3 over its area
    stiffness: float = 0.0  # N/m3 over its area, to the other head or to the shell


@dataclass(frozen=True)
class Strike:
    """A raised-cosine push on the batter, Gaussian spot at (x, y)."""

    x: float = 0.03  # m
    y: float = 0.0  # m
    force: float = STRIKE_FORCE  # N, peak
    duration: float = STRIKE_DURATION  # s
    radius_sd: float = STRIKE_RADIUS_SD  # m


@dataclass(frozen=True)
class Microphone:
    """A place where sound is heard or taken [m], with its name."""

    name: str
    x: float
    y: float
    z: float


@dataclass(frozen=True)
class Floor:
    """A reflecting plane near the drum: below a lying drum, under the resonant head of an upright one."""

    gap: float  # m between the floor and the drum's nearest point
    reflection: float = 0.9  # pressure reflection, 0 (none) to 1 (rigid)
    upright: bool = False  # True: the drum's axis is vertical, the floor lies beyond the resonant head


@dataclass(frozen=True)
class Drum:
    """A drum as it stands. ``resonant`` None = the drum has no resonant head."""

    name: str
    diameter: float  # m
    depth: float  # m
    batter: Head
    resonant: Head | None
    muffling: tuple[Muffling, ...] = ()
    strike: Strike = field(default_factory=Strike)
    microphones: tuple[Microphone, ...] = ()
    air: Air = field(default_factory=Air)
    wires_on: bool = False  # snare wires: readings say so and the fit is refused
    floor: Floor | None = None  # None: free field

    @property
    def radius(self) -> float:
        """Radius [m]."""
        return self.diameter / 2.0

    @property
    def places(self) -> tuple[Microphone, ...]:
        """The drum's microphones, else the four reference places."""
        return self.microphones or reference_places(self.depth)

    def head(self, name: HeadName) -> Head:
        """The head called ``name``; ValueError when the drum has none of that name."""
        found = self.batter if name == "batter" else self.resonant
        if found is None:
            raise ValueError("this drum has no resonant head")
        return found

    def with_head(self, name: HeadName, **changes: Any) -> Drum:
        """A copy of the drum with fields of one head replaced."""
        head = replace(self.head(name), **changes)
        return replace(self, batter=head) if name == "batter" else replace(self, resonant=head)


def reference_places(depth: float) -> tuple[Microphone, ...]:
    """The four reference places [m] of a drum ``depth`` [m] deep: seat, front, side, top."""
    return (
        Microphone("seat", 0.0, 0.45, -0.45),
        Microphone("front", 0.0, 0.0, depth + 0.6),
        Microphone("side", 0.9, 0.0, depth / 2.0),
        Microphone("top", 0.0, 0.8, depth / 2.0),
    )
