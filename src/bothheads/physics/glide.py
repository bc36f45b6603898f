"""Why a struck head starts sharp: stretching raises the tension, and the pitch falls back with the square of the
amplitude. Film stiffness and amplitude in, cents out."""

from __future__ import annotations

from math import log2

from ..constants import FILM_DENSITY, FILM_MODULUS, FILM_POISSON

J01 = 2.404825557695773  # first zero of J0
_MEAN_SQUARE_SLOPE = 1.5586503  # (j J1(j))^2 of mode (0,1): area mean of |grad w|^2 = this (w0/a)^2


def fixed_rim_factor(poisson: float) -> float:
    """Cubic coefficient of mode (0,1) over Berger's formula, rim fixed in plane: 0.81740 at nu 0.38, 0.78550 at 0.30.

    Linear between the two solved values (von Karman plate equations without bending); range 0.25-0.45.
    """
    if not 0.25 <= poisson <= 0.45:
        raise ValueError("poisson must lie in 0.25 to 0.45")
    return 0.78550 + (poisson - 0.30) * (0.81740 - 0.78550) / 0.08


def tension_rise(
    amplitude: float, radius: float, *, surface_density: float, modulus: float = FILM_MODULUS,
    poisson: float = FILM_POISSON, berger: bool = False,
) -> float:
    """Greatest rise of tension [N/m] of a head moving as (0,1) with centre ``amplitude`` [m].

    dT = c E h / (2 (1 - nu^2)) 1.55865 (w0/a)^2 with c = 1 in Berger's form (Berger 1955, J. Appl. Mech.)
    and c = ``fixed_rim_factor`` for a film that settles in plane; h from the film's surface density.
    """
    stretch = _MEAN_SQUARE_SLOPE * (amplitude / radius) ** 2
    full = stretch_stiffness(surface_density, modulus=modulus, poisson=poisson) * stretch
    return full if berger else full * fixed_rim_factor(poisson)


def stretch_stiffness(surface_density: float, *, modulus: float = FILM_MODULUS, poisson: float = FILM_POISSON) -> float:
    """Berger's E h / (2 (1 - nu^2)) [N/m]: rise of tension per area mean of |grad w|^2."""
    return modulus * surface_density / FILM_DENSITY / (2 * (1 - poisson**2))


def glide_cents(rise: float, tension: float) -> float:
    """Start of the note above its rest [cents]: f/f0 = 1 + 3/8 dT_max/T0 for small rises (Duffing)."""
    return 1200.0 * log2(1.0 + 0.375 * rise / tension)


def glide_time(decay: float) -> float:
    """Time constant [s] with which the glide dies: half the amplitude's, because it goes with its square."""
    return decay / 2.0
