"""Every mode of a drum with its exact slopes, keyed so that it can be followed while tensions change.

Within one order m the modes of a drum keep their sequence while tensions change (they veer, they do not
cross), so (m, rank) names the same partial before and after a turn. Where a pad or an opening mixes the
orders, m is None and the rank counts all modes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, HeadName

Array = NDArray[np.float64]
Key = tuple[int | None, int]
LOWEST_HZ = 3.0


@dataclass(frozen=True)
class Rung:
    """One mode. Slopes are relative per relative change: d ln f / d ln T, d ln tau / d ln T, d ln tau / d ln R."""

    key: Key
    frequency_hz: float
    decay_s: float
    pitch_slope: tuple[float, float]  # batter, resonant
    decay_slope: tuple[float, float]
    loss_slope: tuple[float, float]
    film_slope: tuple[float, float] = (0.0, 0.0)  # d ln f / d ln surface density


def rungs(drum: Drum, *, fmax_hz: float | None = None) -> tuple[Rung, ...]:
    """All modes of a drum with known tensions to ``fmax_hz`` [Hz] (default: as far as a forecast goes)."""
    from ..physics.coupled import default_fmax

    return _rungs(drum, fmax_hz or default_fmax(drum))


@lru_cache(maxsize=128)
def _rungs(drum: Drum, fmax_hz: float) -> tuple[Rung, ...]:
    from ..physics.coupled import solve

    modes = solve(drum, fmax_hz=fmax_hz)
    slopes = modes.slopes()
    pitch = slopes.imag / modes.s.imag[:, None]
    decay = slopes.real / np.maximum(-modes.s.real, 1e-6)[:, None]
    seen: dict[int, int] = {}
    out = []
    for i in range(len(modes)):
        if modes.frequency_hz[i] < LOWEST_HZ:
            continue  # the air of an open shell, not a partial
        order = int(modes.order[i])
        rank = seen[order] = seen.get(order, -1) + 1
        out.append(Rung((None if order < 0 else order, rank), float(modes.frequency_hz[i]), float(modes.decay_s[i]),
                        _two(pitch[i, 0:2]), _two(decay[i, 0:2]), _two(decay[i, 4:6]), _two(pitch[i, 2:4])))
    return tuple(out)


def _two(values: Array) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def known_tensions(drum: Drum) -> tuple[float, float] | None:
    """Tensions [N/m] of batter and resonant head, the second 1 when there is no such head; None when unknown."""
    if drum.batter.tension is None or (drum.resonant is not None and drum.resonant.tension is None):
        return None
    return drum.batter.tension, (drum.resonant.tension or 1.0) if drum.resonant else 1.0


def with_tensions(drum: Drum, batter: float, resonant: float) -> Drum:
    """The drum with both tensions [N/m] set; ``resonant`` is ignored when there is no resonant head."""
    out = drum.with_head("batter", tension=float(batter))
    return out if drum.resonant is None else out.with_head("resonant", tension=float(resonant))


def with_tension(drum: Drum, head: HeadName, tension: float) -> Drum:
    """The drum with one head's tension [N/m] set."""
    return drum.with_head(head, tension=float(tension))
