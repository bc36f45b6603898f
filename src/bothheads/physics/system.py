"""A drum as matrices, and its modes: what ``coupled`` solves and everything else of the model reads.

Z(s) = s^2 (M + rho a W(s a/c)) + s R + K over the film modes of both heads; W is the air's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from math import pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..records import HEADS, Drum, HeadName
from .airload import AirLoad, Loss
from .membrane import Array

if TYPE_CHECKING:
    from .mixture import Mixture

Complex = NDArray[np.complex128]
Index = NDArray[np.int_]

SLOPE_NAMES = ("Tb", "Tr", "sigma_b", "sigma_r", "Rb", "Rr", "beta")


@dataclass(frozen=True)
class Options:
    """What the model takes in beyond the drum file.

    ``wall_loss`` None: viscosity and heat conduction at the walls where the air is known by its temperature; air
    given by c and rho alone is an ideal fluid. ``film_grid`` [m] is for comparison with grid solvers only:
    k -> k (1 - (k h)^2 / 24).
    """

    wall_loss: bool | None = None
    film_grid: float | None = None
    films: int | None = None
    orders: int | None = None


DEFAULT = Options()


@dataclass(frozen=True, eq=False)
class System:
    """Matrices of a round drum for orders m = 0..orders-1, rows (batter films, resonant films)."""

    drum: Drum
    air: AirLoad
    mass: Array  # (orders, 2N, 2N)
    resistance: Array
    stiffness: Array
    wavenumber2: Array  # (orders, 2N): k^2 of every film function, 0 where there is no film
    loss: Loss | None

    @property
    def films(self) -> int:
        """Film functions per order and head."""
        return self.air.films

    def impedance(self, order: Index, s: Complex) -> tuple[Complex, Complex]:
        """Z and dZ/ds (modes, 2N, 2N) [Pa/m and Pa s/m] at complex ``s`` [1/s]."""
        scale = self.drum.radius / self.drum.air.speed_of_sound
        weight = self.drum.air.density * self.drum.radius
        w, dw = self.air.load(order, s * scale, self.loss)
        t = s[:, None, None]
        inertia = self.mass[order] + weight * w
        z = t * t * inertia + t * self.resistance[order] + self.stiffness[order]
        dz = 2 * t * inertia + (t * t * weight * scale) * dw + self.resistance[order]
        return z, dz


@dataclass(frozen=True, eq=False)
class ModeSet:
    """Modes in order of frequency. Displacement of either film: sum of ``vectors`` times film functions.

    ``order`` is m, or -1 where orders mix; ``norms`` = v' Z'(s) v with v'v = 1. For a round drum ``vectors`` is
    (modes, 2N), else rows follow ``mixture``.
    """

    drum: Drum
    system: System
    s: Complex
    order: Index
    vectors: Complex
    norms: Complex
    mixture: Mixture | None = field(default=None, repr=False)

    def __len__(self) -> int:
        return len(self.s)

    @property
    def frequency_hz(self) -> Array:
        """Frequencies [Hz]."""
        return np.asarray(self.s.imag / (2 * pi))

    @property
    def decay_s(self) -> Array:
        """Amplitude e-folding times [s]; infinite where nothing takes energy."""
        with np.errstate(divide="ignore"):
            return np.asarray(np.where(self.s.real < 0, -1.0 / self.s.real, np.inf))

    def slopes(self) -> Complex:
        """ds/d ln p for p in ``SLOPE_NAMES`` (tensions, surface densities, resistances, stiffness loss), (modes, 7).

        Exact: - v' (dZ/d ln p) v / v' Z' v.
        """
        if self.mixture is not None:
            return self.mixture.slopes(self)
        n, d = self.system.films, self.drum
        square = self.vectors**2
        k2 = self.system.wavenumber2[self.order]
        out = np.zeros((len(self.s), 7), complex)
        for i, (name, part) in enumerate(zip(HEADS, (slice(0, n), slice(n, 2 * n)), strict=True)):
            head = d.batter if name == "batter" else d.resonant
            if head is None:
                continue
            stiff = tension_of(d, name) * np.einsum("jn,jn->j", square[:, part], k2[:, part])
            total = square[:, part].sum(1)
            beta = head.stiffness_loss_used
            out[:, i] = stiff * (1 + beta * self.s)
            out[:, 2 + i] = self.s**2 * head.surface_density * total
            out[:, 4 + i] = self.s * head.resistance_used * total
            out[:, 6] += self.s * beta * stiff
        return -out / self.norms[:, None]

    @cached_property
    def same_sense(self) -> Array:
        """Share [0-1] of every mode's film motion in which both films move together as (0,1)."""
        if self.mixture is not None:
            return self.mixture.same_sense(self)
        n = self.system.films
        motion = np.abs(self.vectors) ** 2
        if self.drum.resonant is None:
            return np.asarray(np.where(self.order == 0, motion[:, 0] / motion[:, :n].sum(1), 0.0))
        together = np.abs(self.vectors[:, 0] + self.vectors[:, n]) ** 2 / 2.0
        return np.asarray(np.where(self.order == 0, together / motion.sum(1), 0.0))


def tension_of(drum: Drum, name: HeadName) -> float:
    """Tension [N/m] of a head; a sentence when it is not known."""
    value = drum.head(name).tension
    if value is None:
        raise InputError(f"the tension of the {name} head is not known: give {name}.tension or fit a take first.")
    return value
