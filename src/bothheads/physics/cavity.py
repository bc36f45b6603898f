"""Air between the heads: the exact sum over the modes of a rigid-walled round duct, lengths in radii.

Duct function chi_ml = norm J_m(mu_ml x), dJ_m/dx = 0 at mu; for m = 0 the first is the plane wave, mu = 0.
With kap^2 = mu^2 + sc^2 (sc = s a / c) and depth L the pressure that heads moving as q_b, q_r (both +z) feel is
rho a s^2 [ A q_b - B q_r, -B q_b + A q_r ],  A = C' coth(kap L)/kap C,  B = C' 1/(kap sinh kap L) C.
At low sc the plane wave gives the air spring rho c^2 / L and its slug's mass L/3, L/6.
"""

from __future__ import annotations

from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from .bessel import bessel_j, bessel_zeros, derivative_zeros
from .membrane import Array

Complex = NDArray[np.complex128]

VISCOSITY = 1.516e-5  # m2/s, kinematic, air at 20 C (eta 1.825e-5 Pa s, rho 1.204)
PRANDTL = 0.7085  # 1, air at 20 C
GAMMA = 1.4  # 1, ratio of specific heats


@lru_cache(maxsize=64)
def duct_modes(m: int, count: int) -> tuple[Array, Array]:
    """Cut-on numbers mu_ml (in 1/a) and norms (integral chi^2 x dx = 1)."""
    mu = np.r_[0.0, derivative_zeros(0, count - 1)] if m == 0 else derivative_zeros(m, count)
    j = bessel_j(m, mu)[m]
    share = np.where(mu > 0, 1.0 - (m / np.where(mu > 0, mu, 1.0)) ** 2, 1.0)
    return mu, np.sqrt(2.0 / share) / np.abs(j)


@lru_cache(maxsize=64)
def film_on_duct(m: int, films: int, count: int) -> Array:
    """C[l, n] = integral chi_l psi_n x dx = norm_l sqrt2 (-j_mn J_m(mu_l)) / (mu_l^2 - j_mn^2)."""
    mu, norm = duct_modes(m, count)
    zeros = bessel_zeros(m, films)
    j = bessel_j(m, mu)[m]
    c = norm[:, None] * sqrt(2.0) * zeros * j[:, None] / (zeros**2 - mu[:, None] ** 2)
    c.setflags(write=False)
    return np.asarray(c)


@lru_cache(maxsize=64)
def rim_free_on_duct(m: int, sources: int, count: int) -> Array:
    """C[l, j] = integral chi_l zeta_j x dx = norm_l sqrt(2(p+1)) (-1)^j J_{p+1}(mu_l)/mu_l, p = m + 2j."""
    mu, norm = duct_modes(m, count)
    j = np.arange(sources)
    safe = np.where(mu > 0, mu, 1.0)
    values = bessel_j(m + 2 * sources, safe)[m + 2 * j + 1] / safe
    sign = np.where(j % 2, -1.0, 1.0) * np.sqrt(2.0 * (m + 2 * j + 1.0))
    c = (norm * sign[:, None] * values).T
    if m == 0:
        c[0] = 0.0
        c[0, 0] = 1.0
    c.setflags(write=False)
    return np.asarray(c)


def duct_functions(m: int, count: int, x: Array) -> Array:
    """chi_m0 ... at x = r/a, shape (count, *x.shape)."""
    mu, norm = duct_modes(m, count)
    shaped = (-1, *(1,) * np.ndim(x))
    return np.asarray(norm.reshape(shaped) * bessel_j(m, mu.reshape(shaped) * np.asarray(x))[m])


def duct_load(mu: Array | Complex, sc: Complex, depth: float) -> tuple[Complex, Complex, Complex, Complex]:
    """coth(kap L)/kap and 1/(kap sinh kap L) with their slopes along sc; ``mu`` and ``sc`` broadcast, lengths in radii.

    Written with exp(-2 kap L): nothing overflows at any depth.
    """
    kap: Complex = np.sqrt(mu * mu + sc * sc + 0j)  # mu may be complex where the walls take energy
    e = np.exp(-kap * depth)
    e2 = e * e
    rest = 1.0 - e2
    x, y = (1.0 + e2) / rest / kap, 2.0 * e / rest / kap
    slope = sc / kap  # d kap / d sc
    dx = slope * (-x / kap - depth * kap * y * y)
    dy = slope * (-y / kap - depth * kap * x * y)
    return x, y, dx, dy


def wall_loss(mu: Array, sc: Complex, *, m: Array | int, norm_edge: Array, depth: float, radius: float,
              speed_of_sound: float) -> tuple[Complex, Complex]:
    """What viscosity and heat conduction at the walls add to kap^2, and the factor on the duct's load.

    Boundary layers l = sqrt(nu / s) thick in the weak form of the duct: flow along the shell loses chi(1)^2 l_v of its
    room, the air there gains (gamma - 1) chi(1)^2 l_t in compliance. Hence kap^2 + chi(1)^2 [ (gamma - 1) sc^2 l_t +
    (kap^2 - m^2) l_v ] and a load 1 + chi(1)^2 l_v times as large; for the plane wave this is Kirchhoff's wide tube.
    The heads conduct heat too: the plane wave gets 2/L (gamma - 1) sc^2 l_t more. ``norm_edge`` = chi(1), lengths in
    radii.
    """
    s = sc * speed_of_sound / radius
    viscous = np.sqrt(VISCOSITY / s) / radius
    thermal = (GAMMA - 1.0) * viscous / sqrt(PRANDTL)
    shell = norm_edge**2 * (sc * sc * thermal + (mu * mu + sc * sc - np.asarray(m) ** 2) * viscous)
    ends = np.where(mu == 0.0, 2.0 / depth * sc * sc * thermal, 0.0)
    return np.asarray(shell + ends), np.asarray(1.0 + norm_edge**2 * viscous)
