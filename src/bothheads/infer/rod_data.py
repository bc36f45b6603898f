"""What a round of taps says in numbers, and how wide the prior of a head's unevenness is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log

import numpy as np
from numpy.typing import NDArray

from ..physics.uneven import Family
from .rod_model import LEVELS, PITCHES, rod_basis

Array = NDArray[np.float64]

PITCH_SD = 3.0 / 1731.0  # ln F of one family at one tap
LEVEL_SD = 1.5 / 8.686  # ln P of one family at one tap; half as much again where two families nearly meet
WIDE = 0.10  # prior sd of a harmonic of the pull before anything was read
_NARROWEST, _WIDEST = 0.01, 0.12  # between which the first reading sets it
_ALIKE = 0.6  # sd of ln(width of odd harmonics / width of even ones)
CENTS = 1200.0 / log(2.0)
_MIXING: tuple[Family, ...] = ((0, 2), (2, 2))


def stack(said: Mapping[Family, tuple[Array, Array]], rods: int, pitch_sd: Sequence[float] | None
          ) -> tuple[Array, Array, Array]:
    """Data (ln F, ln P), variances, and which tap's strength each level carries."""
    nothing = np.full(rods, np.nan)
    pitch = [np.asarray(said.get(f, (nothing, nothing))[0], float) for f in PITCHES]
    level = [np.asarray(said.get(f, (nothing, nothing))[1], float) for f in LEVELS]
    spread = np.full((len(PITCHES), rods), PITCH_SD**2)
    if pitch_sd is not None:
        spread[0] = np.maximum((np.asarray(pitch_sd) / pitch[0]) ** 2, (1.0 / CENTS) ** 2)
    loud = np.repeat([[(LEVEL_SD * (1.5 if f in _MIXING else 1.0)) ** 2] for f in LEVELS], rods, 1)
    strength = np.vstack([np.zeros((len(PITCHES) * rods, rods)), np.tile(np.eye(rods), (len(LEVELS), 1))])
    with np.errstate(divide="ignore", invalid="ignore"):
        y = np.log(np.r_[np.ravel(pitch), np.ravel(level)])
    y[~np.isfinite(y)] = np.nan
    return y, np.r_[spread.ravel(), loud.ravel()], strength


def widths(x: Array, S: Array, rods: int) -> Array:
    """Prior sd (N,) of every harmonic by evidence.

    ``x`` and ``S`` are the harmonics and their covariance after a reading with the prior ``WIDE``. The even ones (heard
    in pitches) and the odd ones (heard in levels) each get the width that makes what was measured likeliest; the two
    are held within a factor of two or so of each other. Tilt gets the wider.
    """
    p = rod_basis(rods)[2]
    told = np.clip(1.0 - S.diagonal()[: len(p)] / WIDE**2, 1e-3, 1.0)
    measured, noise = x[: len(p)] / told, S.diagonal()[: len(p)] / told
    grid = np.geomspace(_NARROWEST, _WIDEST, 25)

    def likely(which: NDArray[np.bool_]) -> Array:
        v = grid[:, None] ** 2 + noise[which]
        return np.asarray(-0.5 * (np.log(v) + measured[which] ** 2 / v).sum(1))

    both = likely((p > 1) & (p % 2 == 0))[:, None] + likely((p > 1) & (p % 2 == 1))
    both = both - 0.5 * (np.log(grid[:, None] / grid) / _ALIKE) ** 2
    even, odd = np.unravel_index(int(both.argmax()), both.shape)
    width = np.where(p % 2 == 0, grid[even], grid[odd])
    return np.asarray(np.where(p == 1, max(grid[even], grid[odd]), width))
