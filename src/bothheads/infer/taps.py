"""A round of taps as evidence of a head's tension: its (1,1) pitch, the other head held still, stands alone.

ln T = ln T0 + e ln(sigma / sigma0) with sd 2 sd(ln f): T0 is the tension that gives the heard pitch at the nominal film
mass, e (a little under 1, as air moves with the film) the slope at a fixed pitch. One row on the fit's unknowns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..records import HEADS, Drum, HeadName, TapReading
from .rod_model import HeadSize, tension_from_pitch
from .scoring import Prior

Array = NDArray[np.float64]

HELD_SD = 0.012  # ln f: a hand does not hold the other head quite still (common practice, no source)
FEWEST_TAPS = 3


def head_size(drum: Drum, name: HeadName) -> HeadSize:
    """What the rods' model needs of one head of a drum."""
    head = drum.head(name)
    depth = drum.depth if drum.resonant is not None else None
    return HeadSize(head.rods, drum.radius, head.surface_density, depth, drum.air)


def says_enough(round_: TapReading) -> bool:
    """Whether a round was read and has three pitches."""
    return round_.refused is None and sum(1 for t in round_.taps if t.rod_pitch_hz) >= FEWEST_TAPS


def tapped_pitch(round_: TapReading) -> tuple[float, float]:
    """Mean (1,1) pitch of a round [Hz], over rods, and its relative sd, the hand's hold included.

    Raises
    ------
    InputError
        When the round was refused, or fewer than three taps have a pitch.
    """
    if not says_enough(round_):
        raise InputError(round_.refused or "a round of taps says a tension only with three pitches: tap near each rod again.")
    logs = np.log([t.rod_pitch_hz for t in round_.taps if t.rod_pitch_hz])
    return float(np.exp(logs.mean())), hypot(HELD_SD, float(logs.std(ddof=1)) / sqrt(len(logs)))


def with_taps(prior: Prior, drum: Drum, rounds: Mapping[HeadName, TapReading]) -> Prior:
    """The prior joined with what rounds of taps say; unknowns as in ``scoring``: u, d, ln film masses, losses."""
    mean: Array = prior.mean
    precision: Array = prior.precision
    for name, round_ in rounds.items():
        if name == "resonant" and drum.resonant is None:
            raise InputError("this drum has no resonant head that could be tapped.")
        pitch, sd = tapped_pitch(round_)
        size = head_size(drum, name)
        heavier = replace(size, surface_density=1.01 * size.surface_density)
        there = log(tension_from_pitch(size, pitch))
        slope = (log(tension_from_pitch(heavier, pitch)) - there) / log(1.01)
        i = HEADS.index(name)
        row = np.zeros(len(mean))
        row[0], row[2 + i] = 1.0, -slope
        if drum.resonant is not None:
            row[1] = 0.5 if name == "batter" else -0.5
        weight = 1.0 / (2.0 * sd) ** 2
        joined = precision + weight * np.outer(row, row)
        mean = np.asarray(np.linalg.solve(joined, precision @ mean + weight * there * row))
        precision = joined
    return Prior(mean, precision, prior.free)
