"""Which lines of a round of taps belong to which family of modes: one assignment by frequency and by level.

Lines are shared by all taps; a family m > 0 owns two of them (one when they cannot be told apart), m = 0 one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..physics.uneven import SMALL, Family
from ..records import TapReading
from .rod_model import LEVELS, RodModel

Array = NDArray[np.float64]

_FREQUENCY_SD = 0.012  # ln f, the model's air and film against the drum's, (1,1) made to agree
_LEVEL_SD = 0.8  # ln of a component's level, mean over the rods
_FARTHEST = 16.0  # cost beyond which a line stays without a name
_MODES = 24
_WEAK = 1e-3  # amplitude relative to the tap's strongest below which a line is not heard there


def lines_of(reading: TapReading) -> tuple[Array, Array]:
    """(frequencies (K,) [Hz], amplitudes (K, taps), 0 where not heard) of the lines that all taps share."""
    hertz = sorted({round(f, 6) for tap in reading.taps for f, _ in tap.partials})
    where = {f: k for k, f in enumerate(hertz)}
    amplitude = np.zeros((len(hertz), len(reading.taps)))
    for i, tap in enumerate(reading.taps):
        for f, level in tap.partials:
            amplitude[where[round(f, 6)], i] = 10.0 ** (level / 20.0)
    return np.array(hertz), amplitude


def families_of(reading: TapReading, model: RodModel, harmonics: Array) -> dict[Family, tuple[Array, Array]]:
    """F [Hz] and P (linear level) of each family at each rod, named with the pull as known so far.

    ``harmonics`` (rods,): the estimate of e, zeros at first. (1,1) is taken from ``reading.pair_hz``.
    """
    hertz, amplitude = lines_of(reading)
    modes = model.size.film.modes(model.pull(harmonics), size=SMALL)
    names = modes.families(_MODES)
    expected = modes.omega[:_MODES] / (2.0 * np.pi)
    inset = np.full(len(model.angles), 1.0 - 0.028 / model.size.radius)
    level = modes.squared(inset, model.angles, _MODES)
    pair = [k for k, name in enumerate(names) if name == (1, 1)]
    assert reading.pair_hz is not None
    scale = float(np.mean(reading.pair_hz) / np.mean(expected[pair]))
    owner = _assign(hertz, amplitude, expected * scale, level, names, reading.pair_hz)
    said = {}
    for family in LEVELS:
        mine = amplitude * (owner == names_index(family))[:, None]
        total = mine.sum(0)
        with np.errstate(invalid="ignore", divide="ignore"):
            said[family] = (np.where(total > _WEAK, (hertz @ mine) / total, np.nan), np.where(total > _WEAK, total, np.nan))
    return said


def names_index(family: Family) -> int:
    """A number for a family, for arrays of owners."""
    return 100 * family[0] + family[1]


def _assign(hertz: Array, amplitude: Array, expected: Array, level: Array, names: list[Family],
            pair: tuple[float, float]) -> NDArray[np.intp]:
    """Owner of each line as ``names_index``, -1 for none."""
    from scipy.optimize import linear_sum_assignment

    strength = _strengths(amplitude, level)
    loud = np.log(np.maximum((amplitude / strength).mean(1), 1e-9))
    modelled = np.log(np.maximum(level.mean(0), 1e-9))
    cost = (np.log(hertz[:, None] / expected) / _FREQUENCY_SD) ** 2 + np.minimum(
        ((loud[:, None] - modelled) / _LEVEL_SD) ** 2, 9.0)
    first = np.array([name == (1, 1) for name in names])
    own = np.isclose(hertz, pair[0], atol=1e-4) | np.isclose(hertz, pair[1], atol=1e-4)
    cost[np.ix_(own, ~first)] = 1e6
    cost[np.ix_(~own, first)] = 1e6
    cost[np.ix_(own, first)] = 0.0
    padded = np.hstack([cost, np.full((len(hertz), len(hertz)), _FARTHEST)])
    row, column = linear_sum_assignment(padded)
    owner = np.full(len(hertz), -1)
    for r, c in zip(row, column, strict=True):
        if c < len(names) and cost[r, c] < _FARTHEST:
            owner[r] = names_index(names[c])
    return owner


def _strengths(amplitude: Array, level: Array) -> Array:
    """How hard each tap was, (taps,): its summed level over the model's."""
    return np.asarray(np.maximum(amplitude.sum(0) / np.maximum(level.sum(1), 1e-12), 1e-12))
