"""A hoop on N rods: how far a turn travels round the head. Harmonics p of the angle, one circulant solve.

Chain: rod turns -> drop of the hoop w(theta), an elastic ring on the collar's spring -> rim pull N_rr(theta) -> plane
stress of the film. Line loads and pulls in N/m, stiffness per area of rim and drop in N/m2. Harmonics of a quantity
round the rim are kept as [q0, c1 .. cP, s1 .. sP]: q(theta) = q0 + sum c_p cos p theta + s_p sin p theta.
Moduli of hoops are assumed (+-30 %); collar, claws and rods must be learned from the drum itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..constants import FILM_DENSITY, FILM_MODULUS, FILM_POISSON, ROD_THREAD_PITCH

Array = NDArray[np.float64]
Edge = Literal["stuck", "slip"]  # the film's rim: no tangential motion, or no shear

HARMONICS = 24  # of the hoop's drop; a point load of 12 rods needs its first alias


def slope_bound(surface_density: float, radius: float, *, thread_pitch: float = ROD_THREAD_PITCH) -> float:
    """Upper bound of the slope [N/m per turn]: rigid hoop and collar, s = E h p / ((1 - nu) a).

    ``surface_density`` [kg/m2] and ``radius`` [m] give film thickness h and reach a; p is the thread's pitch [m].
    """
    thickness = surface_density / FILM_DENSITY
    return FILM_MODULUS * thickness * thread_pitch / ((1.0 - FILM_POISSON) * radius)


# ------------------------------------------------------------------ the hoop as a ring
@dataclass(frozen=True)
class Hoop:
    """A hoop's section: stiffness against bending up and down, and against twist [N m2]."""

    bending: float  # E I
    torsion: float  # G J


def solid_hoop(width: float, depth: float, *, modulus: float, shear: float) -> Hoop:
    """Rectangular section, ``width`` [m] radially and ``depth`` [m] along the drum; moduli [Pa].

    E I = E w d^3 / 12, G J = G d w^3 / 3 (1 - 0.63 w/d), the thin rectangle's torsion (Timoshenko & Goodier).
    """
    return Hoop(modulus * width * depth**3 / 12.0, shear * depth * width**3 / 3.0 * (1.0 - 0.63 * width / depth))


def flanged_hoop(thickness: float, web: float, flange: float, *, modulus: float, shear: float) -> Hoop:
    """Pressed section: an upright ``web`` with a ``flange`` at either end, all ``thickness`` [m]; moduli [Pa]."""
    inertia = thickness * web**3 / 12.0 + 2.0 * flange * thickness * (web / 2.0) ** 2
    return Hoop(modulus * inertia, shear * (web + 2.0 * flange) * thickness**3 / 3.0)


HOOPS: dict[str, Hoop] = {
    "wood": solid_hoop(0.012, 0.038, modulus=10e9, shear=0.75e9),
    "steel": flanged_hoop(0.0023, 0.036, 0.009, modulus=200e9, shear=79e9),
    "cast": solid_hoop(0.006, 0.030, modulus=85e9, shear=33e9),
}


def usual_hoop(radius: float) -> Hoop:
    """The hoop that a drum of ``radius`` [m] usually wears: wood on bass drums, pressed steel on toms (common practice)."""
    return HOOPS["wood"] if radius > 0.22 else HOOPS["steel"]


def hoop_stiffness(p: Array | float, *, radius: float, hoop: Hoop, twist: Literal["free", "blocked"] = "free") -> Array:
    """Line load per drop [N/m2] that bends a ring of ``radius`` [m] out of its plane into cos p theta.

    Twist free to relax: S_p = p^2 (p^2 - 1)^2 EI GJ / ((EI + p^2 GJ) a^4); twist blocked: (EI p^4 + GJ p^2)/a^4 for
    p >= 2. S_0 = S_1 = 0: a drop and a tilt bend nothing.
    """
    p = np.asarray(p, dtype=float)
    ei, gj = hoop.bending, hoop.torsion
    if twist == "blocked":
        return np.where(p > 1, ei * p**4 + gj * p**2, 0.0) / radius**4
    return p**2 * (p**2 - 1.0) ** 2 * ei * gj / (ei + p**2 * gj) / radius**4


# ------------------------------------------------------------------ the film in its plane
def _kappa(poisson: float) -> float:
    return (3.0 - poisson) / (1.0 + poisson)


def _potentials(p: int, poisson: float, edge: Edge) -> tuple[float, float]:
    """(alpha, beta) of Kolosov's potentials alpha z^(p+1), beta z^(p-1) for unit rim pull cos p theta, a = 1."""
    if p == 0:
        return 0.5, 0.0
    if edge == "slip":
        return (0.0, 0.0) if p == 1 else (0.5 / (p + 1), -0.5 * p / (p - 1))
    alpha = 1.0 / ((p + 1) + (p - 1) * _kappa(poisson))
    return alpha, -(_kappa(poisson) + p + 1) * alpha


def plane_stress(p: int, x: Array | float, *, poisson: float = FILM_POISSON, edge: Edge = "stuck"
                 ) -> tuple[Array, Array, Array]:
    """Resultants (N_rr, N_tt, N_rt) at x = r/a, factors of cos, cos, sin p theta, for a rim pull of cos p theta.

    ``slip``: no shear at the rim (then p = 1 has no equilibrium and gives zeros); ``stuck``: u_theta = 0 there.
    """
    x = np.asarray(x, dtype=float)
    alpha, beta = _potentials(p, poisson, edge)
    first = alpha * x**p
    second = (p - 1) * beta * x ** (p - 2) if p >= 2 else np.zeros_like(x)
    return ((p + 1) * (2 - p) * first - second, (p + 1) * (p + 2) * first + second, p * (p + 1) * first + second)


def film_rim_stiffness(p: int, *, radius: float, thickness: float, modulus: float = FILM_MODULUS,
                       poisson: float = FILM_POISSON, edge: Edge = "stuck") -> float:
    """Rim pull per radial displacement K_p = N_rr / u_r [N/m2] of a film ``thickness`` [m] thick.

    K_0 = E h / ((1 - nu) a); slip 2 mu h 2 (p+1) / (a (kappa + (p+1)/(p-1))), K_1 = 0; stuck
    2 mu h ((p+1) + (p-1) kappa) / (2 kappa a); 2 mu h = E h / (1 + nu), kappa = (3 - nu)/(1 + nu).
    """
    shear, k = modulus * thickness / (1.0 + poisson), _kappa(poisson)
    if p == 0:
        return 2.0 * shear / ((k - 1.0) * radius)
    if edge == "slip":
        return 0.0 if p == 1 else 2.0 * shear * (p + 1) / (radius * (k + (p + 1) / (p - 1)))
    return shear * ((p + 1) + (p - 1) * k) / (2.0 * k * radius)


# ------------------------------------------------------------------ rods, hoop, collar, film together
@dataclass(frozen=True)
class Mount:
    """How one head is held: its film, hoop, collar and rods."""

    radius: float  # m, of hoop and film alike
    rods: int
    surface_density: float = 0.353  # kg/m2
    hoop: Hoop = HOOPS["wood"]
    collar: float = 3e5  # N/m2, rim pull per drop of the hoop with the film held
    rod_stiffness: float = 3e6  # N/m, one rod with claw, casing and shell
    edge: Edge = "stuck"
    thread_pitch: float = ROD_THREAD_PITCH  # m per turn
    twist: Literal["free", "blocked"] = "free"
    modulus: float = FILM_MODULUS
    poisson: float = FILM_POISSON

    @property
    def angles(self) -> Array:
        """Angles of the rods [rad], from rod 1, in the sense in which they are counted."""
        return np.asarray(2.0 * pi * np.arange(self.rods) / self.rods)

    def rim_stiffness(self) -> Array:
        """Rim pull per drop of the hoop C_p [N/m2], p = 0..P: collar and film in series."""
        thickness = self.surface_density / FILM_DENSITY
        film = np.array([film_rim_stiffness(p, radius=self.radius, thickness=thickness, modulus=self.modulus,
                                            poisson=self.poisson, edge=self.edge) for p in range(HARMONICS + 1)])
        return self.collar * film / (self.collar + film)

    def pull_per_turn(self) -> Array:
        """Harmonics of the rim pull (2P + 1, rods) [N/m] that one turn of each rod adds.

        Minimises 1/2 sum_p (S_p + C_p) |w_p|^2 (2 pi a or pi a) + 1/2 k_rod sum_i (d_i - w(theta_i))^2.
        """
        p = np.arange(HARMONICS + 1.0)
        pull = self.rim_stiffness()
        bend = hoop_stiffness(p, radius=self.radius, hoop=self.hoop, twist=self.twist)
        energy = both_parts((bend + pull) * np.where(p == 0, 2.0, 1.0) * pi * self.radius)
        at_rods = round_the_rim(self.angles)
        system = np.diag(energy) + self.rod_stiffness * at_rods.T @ at_rods
        drop = np.linalg.solve(system, self.rod_stiffness * at_rods.T) * self.thread_pitch
        return np.asarray(both_parts(pull)[:, None] * drop)

    def with_gain(self, per_turn: float) -> Mount:
        """The same mount, its collar such that one turn of every rod adds ``per_turn`` [N/m] to the mean pull.

        Raises
        ------
        ValueError
            When even a rigid collar would give less.
        """
        stiffest = replace(self, collar=1e12).gain
        if not 0.0 < per_turn < stiffest:
            raise ValueError(f"a turn cannot add {per_turn:g} N/m here: film, hoop and rods allow up to {stiffest:.0f}")
        low, high, at = 1.0, 1e12, self
        for _ in range(100):
            gain = at.gain
            if abs(gain / per_turn - 1.0) < 1e-11:
                break
            low, high = (at.collar, high) if gain < per_turn else (low, at.collar)
            guess = at.collar * per_turn / gain  # a soft collar decides alone: the gain goes with it
            at = replace(self, collar=guess if low < guess < high else (low * high) ** 0.5)
        return at

    @property
    def gain(self) -> float:
        """Mean pull [N/m] that one turn of every rod adds: rods and rim in series, nearly without the hoop."""
        return float(self.pull_per_turn()[0].sum())


def both_parts(per_harmonic: Array) -> Array:
    """Values per harmonic p = 0..P as [q0, c1.., s1..]."""
    return np.concatenate([per_harmonic, per_harmonic[1:]])


def round_the_rim(angles: Array, harmonics: int = HARMONICS) -> Array:
    """Matrix (angles, 2P + 1) from [q0, c1.., s1..] to values at ``angles`` [rad]."""
    turns = np.outer(angles, np.arange(1, harmonics + 1))
    return np.concatenate([np.ones((len(angles), 1)), np.cos(turns), np.sin(turns)], axis=1)


# ------------------------------------------------------------------ what a pair of modes says of an uneven pull
def split_constant(m: int, *, poisson: float = FILM_POISSON, edge: Edge = "stuck") -> float:
    """Fractional split (f_hi - f_lo)/f of the pair (m, n) per unit of the pull's harmonic p = 2m, first order.

    Without rim shear (4m - 1)/(2 (4m^2 - 1)) for every n: 1/2, 7/30, 11/70. Otherwise by quadrature of
    1/2 int [N_rr R'^2 - N_tt (m R/r)^2 - 2 m N_rt R R'/r] r dr / int [R'^2 + (m R/r)^2] r dr on R = J_m(j_m1 r).
    """
    if m < 1:
        raise ValueError("m must be 1 or more: (0, n) is not a pair")
    from .bessel import bessel_j, bessel_zeros

    nodes, weights = np.polynomial.legendre.leggauss(40)
    x, w = 0.5 * (nodes + 1.0), 0.5 * weights
    k = float(bessel_zeros(m, 1)[0])
    j = bessel_j(m + 1, k * x)
    radial, slope = m * j[m] / x, m * j[m] / x - k * j[m + 1]
    rr, tt, rt = plane_stress(2 * m, x, poisson=poisson, edge=edge)
    tilted = rr * slope**2 - tt * radial**2 - 2.0 * rt * radial * slope
    return float(0.5 * (w * x) @ tilted / ((w * x) @ (slope**2 + radial**2)))
