"""What a round of taps says of the pull at the rods, linear where it must be: basis, slopes, prior gains.

Unknowns are harmonics e_p of the rim pull as sampled at the rods, in units of the mean pull. A harmonic p comes with its
alias N - p in the ratio in which the hoop makes them. Slopes are those of the EVEN head, with their exact zeros: what a
tap cannot tell at first order (tilt; odd harmonics in pitches) must not be credited with second-order scraps.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..constants import TENSION_PER_TURN
from ..physics.hoop import Mount, round_the_rim, usual_hoop
from ..physics.uneven import SMALL, Family, Film, even_pull
from ..records import Air

Array = NDArray[np.float64]

PITCHES: tuple[Family, ...] = ((1, 1), (2, 1), (3, 1), (1, 2), (4, 1), (2, 2))
LEVELS: tuple[Family, ...] = (*PITCHES, (0, 2))
_STEP = 1e-3


@lru_cache(maxsize=32)
def rod_basis(rods: int) -> tuple[Array, Array, Array]:
    """(D, D^-1, p): columns 1, cos, sin, cos 2, .. over the rods, and the harmonic of each column."""
    angle = 2.0 * np.pi * np.arange(rods) / rods
    columns: list[Array] = [np.ones(rods)]
    p = [0]
    for k in range(1, (rods + 1) // 2):
        columns += [np.cos(k * angle), np.sin(k * angle)]
        p += [k, k]
    if rods % 2 == 0:
        columns.append(np.asarray((-1.0) ** np.arange(rods)))
        p.append(rods // 2)
    D = np.stack(columns, 1)
    return D, np.asarray(np.linalg.inv(D)), np.array(p)


@dataclass(frozen=True)
class HeadSize:
    """What the model needs to know of a head. ``depth`` [m] to the head held still behind it, None = that head is off."""

    rods: int
    radius: float
    surface_density: float
    depth: float | None
    air: Air = field(default_factory=Air)

    @property
    def film(self) -> Film:
        """The film for its modes; the rim grips (a slipping one answers alike to 5 %, tilt apart)."""
        return Film(self.radius, self.surface_density, self.depth, air=self.air)


class RodModel:
    """Linear part and full model of one head at one mean tension [N/m]."""

    def __init__(self, size: HeadSize, tension: float) -> None:
        self.size, self.tension = size, tension
        self.D, self.inverse, self.p = rod_basis(size.rods)
        self.harmonics = int(self.p.max()) + 1
        mount = Mount(radius=size.radius, rods=size.rods, surface_density=size.surface_density,
                      hoop=usual_hoop(size.radius)).with_gain(TENSION_PER_TURN)
        self.angles = mount.angles
        per_eighth = mount.pull_per_turn() / 8.0
        self.ripple = np.diag(self.inverse @ round_the_rim(self.angles) @ per_eighth @ self.D)
        self.pull_of = per_eighth @ self.D / self.ripple
        self.gains = np.array([self.ripple[np.nonzero(self.p == k)[0][0]] for k in range(self.harmonics)]) / tension
        self.slope = self._slopes()

    def pull(self, e: Array) -> Array:
        """Rim pull's harmonics [N/m] for the harmonics ``e`` (N,) at the rods."""
        return np.asarray(even_pull(self.tension) + self.pull_of @ (e * self.tension))

    def says(self, e: Array) -> tuple[Array, Array]:
        """(ln F, ln P), (pitch families, rods) and (level families, rods), of the full model."""
        taps = self.size.film.taps(self.pull(e), self.angles, LEVELS, size=SMALL)
        return (np.log([taps[f][0] for f in PITCHES]), np.log([taps[f][1] for f in LEVELS]))

    def stacked(self, e: Array) -> Array:
        """``says`` as one vector: pitches family by family, then levels."""
        pitch, level = self.says(e)
        return np.asarray(np.r_[pitch.ravel(), level.ravel()])

    def _slopes(self) -> Array:
        rods = self.size.rods
        slope = np.empty(((len(PITCHES) + len(LEVELS)) * rods, rods))
        for j in range(rods):
            step = np.zeros(rods)
            step[j] = _STEP
            slope[:, j] = (self.stacked(step) - self.stacked(-step)) / (2.0 * _STEP)
        slope[:, self.p == 1] = 0.0  # a tilt moves all levels alike: hidden behind how hard one tapped
        return slope


@lru_cache(maxsize=16)
def rod_model(size: HeadSize, tension: float) -> RodModel:
    """The model, kept for the next reading of the same head."""
    return RodModel(size, tension)


def tension_from_pitch(size: HeadSize, pitch_hz: float) -> float:
    """Mean tension [N/m] of a head whose (1,1) pitch, the other head held, is ``pitch_hz`` [Hz]; T goes as f^2."""
    return _reference(size) * pitch_hz**2


@lru_cache(maxsize=16)
def _reference(size: HeadSize) -> float:
    heard = size.film.taps(even_pull(1000.0), np.zeros(1), ((1, 1),), size=SMALL)[1, 1][0]
    return float(1000.0 / heard[0] ** 2)
