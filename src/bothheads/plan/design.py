"""A design: what is built (size, films, opening) and how it is set (tensions, muffling), with its exact figures.

Tensions are given as the pitch of the pair: u = mean of ln(T/sigma) over both heads, d = ln(T/sigma) of the batter minus
that of the resonant head; d = 0 is both heads to one pitch.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import exp, log
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .. import units
from ..constants import LN_1000
from ..records import Drum, Head, Muffling, Opening
from ..roundness import roundness_db
from .job import Job, Part
from .muffling import KINDS
from .safety import film_bounds
from .sheet import response_s

if TYPE_CHECKING:
    from ..physics.system import ModeSet

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LOUD_S = 0.125  # s, over which loudness is averaged: the sound level meter's 'fast'
MOST_APART = 1.4  # |d|: the batter's own pitch up to an octave above or below the resonant head's
HOLE_AT = 0.55  # of the radius: an opening's centre, off the middle; common practice


@dataclass(frozen=True)
class Laid:
    """A way of muffling: ``make(size, radius)`` lays a thing of one size [m] between ``low`` and ``high``."""

    name: str
    make: Callable[[float, float], tuple[Muffling, ...]]
    low: float
    high: float
    things: int  # how many are laid on

    def limits(self, radius: float) -> tuple[float, float]:
        """Smallest and largest size [m] on a drum of ``radius`` [m]."""
        return self.low, min(self.high, (0.3 if self.name.startswith("pad") else 0.4) * radius)


def _one(index: int) -> Callable[[float, float], tuple[Muffling, ...]]:
    return lambda size, radius: (KINDS[index].make(size, radius),)


def _both(size: float, radius: float) -> tuple[Muffling, ...]:
    pad = KINDS[0].make(size, radius)
    return pad, replace(pad, heads=("resonant",))


def _nothing(size: float, radius: float) -> tuple[Muffling, ...]:
    return ()


BARE = Laid("none", _nothing, 0.0, 0.0, 0)
LAID: dict[str, Laid] = {k.name: k for k in (
    BARE, Laid("ring", _one(2), KINDS[2].low, KINDS[2].high, 1), Laid("strip", _one(1), KINDS[1].low, KINDS[1].high, 1),
    Laid("pad", _one(0), KINDS[0].low, KINDS[0].high, 1), Laid("pads", _both, KINDS[0].low, KINDS[0].high, 2))}


def size_words(drum: Drum) -> str:
    """Diameter x depth in inches."""
    return f"{units.inches_from_metres(drum.diameter):.3g} x {units.inches_from_metres(drum.depth):.3g} in"


@dataclass(frozen=True)
class Build:
    """What is bought: a drum without tensions; ``drum.muffling`` is what stays on it (an owned drum's own)."""

    drum: Drum
    owned: str | None = None  # its name in the log

    @property
    def opening_in(self) -> float:
        """Diameter of the opening [in], 0 when closed."""
        hole = self.drum.resonant.opening if self.drum.resonant else None
        return units.inches_from_metres(hole.diameter) if hole else 0.0

    @property
    def name(self) -> str:
        """Size (diameter x depth), films and opening in words."""
        d = self.drum
        films = " + ".join(f"{units.mil_from_surface_density(h.surface_density):.3g}" for h in (d.batter, d.resonant) if h)
        return f"{size_words(d)}, {films} mil, " + (f"{self.opening_in:.2g} in opening" if self.opening_in else "closed")


@dataclass(frozen=True)
class Setting:
    """How a build is set: u, d (see the module), a way of muffling and its size [m]."""

    u: float
    d: float
    laid: str = "none"
    size: float = 0.0


def rods_of(diameter_in: float) -> int:
    """Rods a head of this size usually has, common practice."""
    return 6 if diameter_in < 14 else 8 if diameter_in < 24 else 10


def build(diameter_in: float, depth_in: float, film_mil: float, resonant_mil: float, opening_in: float,
          resistance: float | None = None) -> Build:
    """A build from inches and mil; ``opening_in`` 0 = closed; ``resistance`` None = loss assumed."""
    diameter = units.metres_from_inches(diameter_in)
    hole = Opening(units.metres_from_inches(opening_in), HOLE_AT * diameter / 2.0, 0.0) if opening_in else None
    rods = rods_of(diameter_in)
    batter = Head(units.surface_density_from_mil(film_mil), rods, resistance=resistance)
    resonant = Head(units.surface_density_from_mil(resonant_mil), rods, resistance=resistance, opening=hole)
    return Build(Drum("", diameter, units.metres_from_inches(depth_in), batter, resonant))


def builds_of(job: Job, resistance: float | None = None) -> list[Build]:
    """Everything on offer, openings that the head has room for only."""
    loss = job.resistance if job.resistance is not None else resistance
    return [build(d, h, film, other, hole, loss)
            for d, h in job.sizes for film in job.films for other in job.resonant_films for hole in job.openings
            if hole / 2.0 + HOLE_AT * d / 2.0 < 0.47 * d]


def densities(drum: Drum) -> tuple[float, float]:
    """Surface densities [kg/m2] of both heads."""
    assert drum.resonant is not None
    return drum.batter.surface_density, drum.resonant.surface_density


def tensions(drum: Drum, u: Array | float, d: Array | float) -> tuple[Array, Array]:
    """Tensions [N/m] of batter and resonant head at u, d."""
    b, r = densities(drum)
    u, d = np.asarray(u, dtype=float), np.asarray(d, dtype=float)
    return np.asarray(b * np.exp(u + d / 2.0)), np.asarray(r * np.exp(u - d / 2.0))


def place_of(drum: Drum) -> tuple[float, float]:
    """u, d of a drum whose tensions are known."""
    assert drum.resonant is not None and drum.batter.tension and drum.resonant.tension
    b, r = densities(drum)
    first, second = log(drum.batter.tension / b), log(drum.resonant.tension / r)
    return (first + second) / 2.0, first - second


def reach(drum: Drum) -> tuple[float, float]:
    """Lowest and highest u at which both films, at one pitch, neither crease nor pass their working limit."""
    ends = [tuple(log(t / s) for t in film_bounds(s)) for s in densities(drum)]
    return max(e[0] for e in ends), min(e[1] for e in ends)


def set_up(build: Build, setting: Setting, part: Part) -> Drum:
    """The drum as set for one part of a job, in its place, with its name."""
    drum = build.drum
    first, second = (float(t) for t in tensions(drum, setting.u, setting.d))
    laid = LAID[setting.laid]
    drum = replace(drum, muffling=(*drum.muffling, *laid.make(setting.size, drum.radius)), floor=part.floor or drum.floor,
                   name=drum.name or build.name)
    return drum.with_head("batter", tension=first).with_head("resonant", tension=second)


def laid_words(setting: Setting, radius: float) -> str | None:
    """What to lay on, in words; None when nothing."""
    if setting.laid == "none":
        return None
    kind = KINDS[{"pad": 0, "pads": 0, "strip": 1, "ring": 2}[setting.laid]]
    words = kind.say(setting.size, "batter")
    return words + (" and the same on the resonant head" if setting.laid == "pads" else "")


@dataclass(frozen=True)
class Figures:
    """What was asked about, on the scales of the wishes (ln Hz, ln s, dB), of a drum with its tensions."""

    drum: Drum
    values: dict[str, float]  # note, tail, response, front, seat, roundness; NaN where there is none
    modes: ModeSet = field(compare=False, repr=False)


def loud_db(s: Complex, pressures: Complex) -> Array:
    """Level [dB re 20 uPa] of the sound in the first ``LOUD_S`` after the push: 10 lg of its mean square over that time.

    ``s`` (..., modes) [1/s] and ``pressures`` (..., modes, places) [Pa] at the end of the push. Modes are summed as they
    sound together, with their phases: p(t) = Re sum P exp(s t), so that neighbours that cancel do.
    """
    first, second = s[..., :, None], s[..., None, :]
    total = 0.0
    for other, turned in ((second, pressures), (second.conj(), pressures.conj())):
        x = (first + other) * LOUD_S
        gain = np.expm1(x) / x  # never zero: every mode decays or turns
        total = total + np.einsum("...ip,...ij,...jp->...p", pressures, gain, turned).real
    return np.asarray(10.0 * np.log10(np.maximum(total / 2.0, 1e-20) / 20e-6**2))


def figures_of(drum: Drum) -> Figures:
    """Exact figures of a drum with tensions at the reference places, whatever microphones it has."""
    from ..physics.coupled import default_fmax, solve
    from ..physics.forecast import note_of
    from ..physics.response import heard

    drum = replace(drum, microphones=())
    modes = solve(drum, fmax_hz=default_fmax(drum))
    note = note_of(modes)
    pressures = heard(modes, drum.strike, drum.places)
    levels = loud_db(modes.s, pressures)
    values = dict(zip((place.name for place in drum.places), map(float, levels), strict=True))
    known = note.frequency_hz is not None and note.decay_s is not None
    values |= {
        "note": log(note.frequency_hz) if known and note.frequency_hz else float("nan"),
        "tail": log(LN_1000 * note.decay_s) if known and note.decay_s else float("nan"),
        "response": log(response_s(drum, drum.batter.tension or 1.0)),
        "roundness": roundness_db(20.0 * np.log10(np.maximum(np.abs(pressures), 1e-15) / 20e-6)) or float("nan"),
    }
    return Figures(drum, values, modes)


def hertz(figures: Figures) -> float:
    """The note [Hz]."""
    return exp(figures.values["note"])
