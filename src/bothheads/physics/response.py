"""What a strike does: complex amplitudes of every mode at the end of the push, on the films and at microphones.

With amplitudes P_k at t = 0, the end of the push, p(t) = Re sum P_k exp(s_k t) from then on. A mode's amplitude is
2 v (v'f) E(s) / v'Z'v, with f the strike in film functions and E(s) = int_0^tc F(t) exp(s (tc - t)) dt.
Outside the drum the pressure follows from the closed cylinder's radiation, inside from the duct between the heads.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import atan2, hypot, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, HeadName, Microphone, Strike
from .airload import DUCT, surface
from .bessel import bessel_zeros
from .cavity import duct_functions, duct_modes
from .coupled import default_fmax, solve
from .membrane import Array, film_modes, film_on_rim_free
from .radiation import SOURCES, TERMS, chebyshev, radiation
from .room import mirrored
from .system import DEFAULT, ModeSet, Options

Complex = NDArray[np.complex128]

CLOSEST = 2e-3  # radii: a microphone nearer to the drum's surface than this is heard at this distance


@dataclass(frozen=True)
class Family:
    """The film functions of one order: cos or sin m (theta - axis), the modes that hold it and their columns."""

    m: int
    sine: bool
    axis: float
    rows: NDArray[np.int_]
    batter: slice
    resonant: slice
    index: int

    def wave(self, theta: Array | float) -> Array:
        """Angular function over sqrt(pi eps_m)."""
        angle = self.m * (np.asarray(theta, dtype=float) - self.axis)
        return np.asarray((np.sin(angle) if self.sine else np.cos(angle)) / sqrt(pi * (2.0 if self.m == 0 else 1.0)))


def families(modes: ModeSet, strike: Strike) -> Iterator[Family]:
    """The orders of a mode set; a round drum is seen in the frame of the strike."""
    n = modes.system.films
    if modes.mixture is None:
        axis = atan2(strike.y, strike.x)
        for m in range(modes.system.air.orders):
            rows = np.nonzero(modes.order == m)[0]
            if rows.size:
                yield Family(m, False, axis, rows, slice(0, n), slice(n, 2 * n), m)
        return
    everyone = np.arange(len(modes))
    for i, (m, sine) in enumerate(modes.mixture.families):
        b = slice(2 * n * i, 2 * n * i + n)
        yield Family(m, sine, modes.mixture.axis, everyone, b, slice(b.stop, b.stop + n), i)


def push(s: Complex, strike: Strike) -> Complex:
    """E(s) [N s] of the raised cosine F/2 (1 - cos 2 pi t / tc), referred to its end: how it drives exp(s t)."""
    w2 = (2 * pi / strike.duration) ** 2
    return np.asarray(strike.force / 2 * np.expm1(s * strike.duration) * w2 / (s * (s * s + w2)))


def spot(drum: Drum, films: int, m: int, strike: Strike) -> Array:
    """Radial part of a unit strike in film functions [1/m2]: psi(r) exp(-(k sd)^2/2) / a^2, a Gaussian spot."""
    return spot_on(drum.radius, films, m, strike)


@lru_cache(maxsize=256)
def spot_on(radius: float, films: int, m: int, strike: Strike) -> Array:
    """The same for a head of ``radius`` [m]."""
    k = bessel_zeros(m, films) / radius
    at = min(hypot(strike.x, strike.y) / radius, 1.0)
    out = film_modes(m, films, at) * np.exp(-((k * strike.radius_sd) ** 2) / 2) / radius**2
    out.setflags(write=False)
    return np.asarray(out)


def amplitudes(modes: ModeSet, strike: Strike, *, with_push: bool = True) -> Complex:
    """Displacement [m] of every degree of freedom in every mode at the end of the push, like ``modes.vectors``.

    Without the push: per unit impulse [m / (N s)].
    """
    drive = np.zeros(len(modes), complex)
    theta = atan2(strike.y, strike.x)
    for f in families(modes, strike):
        force = spot(modes.drum, modes.system.films, f.m, strike) * f.wave(theta)
        drive[f.rows] += modes.vectors[f.rows, f.batter] @ force
    gain = 2.0 * drive / modes.norms
    if with_push:
        gain = gain * push(modes.s, strike)
    return np.asarray(modes.vectors * gain[:, None])


def film_displacement(modes: ModeSet, strike: Strike, head: HeadName, x: Array, y: Array) -> Complex:
    """Displacement [m] of one film at points (x, y) [m] in every mode at the end of the push, (modes, points)."""
    q = amplitudes(modes, strike)
    r = np.hypot(x, y) / modes.drum.radius
    theta = np.arctan2(y, x)
    out = np.zeros((len(modes), np.size(r)), complex)
    for f in families(modes, strike):
        part = f.batter if head == "batter" else f.resonant
        out[f.rows] += q[f.rows, part] @ (film_modes(f.m, modes.system.films, np.ravel(r)) * f.wave(np.ravel(theta)))
    return out


def pressures(
    modes: ModeSet, strike: Strike, places: Sequence[Microphone], *, with_push: bool = True
) -> Complex:
    """Pressure [Pa] of every mode at every place at the end of the push, (modes, places).

    p(t) = Re sum P exp(s (t - end of the push)). Places may be outside or inside the drum.
    Without the push: per unit impulse at t = 0 [Pa/(N s)].
    """
    drum = modes.drum
    q = amplitudes(modes, strike, with_push=with_push)
    out = np.zeros((len(modes), len(places)), complex)
    inside = np.array([_is_inside(drum, p) for p in places], dtype=bool)
    for chosen, field in ((~inside, _outside), (inside, _inside)):
        index = np.nonzero(chosen)[0]
        if index.size:
            out[:, index] = field(modes, strike, q, [places[int(i)] for i in index])
    return out


def _is_inside(drum: Drum, place: Microphone) -> bool:
    return 0.0 < place.z < drum.depth and hypot(place.x, place.y) < drum.radius


@lru_cache(maxsize=64)
def _off_surface(drum_shape: tuple[float, float], x: float, y: float, z: float) -> tuple[float, float]:
    """(r, z from the middle) in radii, moved off the drum's surface where it lies on it."""
    radius, depth = drum_shape
    r, height, half = hypot(x, y) / radius, (z - depth / 2) / radius, depth / radius / 2
    if r < 1.0 + CLOSEST and abs(height) < half + CLOSEST:
        if half + CLOSEST - abs(height) <= 1.0 + CLOSEST - r:
            height = (half + CLOSEST) * (1.0 if height > 0 else -1.0)
        else:
            r = 1.0 + CLOSEST
    return r, height


def _outside(modes: ModeSet, strike: Strike, q: Complex, places: Sequence[Microphone]) -> Complex:
    drum, system = modes.drum, modes.system
    shape = (drum.radius, drum.depth)
    points = [_off_surface(shape, p.x, p.y, p.z) for p in places]
    air = radiation(drum.depth / drum.radius)
    travel, table = air.transfer(tuple(p[0] for p in points), tuple(p[1] for p in points), system.air.orders)
    theta = np.array([atan2(p.y, p.x) for p in places])
    sc = modes.s * drum.radius / drum.air.speed_of_sound
    t = chebyshev(sc)[0]
    out = np.zeros((len(modes), len(places)), complex)
    for f in families(modes, strike):
        batter, resonant = _sources(modes, f, q)
        parity = np.stack([(resonant - batter) / 2, (resonant + batter) / 2], 1)  # outward: even, odd
        source = table[f.m].transpose(0, 2, 1, 3).reshape(TERMS * len(places), 2 * SOURCES)
        each = (parity.reshape(len(f.rows), 2 * SOURCES) @ source.T).reshape(len(f.rows), TERMS, len(places))
        out[f.rows] += np.einsum("jt,jtp->jp", t[f.rows], each) * f.wave(theta)
    scale = drum.air.density * drum.radius * modes.s**2
    return np.asarray(out * scale[:, None] * np.exp(-np.outer(sc, travel)))


def _sources(modes: ModeSet, f: Family, q: Complex) -> tuple[Complex, Complex]:
    """Displacements of both ends along +z in rim-free functions, (rows, SOURCES) each."""
    v = film_on_rim_free(f.m, modes.system.films, SOURCES)
    if modes.drum.resonant is None:
        _, open_end, _ = surface(f.m, modes.system.films, False)
        return q[f.rows, f.batter] @ v.T, q[f.rows, f.resonant] @ open_end.T
    resonant = q[f.rows, f.resonant] @ v.T
    if modes.mixture is not None and modes.mixture.hole is not None:
        resonant = resonant + q[:, modes.mixture.hole_columns] @ modes.mixture.hole.sources[f.index].T
    return q[f.rows, f.batter] @ v.T, resonant


def _inside(modes: ModeSet, strike: Strike, q: Complex, places: Sequence[Microphone]) -> Complex:
    """Duct field: p_l(z) = rho s^2 [w_b cosh kap (L - z) - w_r cosh kap z] / (kap sinh kap L) in each duct mode."""
    drum, system = modes.drum, modes.system
    a = drum.radius
    r = np.array([hypot(p.x, p.y) / a for p in places])
    theta = np.array([atan2(p.y, p.x) for p in places])
    z, depth = np.array([p.z / a for p in places]), drum.depth / a
    sc = modes.s * a / drum.air.speed_of_sound
    out = np.zeros((len(modes), len(places)), complex)
    for f in families(modes, strike):
        chi = duct_functions(f.m, DUCT, r)  # (DUCT, places)
        mu, _ = duct_modes(f.m, DUCT)
        c = system.air.duct[f.m]
        n = system.films
        batter, resonant = q[f.rows, f.batter] @ c[:, :n].T, q[f.rows, f.resonant] @ c[:, n:].T
        if modes.mixture is not None and modes.mixture.hole is not None:
            resonant = resonant + q[:, modes.mixture.hole_columns] @ modes.mixture.hole.duct[f.index].T
        kap = np.sqrt(mu**2 + sc[f.rows, None] ** 2)[:, :, None]
        whole = 1.0 / (1.0 - np.exp(-2 * kap * depth)) / kap
        from_batter = (np.exp(-kap * z) + np.exp(-kap * (2 * depth - z))) * whole
        from_resonant = (np.exp(-kap * (depth - z)) + np.exp(-kap * (depth + z))) * whole
        field = batter[:, :, None] * from_batter - resonant[:, :, None] * from_resonant
        out[f.rows] += np.einsum("jlp,lp->jp", field, chi) * f.wave(theta)
    return np.asarray(out * (drum.air.density * a * modes.s**2)[:, None])


def heard(modes: ModeSet, strike: Strike, places: Sequence[Microphone]) -> Complex:
    """Pressures [Pa] of every mode at every place with the drum's floor, if it has one; like ``pressures``."""
    if modes.drum.floor is None:
        return pressures(modes, strike, places)
    images, reflection = mirrored(modes.drum, tuple(places))
    both = pressures(modes, strike, (*places, *images))
    return np.asarray(both[:, : len(places)] + both[:, len(places):] * np.array(reflection))


def decaying_partials(
    drum: Drum, *, fmax_hz: float | None = None, options: Options = DEFAULT
) -> tuple[Complex, Complex]:
    """Poles s (modes,) [1/s] and pressures (modes, places) [Pa] at the end of the drum's own strike."""
    modes = solve(drum, fmax_hz=default_fmax(drum) if fmax_hz is None else fmax_hz, options=options)
    return modes.s, heard(modes, drum.strike, drum.places)
