"""How far a setting misses a job, wish by wish, in steps that are surely heard; their weighed sum is its cost.

A wish with a range costs nothing inside it and a step for every step beyond; a wish for 'as much as can be' costs a step
for every step below the best that was found among designs that meet the rest (``Scale``). Three things cost without being
asked: film near its creases or its limit, a note outside what is customary for the size, and every thing laid on a head.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log

import numpy as np
from numpy.typing import NDArray

from ..records import Drum
from .design import Build, tensions
from .job import STEPS, Criterion, Part
from .kit import good_range
from .safety import film_bounds
from .wish import SEMITONE

Array = NDArray[np.float64]

NEAR_CREASES = 1.3  # times the tension of the last crease: below that it starts to cost
NEAR_LIMIT = 0.7  # times the film's working tension: above that it starts to cost
FILM_STEP = 0.1  # of ln T: one step
PRACTICE = {True: 0.5, False: 2.0}  # steps per semitone outside the customary range: where a note was asked; where not
KILOGRAM = 0.01  # step: of two equal designs the lighter one
THING = 0.1  # step per thing that is laid on a head
EIGHTH = 0.01  # step per eighth of a turn between two jobs, each head


@dataclass(frozen=True)
class Scale:
    """The best value of every wish for as much or as little as can be, by its key."""

    ideals: Mapping[str, float] = field(default_factory=dict)

    def ideal(self, wish: Criterion) -> float:
        """That value; 0 where none was found yet."""
        return self.ideals.get(wish.key, 0.0)


def miss(wish: Criterion, values: Array, scale: Scale) -> Array:
    """Steps by which ``values`` miss a wish; values on the wish's own scale, NaN misses by far."""
    step = STEPS[wish.what]
    if wish.aim == "range":
        low, high = wish.ends
        off = np.maximum(np.maximum(low - values, values - high), 0.0) / step
    else:
        sign = 1.0 if wish.aim == "most" else -1.0
        off = sign * (scale.ideal(wish) - values) / step
    return np.asarray(np.nan_to_num(off, nan=100.0))


def film_miss(drum: Drum, u: Array, d: Array) -> Array:
    """Steps for film near its ends, both heads; infinite where film creases or passes its working limit."""
    assert drum.resonant is not None
    total = np.zeros(np.shape(u))
    for tension, head in zip(tensions(drum, u, d), (drum.batter, drum.resonant), strict=True):
        low, high = film_bounds(head.surface_density)
        x = np.log(tension)
        total = total + np.maximum(log(NEAR_CREASES * low) - x, 0.0) / FILM_STEP
        total = total + np.maximum(x - log(NEAR_LIMIT * high), 0.0) / FILM_STEP
        total = np.where((tension < low * (1 - 1e-9)) | (tension > high * (1 + 1e-9)), np.inf, total)
    return np.asarray(total)


def practice_miss(build: Build, part: Part, use: str, note: Array) -> Array:
    """Steps for a note [ln Hz] outside what is customary for the size (common practice, no source)."""
    low, high = (log(hz) for hz in good_range(build.drum.diameter, use))
    outside = np.maximum(np.maximum(low - note, note - high), 0.0) / SEMITONE
    return np.asarray(np.nan_to_num(PRACTICE[part.wish("note") is not None] * outside, nan=100.0))


def part_misses(build: Build, part: Part, use: str, values: Mapping[str, Array], u: Array, d: Array,
                things: NDArray[np.int_], scale: Scale) -> dict[str, Array]:
    """Every part of the cost of settings (n,) of one job, by key; ``things`` (n,) are how many are laid on."""
    out = {wish.key: miss(wish, values[wish.what], scale) for wish in part.criteria}
    out[f"{part.name}.film"] = film_miss(build.drum, u, d)
    out[f"{part.name}.practice"] = practice_miss(build, part, use, values["note"])
    out[f"{part.name}.things"] = np.asarray(THING * things, dtype=float)
    return out


def weighed(misses: Mapping[str, Array], weights: Mapping[str, float]) -> Array:
    """The sum of misses, each times its weight (1 where none is given)."""
    total = np.zeros(np.shape(next(iter(misses.values()))))
    for key, value in misses.items():
        total = total + weights.get(key, 1.0) * value
    return np.asarray(total)


