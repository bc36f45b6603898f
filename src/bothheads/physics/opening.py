"""A round hole in the resonant head: film removed, a free edge, and air that moves through it on its own.

The film's functions run on across the hole, where they have neither mass, loss nor tension; the rest of the air's
motion there is written in aperture functions, in hole coordinates rho <= 1, tau = sqrt(1 - rho^2):
g = P^p_{p+2q}(tau) / tau cos|sin(p psi) (square-root edge), whose Hankel transforms are spherical Bessel functions
j_{p+2q}. The half-space loads of such functions are diagonal and closed form; walls, ends and the far head enter
through rim-free functions of the whole disc. Lengths in radii of the drum, load in rho a as in ``airload``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import atan2, hypot, pi

import numpy as np
from numpy.typing import NDArray

from . import cavity
from .airload import DUCT, TAIL
from .bessel import bessel_zeros
from .membrane import (
    Array,
    baffled_mass_rim_free,
    disc_nodes,
    film_modes_table,
    film_on_rim_free,
    rim_free,
    wide_count,
)
from .radiation import ORDERS, SOURCES, Radiation

Complex = NDArray[np.complex128]

# (p, q, sine): piston-like, dipoles across and along, second radial, quadrupoles
FLOWS = ((0, 0, False), (1, 0, False), (1, 0, True), (0, 1, False), (2, 0, False), (2, 0, True))
_WALL = 90  # duct modes in the shape-free sum of the wall's effect


@dataclass(frozen=True, eq=False)
class Hole:
    """Overlaps of the aperture functions with everything, per family (m, sine) about the axis through the hole."""

    radius: float  # in radii of the drum
    centre: float  # distance from the drum's middle, in radii
    sources: list[Array]  # per family (SOURCES, flows)
    duct: list[Array]  # per family (DUCT, flows)
    to_resonant: list[Array]  # static load on the resonant film's functions, per family (N, flows)
    to_batter: list[Array]
    own: Array  # static load on the flows themselves (flows, flows)


def place(x: float, y: float) -> tuple[float, float]:
    """Distance from the middle and direction [rad] of an opening's centre; straight across x where it is central."""
    distance = hypot(x, y)
    return distance, atan2(y, x) if distance > 1e-9 else 0.0


def points(radius: float, centre: float, *, rings: int, angular: int) -> tuple[Array, Array, Array, Array]:
    """Quadrature in the hole: (r, theta) about the drum's middle, (tau, psi) in the hole, weights.

    Nodes are Gauss in tau, so that the square-root edge is integrated exactly.
    """
    nodes, weights = np.polynomial.legendre.leggauss(rings)
    tau = np.repeat((nodes + 1) / 2, angular)
    psi = np.tile(2 * pi * (np.arange(angular) + 0.5) / angular, rings)
    rho = np.sqrt(1 - tau**2)
    x, y = centre + radius * rho * np.cos(psi), radius * rho * np.sin(psi)
    weight = np.repeat(weights / 2, angular) * 2 * pi / angular
    return np.hypot(x, y), np.arctan2(y, x), np.stack([tau, psi]), weight


def flow_weights(place_in_hole: Array, weight: Array) -> Array:
    """Aperture functions times quadrature weight, (flows, points); rho d rho = tau d tau cancels the 1/tau."""
    tau, psi = place_in_hole
    rho = np.sqrt(1 - tau**2)
    rows = []
    for p, q, sine in FLOWS:
        radial = rho**p * (1.0 if q == 0 else 0.5 * (3 * tau**2 - 1))
        rows.append(radial * (np.sin(p * psi) if sine else np.cos(p * psi)) * weight)
    return np.array(rows)


@lru_cache(maxsize=1)
def flow_masses() -> Array:
    """Half-space load of each aperture function on itself, for a hole of radius 1: 2 pi or pi times int ghat^2 dk.

    ghat = c j_n(k), n = p + 2q, int j_n^2 dk = pi / (2 (2n + 1)); c by quadrature of the transform at one k.
    """
    from .bessel import bessel_j

    nodes, weights = np.polynomial.legendre.leggauss(40)
    tau, w = (nodes + 1) / 2, weights / 2
    k = 2.0
    out = []
    for p, q, _ in FLOWS:
        n = p + 2 * q
        rho = np.sqrt(1 - tau**2)
        radial = rho**p * (1.0 if q == 0 else 0.5 * (3 * tau**2 - 1))
        transform = float((bessel_j(p, k * rho)[p] * radial * w).sum())
        c = transform / _spherical(n, k)
        out.append((2 * pi if p == 0 else pi) * c * c * pi / (2 * (2 * n + 1)))
    return np.array(out)


def _spherical(n: int, x: float) -> float:
    j0 = np.sin(x) / x
    j1 = np.sin(x) / x**2 - np.cos(x) / x
    return float((j0, j1, 3 * j1 / x - j0)[n])


@lru_cache(maxsize=32)
def _wall(m: int) -> Array:
    """What the shell's wall adds to a half-space at rest, duct modes above DUCT: (SOURCES, SOURCES), any depth."""
    c = cavity.rim_free_on_duct(m, SOURCES, _WALL)[DUCT:]
    mu = cavity.duct_modes(m, _WALL)[0][DUCT:]
    # terms fall as mu^-3 at distance pi: what lies beyond the last is known
    last = c[-20:]
    tail = (last.T * (1.0 / mu[-20:])) @ last / 20 * (mu[-10] ** 3) / (2 * pi * (mu[-1] + pi / 2) ** 2)
    return np.asarray((c.T / mu) @ c + tail - baffled_mass_rim_free(m, SOURCES))


@lru_cache(maxsize=32)
def hole(
    radius: float, centre: float, families: tuple[tuple[int, bool], ...], films: int, outside: Radiation
) -> Hole:
    """Everything about a hole that does not depend on tensions or frequency."""
    rings, angular = disc_nodes(shortest(families, films), radius)
    r, theta, inside, weight = points(radius, centre, rings=rings, angular=angular)
    flows = flow_weights(inside, weight)
    sources, duct, to_resonant, to_batter = [], [], [], []
    own = np.diag(2.0 * flow_masses() * radius**3)
    flows = flows * radius**2
    for m, sine in families:
        wave = (np.sin(m * theta) if sine else np.cos(m * theta)) / np.sqrt(pi * (2.0 if m == 0 else 1.0))
        angular = (flows * wave).T  # (points, flows)
        wide = wide_count(m, films)
        h = rim_free(m, wide, r) @ angular
        c = cavity.duct_functions(m, TAIL, r) @ angular
        v = film_on_rim_free(m, films, wide)
        mu = cavity.duct_modes(m, TAIL)[0][DUCT:]
        x, y, _, _ = cavity.duct_load(mu, np.array(0j), outside.aspect)
        film = cavity.film_on_duct(m, films, TAIL)[DUCT:]
        near = v.T @ baffled_mass_rim_free(m, wide) @ h + (film.T * x.real) @ c[DUCT:]
        far = -(film.T * y.real) @ c[DUCT:]
        own = own + h[:SOURCES].T @ _wall(m) @ h[:SOURCES]
        if m >= ORDERS:
            extra = outside.extra(m)[0]
            near = near + v[:SOURCES].T @ extra[0] @ h[:SOURCES]
            far = far - v[:SOURCES].T @ extra[1] @ h[:SOURCES]
            own = own + h[:SOURCES].T @ extra[0] @ h[:SOURCES]
        sources.append(h[:SOURCES])
        duct.append(c[:DUCT])
        to_resonant.append(near)
        to_batter.append(far)
    return Hole(radius, centre, sources, duct, to_resonant, to_batter, own)


@lru_cache(maxsize=16)
def removed(
    radius: float, centre: float, families: tuple[tuple[int, bool], ...], films: int
) -> tuple[Array, Array]:
    """Overlap and gradient overlap (per radius^2) of the film functions over the hole: what a cut head lacks.

    Rows and columns run over families, then film functions.
    """
    rings, angular = disc_nodes(shortest(families, films), radius)
    nodes, weights = np.polynomial.legendre.leggauss(rings)
    rho = np.repeat(np.sqrt((nodes + 1) / 2), angular)
    psi = np.tile(2 * pi * (np.arange(angular) + 0.5) / angular, rings)
    weight = np.repeat(weights / 2, angular) / angular * pi * radius**2
    x, y = centre + radius * rho * np.cos(psi), radius * rho * np.sin(psi)
    value, along, around = film_functions(families, films, x, y)
    return (value * weight) @ value.T, (along * weight) @ along.T + (around * weight) @ around.T


def shortest(families: tuple[tuple[int, bool], ...], films: int) -> float:
    """Largest wavenumber j_mn of the film functions, per radius of the head."""
    return float(bessel_zeros(max(m for m, _ in families), films)[-1])


def film_functions(
    families: tuple[tuple[int, bool], ...], films: int, x: Array, y: Array
) -> tuple[Array, Array, Array]:
    """Film functions and their gradients (radial, tangential) at points of the unit disc, (families * films, points)."""
    r, theta = np.hypot(x, y), np.arctan2(y, x)
    value, along, around = [], [], []
    for m, sine in families:
        psi, slope = film_modes_table(m, films, r)
        norm = 1.0 / np.sqrt(pi * (2.0 if m == 0 else 1.0))
        c, s = np.cos(m * theta) * norm, np.sin(m * theta) * norm
        wave, turned = (s, m * c) if sine else (c, -m * s)
        value.append(psi * wave)
        along.append(slope * wave)
        around.append(psi / np.maximum(r, 1e-9) * turned)
    return np.concatenate(value), np.concatenate(along), np.concatenate(around)
