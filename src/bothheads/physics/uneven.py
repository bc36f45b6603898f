"""Modes of a head whose pull is not the same all round, the other head held still, and what a tap near a rod says.

sigma w'' = div(N grad w) by Ritz on J_m(j_mn r/a) cos|sin m theta, one stiffness matrix per harmonic of the rim pull;
still air on both sides as a mass matrix (baffled outside, the cavity's modes before a wall inside); a closed drum adds
rho c^2/V (int w)^2. Families mix where they nearly meet: one air factor a mode would not do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..constants import FILM_POISSON
from ..records import Air
from .bessel import bessel_j, bessel_zeros
from .cavity import duct_modes, film_on_duct
from .hoop import HARMONICS, Edge, plane_stress
from .membrane import baffled_mass, film_modes

Array = NDArray[np.float64]
Family = tuple[int, int]

PULL_HARMONICS = 16  # of the rim pull that the stiffness keeps
TAP_INSET = 0.028  # m inside the hoop
SMALL: tuple[int, int] = (6, 4)  # orders 0..6, four of each: 52 functions, 0.3 ms a state, for estimators
FULL: tuple[int, int] = (8, 6)  # 102 functions


@lru_cache(maxsize=4)
def functions(size: tuple[int, int]) -> tuple[tuple[int, int, bool], ...]:
    """(m, n, sine) of every basis function."""
    orders, count = size
    return tuple((m, n, sine) for m in range(orders + 1) for n in range(1, count + 1)
                 for sine in ((False, True) if m else (False,)))


def _radial(size: tuple[int, int], x: Array) -> tuple[dict[Family, Array], dict[Family, Array]]:
    """psi and its slope at x = r/a, unit mean square over the disc together with cos or sin."""
    value, slope = {}, {}
    for m in range(size[0] + 1):
        zeros = bessel_zeros(m, size[1])
        norm = 1.0 / sqrt(pi * (2.0 if m == 0 else 1.0))
        psi = norm * film_modes(m, size[1], x)
        scale = norm * sqrt(2.0) / bessel_j(m + 1, zeros)[m + 1]
        j = bessel_j(m + 1, zeros[:, None] * x)
        steep = scale[:, None] * (m * j[m] / x - zeros[:, None] * j[m + 1])
        for n in range(size[1]):
            value[m, n + 1], slope[m, n + 1] = psi[n], steep[n]
    return value, slope


def shapes(size: tuple[int, int], x: Array, angle: Array) -> Array:
    """Every basis function at points (x = r/a, angle), shape (points, functions)."""
    value, _ = _radial(size, np.asarray(x, dtype=float))
    return np.stack([value[m, n] * (np.sin(m * angle) if sine else np.cos(m * angle))
                     for m, n, sine in functions(size)], -1)


@lru_cache(maxsize=32)
def _tap_shapes(size: tuple[int, int], x: float, angles: tuple[float, ...]) -> Array:
    return shapes(size, np.full(len(angles), x), np.array(angles))


@lru_cache(maxsize=8)
def stiffness(size: tuple[int, int], poisson: float, edge: Edge) -> tuple[Array, Array]:
    """Stiffness (2P + 1, F, F) per harmonic [q0, c1.., s1..] of the rim pull, and the integral (F,) of each function."""
    nodes, weights = np.polynomial.legendre.leggauss(44)
    r, w = 0.5 * (nodes + 1.0), 0.5 * weights
    angles = 2.0 * pi * np.arange(48) / 48
    value, slope = _radial(size, r)
    count = len(functions(size))
    along = np.empty((len(r), 48, count))
    across = np.empty_like(along)
    flat = np.empty_like(along)
    for i, (m, n, sine) in enumerate(functions(size)):
        part, other = (np.sin(m * angles), np.cos(m * angles)) if sine else (np.cos(m * angles), -np.sin(m * angles))
        along[:, :, i] = slope[m, n][:, None] * part
        across[:, :, i] = (m * value[m, n] / r)[:, None] * other
        flat[:, :, i] = value[m, n][:, None] * part
    area = np.repeat(w * r, 48) * 2.0 * pi / 48
    points = along.reshape(-1, count), across.reshape(-1, count)
    kept = [_stiffness_of(p, sine, r, angles, area, points, poisson, edge)
            for sine in (False, True) for p in range(int(sine), PULL_HARMONICS + 1)]
    return np.array(kept), area @ flat.reshape(-1, count)


def _stiffness_of(p: int, sine: bool, r: Array, angles: Array, area: Array, points: tuple[Array, Array],
                  poisson: float, edge: Edge) -> Array:
    along, across = points
    c, s = (np.sin(p * angles), -np.cos(p * angles)) if sine else (np.cos(p * angles), np.sin(p * angles))
    rr, tt, rt = (np.outer(radial, turn).ravel() * area
                  for radial, turn in zip(plane_stress(p, r, poisson=poisson, edge=edge), (c, c, s), strict=True))
    mixed = along.T @ (rt[:, None] * across)
    return np.asarray(along.T @ (rr[:, None] * along) + across.T @ (tt[:, None] * across) + mixed + mixed.T)


def cavity_mass(m: int, films: int, depth: float) -> Array:
    """Mass matrix (films, films) of still air before a wall ``depth`` radii behind, in rho a; no spring in it.

    sum over duct modes of coth(mu L)/mu; the plane wave's slug counts L/3.
    """
    mu, _ = duct_modes(m, 24)
    safe = np.where(mu > 0, mu, 1.0)
    load = np.where(mu > 0, 1.0 / (np.tanh(safe * depth) * safe), depth / 3.0)
    c = film_on_duct(m, films, 24)
    return np.asarray((c.T * load) @ c)


@lru_cache(maxsize=64)
def _whitener(size: tuple[int, int], depth: float | None, ratio: float) -> Array:
    """L with L (1 + ratio A) L^T = 1, A the air's mass in rho a on both sides, ratio = rho a / sigma."""
    names = functions(size)
    mass = np.eye(len(names))
    blocks = {}
    for m in range(size[0] + 1):
        outside = baffled_mass(m, size[1])
        blocks[m] = outside + (outside if depth is None else cavity_mass(m, size[1], depth))
    for i, (m, n, sine) in enumerate(names):
        for k, (m2, n2, sine2) in enumerate(names):
            if (m, sine) == (m2, sine2):
                mass[i, k] += ratio * blocks[m][n - 1, n2 - 1]
    return np.asarray(np.linalg.inv(np.linalg.cholesky(mass)))


@dataclass(frozen=True)
class Modes:
    """Modes of a head: angular frequencies [rad/s], coefficients (functions, modes), family (m, n) of the first ones."""

    omega: Array
    coefficients: Array
    size: tuple[int, int]

    def families(self, count: int) -> list[Family]:
        """Names by largest share, two modes a family (one for m = 0): one best assignment, not one by one."""
        from scipy.optimize import linear_sum_assignment

        slots, add = _slots(self.size)
        _, column = linear_sum_assignment(-(add @ self.coefficients[:, :count] ** 2).T)
        return [slots[c] for c in column]

    def squared(self, x: Array, angle: Array, count: int) -> Array:
        """Squared shapes (points, count) at x = r/a, unit mean square integral over the unit disc."""
        return np.asarray((shapes(self.size, x, angle) @ self.coefficients[:, :count]) ** 2)


@lru_cache(maxsize=4)
def _slots(size: tuple[int, int]) -> tuple[list[Family], Array]:
    names = [(m, n) for m, n, _ in functions(size)]
    return names, np.array([[a == b for b in names] for a in names], float)


@dataclass(frozen=True)
class Film:
    """A head as a film: what its modes need besides the pull. ``depth`` [m] to the other head held still, None = open."""

    radius: float
    surface_density: float
    depth: float | None = None
    edge: Edge = "stuck"
    poisson: float = FILM_POISSON
    air: Air = field(default_factory=Air)

    @property
    def spring(self) -> float:
        """Stiffness of the closed air per squared integral of w over the unit disc [N/m]."""
        if self.depth is None:
            return 0.0
        return self.air.density * self.air.speed_of_sound**2 * self.radius**2 / (pi * self.depth)

    def modes(self, pull: Array, *, in_air: bool = True, size: tuple[int, int] = FULL) -> Modes:
        """Modes for the rim pull's harmonics ``pull`` = [q0, c1.., s1..] [N/m] (2P + 1, P = ``HARMONICS``)."""
        matrices, whole = stiffness(size, self.poisson, self.edge)
        kept = np.r_[pull[: PULL_HARMONICS + 1], pull[HARMONICS + 1 : HARMONICS + 1 + PULL_HARMONICS]]
        system = np.tensordot(kept, matrices, 1) + self.spring * np.outer(whole, whole)
        if in_air:
            depth = None if self.depth is None else round(self.depth / self.radius, 9)
            white = _whitener(size, depth, round(self.air.density * self.radius / self.surface_density, 12))
            values, vectors = np.linalg.eigh(white @ system @ white.T)
            vectors = white.T @ vectors
        else:
            values, vectors = np.linalg.eigh(system)
        omega = np.sqrt(np.maximum(values, 0.0) / self.surface_density) / self.radius
        return Modes(omega, vectors, size)

    def taps(self, pull: Array, angles: Array, families: Sequence[Family], *, inset: float = TAP_INSET,
             size: tuple[int, int] = FULL, count: int = 24) -> dict[Family, tuple[Array, Array]]:
        """What taps at ``angles`` [rad] say: per family (F, P), each (taps,).

        F [Hz]: the frequencies of the family's components weighted with their squared shapes at the tap; P: the sum of
        those squared shapes, the level of a microphone that follows the tap.
        """
        modes = self.modes(pull, size=size)
        names = modes.families(count)
        places = _tap_shapes(size, 1.0 - inset / self.radius, tuple(angles.tolist()))
        at = (places @ modes.coefficients[:, :count]) ** 2
        hertz = modes.omega[:count] / (2.0 * pi)
        out = {}
        for family in families:
            which = [i for i, name in enumerate(names) if name == family]
            level = at[:, which].sum(1)
            out[family] = (at[:, which] @ hertz[which] / level, level)
        return out


def even_pull(tension: float) -> Array:
    """Harmonics (2P + 1,) of a pull [N/m] that is ``tension`` all round."""
    pull = np.zeros(2 * HARMONICS + 1)
    pull[0] = tension
    return pull
