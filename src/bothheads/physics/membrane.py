"""Modes of a round film held at its edge, and the functions in which the air's motion is written.

Radial functions, all of order m, orthonormal on 0..1 with weight x = r/a:
film      psi_mn(x)  = sqrt2 J_m(j_mn x) / J_{m+1}(j_mn),           J_m(j_mn) = 0
rim-free  zeta_mj(x) = sqrt(2(m+2j+1)) x^m P_j^{(0,m)}(2x^2 - 1)     (Zernike's radial polynomials)
On the disc phi = psi cos|sin(m theta) / sqrt(pi eps_m), eps_0 = 2 else 1, integral of phi^2 over the unit disc = 1.
"""

from __future__ import annotations

from functools import lru_cache
from math import lgamma, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..constants import FILM_DENSITY, FILM_MODULUS, FILM_POISSON
from .bessel import bessel_j, bessel_zeros

Array = NDArray[np.float64]


def frequency(m: int, n: int, *, radius: float, tension: float, surface_density: float) -> float:
    """Frequency [Hz] of mode (m, n) of a film without air: j_mn / (2 pi a) sqrt(T / sigma).

    ``radius`` [m], ``tension`` [N/m], ``surface_density`` [kg/m2]; n counts from 1.
    """
    return float(bessel_zeros(m, n)[n - 1] / (2 * pi * radius) * sqrt(tension / surface_density))


def film_modes(m: int, count: int, x: Array | float) -> Array:
    """psi_m1 ... psi_m,count at x = r/a, shape (count, *x.shape)."""
    zeros = bessel_zeros(m, count)
    at = np.asarray(x, dtype=float)
    scale = sqrt(2.0) / bessel_j(m + 1, zeros)[m + 1]
    shaped = zeros.reshape(-1, *(1,) * at.ndim)
    return np.asarray(scale.reshape(shaped.shape) * bessel_j(m, shaped * at)[m])


@lru_cache(maxsize=64)
def _grid(m: int, count: int) -> tuple[Array, Array]:
    x = np.linspace(0.0, 1.0, _STEPS + 1)
    zeros = bessel_zeros(m, count)[:, None]
    j = bessel_j(m + 1, zeros * x)
    scale = sqrt(2.0) / bessel_j(m + 1, zeros)[m + 1]
    below = -j[1] if m == 0 else bessel_j(m - 1, zeros * x)[m - 1]
    slope = zeros * (below if m == 0 else 0.5 * (below - j[m + 1]))
    return scale * j[m], scale * slope / _STEPS


_STEPS = 800


def film_modes_table(m: int, count: int, x: Array) -> tuple[Array, Array]:
    """psi and d psi/dx at many points by cubic Hermite from a cached grid; error below 1e-6 for j_mn < 70.

    Each of shape (count, *x.shape). Used for the hundreds of points of a pad or an opening.
    """
    values, slopes = _grid(m, count)
    place = np.clip(np.asarray(x, dtype=float), 0.0, 1.0) * _STEPS
    i = np.minimum(place.astype(int), _STEPS - 1)
    t = place - i
    v0, v1, d0, d1 = values[:, i], values[:, i + 1], slopes[:, i], slopes[:, i + 1]
    c2, c3 = 3 * (v1 - v0) - 2 * d0 - d1, 2 * (v0 - v1) + d0 + d1
    return v0 + t * (d0 + t * (c2 + t * c3)), _STEPS * (d0 + t * (2 * c2 + 3 * t * c3))


def disc_nodes(wavenumber: float, radius: float) -> tuple[int, int]:
    """Gauss nodes in r^2 and equal angles that integrate products of two waves of ``wavenumber`` over a disc of ``radius``.

    Lengths in radii of the head. r^2 needs half the product's phase k r in nodes, the angle its orders 2 k r.
    """
    phase = wavenumber * radius
    return int(0.6 * phase) + 12, 2 * int(phase) + 26


def rim_free(m: int, count: int, x: Array | float) -> Array:
    """zeta_m0 ... zeta_m,count-1 at x = r/a, shape (count, *x.shape), by the recurrence of Jacobi's polynomials."""
    at = np.asarray(x, dtype=float)
    y = 2.0 * at**2 - 1.0
    rows = [np.ones_like(at), 0.5 * ((m + 2.0) * y - m)]
    for k in range(2, count):
        s = 2.0 * k + m
        first = (s - 1.0) * (s * (s - 2.0) * y - m * m)
        second = 2.0 * (k - 1.0) * (k + m - 1.0) * s
        rows.append((first * rows[-1] - second * rows[-2]) / (2.0 * k * (k + m) * (s - 2.0)))
    norm = np.sqrt(2.0 * (m + 2.0 * np.arange(count) + 1.0)).reshape(-1, *(1,) * at.ndim)
    return np.asarray(norm * np.array(rows[:count]) * at**m)


@lru_cache(maxsize=128)
def film_on_rim_free(m: int, films: int, count: int) -> Array:
    """V[j, n] = integral zeta_j psi_n x dx = sqrt(2(p+1)) (-1)^j J_{p+1}(j_mn)/j_mn sqrt2/J_{m+1}, p = m + 2j."""
    zeros = bessel_zeros(m, films)
    j = np.arange(count)
    values = bessel_j(m + 2 * count, zeros)
    sign = np.where(j % 2, -1.0, 1.0) * np.sqrt(2.0 * (m + 2 * j + 1.0))
    v = sign[:, None] * values[m + 2 * j + 1] / zeros * sqrt(2.0) / values[m + 1]
    v.setflags(write=False)
    return np.asarray(v)


@lru_cache(maxsize=64)
def baffled_mass_rim_free(m: int, count: int) -> Array:
    """Static pressure of a half-space on a moving disc, H[j, k] = int a_j(q) a_k(q) dq, in zeta functions.

    Unit: pressure = rho a H acceleration. Closed form of int_0^inf J_u J_v q^-2 dq (Weber & Schafheitlin).
    """
    h = np.empty((count, count))
    for j in range(count):
        for k in range(count):
            u, v = m + 2 * j + 1, m + 2 * k + 1
            bottom = (v - u + 3) / 2, (u + v + 3) / 2, (u - v + 3) / 2
            sign = 1.0
            logs = lgamma((u + v - 1) / 2) - lgamma(bottom[1])
            for value in (bottom[0], bottom[2]):
                sign *= 1.0 if value > 0 or int(np.floor(value)) % 2 == 0 else -1.0
                logs -= lgamma(value)
            h[j, k] = sign * (-1.0) ** (j + k) * 2.0 * sqrt((u * 1.0) * v) * 0.25 * np.exp(logs)
    h.setflags(write=False)
    return h


def wide_count(m: int, films: int) -> int:
    """How many rim-free functions carry ``films`` film modes to 1e-8: their highest order must pass j_mn."""
    return int((bessel_zeros(m, films)[-1] - m) / 2 + 12)


@lru_cache(maxsize=128)
def baffled_mass(m: int, films: int) -> Array:
    """Static half-space mass matrix of the film modes, (films, films), pressure = rho a H acceleration.

    The diagonal times rho a is the mode's added surface density of one side [kg/m2]: 0.7464 for (0,1).
    """
    count = wide_count(m, films)
    v = film_on_rim_free(m, films, count)
    h = v.T @ baffled_mass_rim_free(m, count) @ v
    h.setflags(write=False)
    return h


@lru_cache(maxsize=256)
def ring_overlap(m: int, count: int, inner: float, outer: float) -> Array:
    """Integral of psi_n psi_k x dx from ``inner`` to ``outer`` (in radii), (count, count): film under a ring."""
    nodes, weights = np.polynomial.legendre.leggauss(2 * count + 16)
    x = inner + (outer - inner) * 0.5 * (nodes + 1)
    psi = film_modes(m, count, x)
    out = (psi * (x * weights * 0.5 * (outer - inner))) @ psi.T
    out.setflags(write=False)
    return np.asarray(out)


def eigenvalues(m: int, count: int, *, density_ratio: float, patch_radius: float) -> Array:
    """ka of the lowest ``count`` modes of order m, film with a concentric disc of extra mass (Ritz).

    ``density_ratio``: surface density inside over outside; ``patch_radius`` in radii (0 to 1).
    """
    size = 4 * count + 40
    k2 = bessel_zeros(m, size) ** 2
    mass = np.eye(size) + (density_ratio - 1.0) * ring_overlap(m, size, 0.0, patch_radius)
    half = 1.0 / np.sqrt(k2)
    values = np.linalg.eigvalsh(half[:, None] * mass * half)
    return np.asarray(1.0 / np.sqrt(values[::-1][:count]))


def bending_stiffness(surface_density: float, *, plies: int = 1) -> float:
    """Bending stiffness D [N m] of a film of ``plies`` plies free to slide, plies E h^3 / (12 (1 - nu^2))."""
    thickness = surface_density / FILM_DENSITY / plies
    return plies * FILM_MODULUS * thickness**3 / (12.0 * (1.0 - FILM_POISSON**2))


def bending_factor(m: int, n: int, *, stiffness: float, tension: float, radius: float, clamped: bool = True) -> float:
    """Frequency of a film with bending stiffness over that without, kappa = sqrt(D/T)/a.

    Clamped edge 1 + kappa + (1 + j^2/2) kappa^2 (Morse & Ingard, asymptotic); hinged sqrt(1 + kappa^2 j^2).
    """
    j = float(bessel_zeros(m, n)[n - 1])
    kappa = sqrt(stiffness / tension) / radius
    return 1.0 + kappa + (1.0 + j * j / 2.0) * kappa**2 if clamped else sqrt(1.0 + (kappa * j) ** 2)
