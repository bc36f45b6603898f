"""Feel under the foot in numbers: how long the beater is on the head, how fast it comes back, what the air says."""

from __future__ import annotations

from functools import lru_cache
from math import atan2, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, Feel, Strike
from .beater import FELT, Beater, Contact
from .beater import strike as meet
from .bessel import bessel_zeros
from .coupled import default_fmax, is_mixed, solve
from .response import families, spot, spot_on
from .system import ModeSet, tension_of

FMAX = 600.0  # Hz; a felt beater's push ends well below, what lies above gives way statically
ENOUGH_HZ = 300.0  # modes that are enough for a felt contact: to 600 Hz it is 0.5 % longer at most
HIGHEST_KA = 3.0  # the air outside is tabulated a little further
_ORDERS, _FILMS = 24, 30  # of the static remainder; the Gaussian spot cuts the sum off


def feel(drum: Drum, *, beater: Beater = FELT) -> Feel:
    """Round trip of the air, contact time, rebound, and the share of the contact during which the air has answered.

    The air's answer: the far head starts to push back 2 depth / c after the touch. Raises like ``solve``.
    """
    return feel_of(drum, contact_with(drum, beater=beater))


def feel_of(drum: Drum, contact: Contact) -> Feel:
    """The same from a contact that is known."""
    trip = 2.0 * drum.depth / drum.air.speed_of_sound
    return Feel(
        air_round_trip_ms=1e3 * trip,
        contact_ms=1e3 * contact.contact_s,
        rebound=contact.rebound,
        air_answer_share=max(0.0, 1.0 - trip / contact.contact_s),
    )


def contact_with(drum: Drum, *, beater: Beater = FELT, fmax_hz: float | None = None) -> Contact:
    """First contact of ``beater`` with the coupled drum at its strike's place; to ``rests_on_hz`` when no limit is named."""
    top = rests_on_hz(drum) if fmax_hz is None else fmax_hz
    return contact_of(solve(drum, fmax_hz=highest_hz(drum, top)), beater=beater, fmax_hz=top)


def rests_on_hz(drum: Drum) -> float:
    """Up to where the modes are solved [Hz] that contact and glide rest on.

    The forecast's own range where an opening or muffling joins the orders: there a mode costs a hundred times as much.
    Against the wider range the contact is then within 2 % (5 % the worst seen with an opening), the glide within 10 %.
    """
    return highest_hz(drum, default_fmax(drum) if is_mixed(drum) else FMAX)


def highest_hz(drum: Drum, fmax_hz: float = FMAX) -> float:
    """Up to where the modes are solved for a contact [Hz]: ``fmax_hz``, or less where the air's table ends."""
    return min(fmax_hz, HIGHEST_KA * drum.air.speed_of_sound / (2 * pi * drum.radius))


def contact_of(modes: ModeSet, *, beater: Beater = FELT, fmax_hz: float = FMAX) -> Contact:
    """The same from modes that were solved to ``highest_hz(drum, fmax_hz)``."""
    drum = modes.drum
    give = static_remainder(drum, drum.strike, highest_hz(drum, fmax_hz))
    return meet(modes.s, residues_of(modes, drum.strike), beater=beater, remainder_compliance=give)


def driving_point(
    drum: Drum, strike: Strike, *, fmax_hz: float = FMAX
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Poles s [1/s] and residues r [m/(N s)] of the struck spot: an impulse J moves it by Re sum r J exp(s t).

    r = 2 a^2 (v' f)^2 / v' Z' v with f the Gaussian spot in film functions. Shapes (modes,).
    """
    modes = solve(drum, fmax_hz=fmax_hz)
    return modes.s, residues_of(modes, strike)


def residues_of(modes: ModeSet, strike: Strike) -> NDArray[np.complex128]:
    """Residues r [m/(N s)] of the struck spot in every mode, (modes,); see ``driving_point``."""
    drum = modes.drum
    drive = np.zeros(len(modes), complex)
    theta = atan2(strike.y, strike.x)
    for f in families(modes, strike):
        force = spot(drum, modes.system.films, f.m, strike) * f.wave(theta)
        drive[f.rows] += modes.vectors[f.rows, f.batter] @ force
    return np.asarray(2.0 * drum.radius**2 * drive**2 / modes.norms)


def static_remainder(drum: Drum, strike: Strike, fmax_hz: float) -> float:
    """Static give [m/N] of the film functions above ``fmax_hz``: sum of a^2 f^2 / (T k^2) over k beyond the cut.

    The cut solves T k^2 = w^2 (sigma + 2 rho / k), the film with air on both sides.
    """
    tension, density = tension_of(drum, "batter"), drum.batter.surface_density
    w = 2 * pi * fmax_hz
    cut = w * sqrt(density / tension)
    for _ in range(20):
        cut = w * sqrt((density + 2 * drum.air.density / cut) / tension)
    k, beyond = _give_beyond(drum.diameter, strike)
    return float(beyond[np.searchsorted(k, cut, side="right")] / tension)


@lru_cache(maxsize=32)
def _give_beyond(diameter: float, strike: Strike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wavenumbers k [1/m] of the film functions, rising, and the sums of a^2 f^2 / k^2 [m] from each of them on."""
    radius = diameter / 2.0
    zeros = np.array([bessel_zeros(m, _FILMS) for m in range(_ORDERS)])
    k = (zeros / radius).ravel()
    f2 = np.array([spot_on(radius, _FILMS, m, strike) ** 2 / (pi * (2.0 if m == 0 else 1.0)) for m in range(_ORDERS)]).ravel()
    place = np.argsort(k)
    each = (radius**2 * f2 / k**2)[place]
    return k[place], np.append(np.cumsum(each[::-1])[::-1], 0.0)
