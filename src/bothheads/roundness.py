"""Roundness: how alike a drum sounds at several places. One definition for forecasts, takes and the page."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

FLOOR_DB = 45.0  # levels lower than this under a partial's loudest place count as this; so does 'not found'
RANGE_DB = 40.0  # partials weaker than this under the strongest say nothing about roundness


def clipped(levels: Sequence[Sequence[float | None]] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Levels [dB] of the partials that count, floored, (partials that count, places); None or NaN = not found there."""
    given = np.array([[np.nan if v is None else v for v in row] for row in levels], dtype=float)
    if given.size == 0:
        return np.zeros((0, 0))
    known = np.where(np.isnan(given), -np.inf, given)
    top = known.max(1)
    used = np.isfinite(top) & (top > top.max() - RANGE_DB)
    return np.asarray(np.maximum(known[used], top[used, None] - FLOOR_DB))


def roundness_db(levels: Sequence[Sequence[float | None]] | NDArray[np.float64]) -> float | None:
    """Rms [dB] over partials and pairs of places of the level difference; 0 = the same everywhere.

    ``levels`` (partials, places) [dB], all on one scale. None with fewer than two places or no partial.
    """
    rows = clipped(levels)
    if rows.shape[0] == 0 or rows.shape[1] < 2:
        return None
    pairs = [rows[:, i] - rows[:, j] for i, j in combinations(range(rows.shape[1]), 2)]
    return float(np.sqrt(np.mean(np.square(pairs))))


def pair_db(levels: Sequence[Sequence[float | None]] | NDArray[np.float64], a: int, b: int) -> float | None:
    """The same between two of the places; the floor still lies under the loudest of all places."""
    rows = clipped(levels)
    return float(np.sqrt(np.mean(np.square(rows[:, a] - rows[:, b])))) if rows.shape[0] else None
