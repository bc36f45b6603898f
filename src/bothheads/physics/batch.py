"""Modes of many states of one drum at once: 200 states a second on one core, for searches over tensions.

A state is a row of seven numbers in the order of ``system.SLOPE_NAMES``: Tb, Tr [N/m], sigma_b, sigma_r [kg/m2],
Rb, Rr [N s/m3], beta [s]. Every order m keeps a fixed number of modes in order of frequency; ``batch_air`` loads
them at once. What breaks the roundness of a drum enters here by its mean round the axis; ``coupled.solve`` has it in full.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, pi

import numpy as np
from numpy.typing import NDArray

from ..constants import INCH
from ..records import Drum
from . import muffling
from .batch_air import BatchAir
from .bessel import bessel_zeros
from .coupled import build
from .membrane import Array
from .mixture import join
from .opening import removed
from .radiation import KA_MAX
from .system import Options

Complex = NDArray[np.complex128]

COUNTS = (8, 6, 4, 3, 2)  # modes followed of each order m = 0, 1, ...
FILMS = 8  # film functions per order and head: 0.04 % on the highest followed mode
_START_HZ = (20.0, 90.0)  # for a 24 in drum; others scale with 1 / radius
_SLOWEST_HZ = 5.0  # starts below this are the open end's idle functions, not modes


@dataclass(frozen=True)
class Blocks:
    """Constant matrices of every order, (orders, 2N, 2N): per unit of each head's film and what is added to it."""

    film: tuple[Array, Array]  # per unit surface density or resistance of batter, resonant
    tension: tuple[Array, Array]  # per unit tension
    mass: Array
    resistance: Array
    stiffness: Array


@dataclass(frozen=True, eq=False)
class BatchModes:
    """Modes of B states: s (B, J), vectors (B, J, 2N) with v'v = 1, norms v'Z'v (B, J)."""

    s: Complex
    vectors: Complex
    norms: Complex

    @property
    def frequency_hz(self) -> Array:
        """Frequencies [Hz], (B, J)."""
        return np.asarray(self.s.imag / (2 * pi))

    @property
    def decay_s(self) -> Array:
        """Amplitude e-folding times [s], (B, J)."""
        return np.asarray(-1.0 / np.minimum(self.s.real, -1e-3))


class BatchDrum:
    """One drum's shape, air and fixed additions; ``modes`` solves it for many rows of ``SLOPE_NAMES``.

    ``order`` (J,) is m of every followed mode and ``rank`` (J,) its place within the order, from 0.
    """

    def __init__(self, drum: Drum, *, films: int = FILMS, counts: tuple[int, ...] = COUNTS) -> None:
        self.films, self.counts, self.orders = films, counts, len(counts)
        self.radius, self.air = drum.radius, drum.air
        self.open_end = drum.resonant is None
        self.blocks = round_blocks(drum, films, self.orders)
        self._shape = BatchAir(drum, films, self.orders)
        self.order = np.repeat(np.arange(self.orders), counts)
        self.rank = np.concatenate([np.arange(c) for c in counts])
        self._steady = [self._steady_air(m) for m in range(self.orders)]

    # ------------------------------------------------------------------ matrices
    def _steady_air(self, m: int) -> tuple[Array, Array]:
        """Mass and stiffness of the air read off at two frequencies: Re Z(iw) ~ K - w^2 M."""
        low, high = (2 * pi * f * 12 * INCH / self.radius for f in _START_HZ)
        w = self._shape.at(m, np.array([1j * low, 1j * high]))[0].real
        mass = (high**2 * w[1] - low**2 * w[0]) / (high**2 - low**2)
        return mass, low**2 * (mass - w[0])

    def _film(self, m: int, p: Array) -> tuple[Array, Array, Array]:
        """Mass, resistance and stiffness of films and additions for each row of ``p``, (B, 2N, 2N)."""
        b = self.blocks
        q = p[:, :, None, None]
        mass = q[:, 2] * b.film[0][m] + q[:, 3] * b.film[1][m] + b.mass[m]
        tension = q[:, 0] * b.tension[0][m] + q[:, 1] * b.tension[1][m]
        resistance = q[:, 4] * b.film[0][m] + q[:, 5] * b.film[1][m] + q[:, 6] * tension + b.resistance[m]
        return mass, resistance, tension + b.stiffness[m]

    # ------------------------------------------------------------------ modes
    def modes(self, p: Array, *, rounds: int = 2) -> BatchModes:
        """Modes of every row of ``p`` (B, 7); ``rounds`` of Newton's iteration: 2 for searches, 4 to 1e-9."""
        parts = [self._modes_of(m, p, rounds) for m in range(self.orders)]
        return BatchModes(*(np.concatenate([part[i] for part in parts], 1) for i in range(3)))

    def _modes_of(self, m: int, p: Array, rounds: int) -> tuple[Complex, Complex, Complex]:
        count, states, size = self.counts[m], len(p), 2 * self.films
        mass, resistance, stiffness = self._film(m, p)
        s, v = self._start(m, mass, stiffness)
        many = [np.repeat(x, count, axis=0) for x in (mass, resistance, stiffness)]
        ceiling = 0.98 * KA_MAX * self.air.speed_of_sound / self.radius
        norms = np.ones_like(s)
        for turn in range(rounds + 1):
            s = s.real + 1j * np.minimum(s.imag, ceiling)
            z, dz = self._impedance(m, s, many)
            if turn < rounds:
                v = np.asarray(np.linalg.solve(z, (dz @ v[:, :, None]))[:, :, 0], dtype=np.complex128)
                v /= np.sqrt((v * v).sum(1))[:, None]
            norms = ((dz @ v[:, :, None])[:, :, 0] * v).sum(1)
            step = ((z @ v[:, :, None])[:, :, 0] * v).sum(1) / norms
            s = s - step * np.minimum(1.0, 0.15 * np.abs(s) / (np.abs(step) + 1e-30))
        return s.reshape(states, count), v.reshape(states, count, size), norms.reshape(states, count)

    def _impedance(self, m: int, s: Complex, film: list[Array]) -> tuple[Complex, Complex]:
        air, slope = self._shape.at(m, s)
        t = s[:, None, None]
        inertia = film[0] + air
        return t * (t * inertia + film[1]) + film[2], 2 * t * inertia + t * t * slope + film[1]

    def _start(self, m: int, mass: Array, stiffness: Array) -> tuple[Complex, Complex]:
        """Undamped modes with the steady air, the lowest of each order, flattened over states."""
        air_mass, air_stiffness = self._steady[m]
        inverse = np.linalg.inv(np.linalg.cholesky(mass + air_mass))
        turned = np.swapaxes(inverse, 1, 2)
        values, u = np.linalg.eigh(inverse @ (stiffness + air_stiffness) @ turned)
        slow = (2 * pi * _SLOWEST_HZ) ** 2
        if self.open_end:
            place = np.argsort(np.where(values < slow, np.inf, values), axis=1, kind="stable")
            values, u = np.take_along_axis(values, place, 1), np.take_along_axis(u, place[:, None, :], 2)
        count = self.counts[m]
        shapes = np.swapaxes(turned @ u[:, :, :count], 1, 2).reshape(-1, 2 * self.films)
        return 1j * np.sqrt(np.maximum(values[:, :count], slow)).ravel(), shapes.astype(complex)

    def slopes(self, modes: BatchModes, p: Array) -> Complex:
        """ds / d ln p for every column of ``SLOPE_NAMES``, exact: - v'(dZ/d ln p) v / v'Z'v, (B, J, 7)."""
        v, s = modes.vectors, modes.s
        out = np.zeros((*s.shape, 7), complex)
        start = 0
        for m, count in enumerate(self.counts):
            part = slice(start, start + count)
            start += count
            w, sm = v[:, part], s[:, part]
            for i in (0, 1):
                film = ((w @ self.blocks.film[i][m]) * w).sum(2)
                stiff = ((w @ self.blocks.tension[i][m]) * w).sum(2) * p[:, i, None]
                out[:, part, i] = stiff * (1 + p[:, 6, None] * sm)
                out[:, part, 2 + i] = sm**2 * film * p[:, 2 + i, None]
                out[:, part, 4 + i] = sm * film * p[:, 4 + i, None]
                out[:, part, 6] += sm * stiff * p[:, 6, None]
        return -out / modes.norms[:, :, None]


def round_blocks(drum: Drum, films: int, orders: int) -> Blocks:
    """Films, muffling and the missing film of an opening, all by their mean round the axis."""
    n = films
    film = [np.zeros((orders, 2 * n, 2 * n)) for _ in range(2)]
    tension = [np.zeros((orders, 2 * n, 2 * n)) for _ in range(2)]
    for m in range(orders):
        k2 = (bessel_zeros(m, n) / drum.radius) ** 2
        for i in range(1 if drum.resonant is None else 2):
            rows = np.arange(i * n, (i + 1) * n)
            film[i][m, rows, rows] = 1.0
            tension[i][m, rows, rows] = k2
    if drum.resonant is not None and drum.resonant.opening is not None:
        hole = drum.resonant.opening
        families = _families(orders)
        overlap, gradient = removed(hole.diameter / drum.diameter, hypot(hole.x, hole.y) / drum.radius, families, n)
        for m in range(orders):
            film[1][m, n:, n:] -= _mean_block(overlap, m, families, n)
            tension[1][m, n:, n:] -= _mean_block(gradient, m, families, n) / drum.radius**2
    mass, resistance, stiffness = _additions(drum, n, orders)
    return Blocks((film[0], film[1]), (tension[0], tension[1]), mass, resistance, stiffness)


def _families(orders: int) -> tuple[tuple[int, bool], ...]:
    return tuple((m, sine) for sine in (False, True) for m in range(orders) if m or not sine)


def _mean_block(matrix: Array, m: int, families: tuple[tuple[int, bool], ...], size: int) -> Array:
    """Mean of the diagonal blocks of order m, cosine and sine."""
    at = [i * size for i, family in enumerate(families) if family[0] == m]
    return np.asarray(np.mean([matrix[i: i + size, i: i + size] for i in at], axis=0))


def _additions(drum: Drum, n: int, orders: int) -> tuple[Array, Array, Array]:
    """Mass, resistance and stiffness of everything that touches the films, (orders, 2N, 2N) each."""
    if not drum.muffling:
        zero = np.zeros((orders, 2 * n, 2 * n))
        return zero, zero, zero
    bare = drum.with_head("batter", tension=1.0, resistance=0.0, stiffness_loss=0.0)
    if drum.resonant is not None:
        bare = bare.with_head("resonant", tension=1.0, resistance=0.0, stiffness_loss=0.0, opening=None)
    wanted = Options(films=n, orders=orders)
    touched = build(bare, 300.0, wanted)
    plain = build(replace(bare, muffling=()), 300.0, wanted)
    out = [touched.mass - plain.mass, touched.resistance - plain.resistance, touched.stiffness - plain.stiffness]
    if any(not muffling.is_round(item) for item in drum.muffling):
        mixture = join(touched)
        for total, matrix in zip(out, (mixture.mass, mixture.resistance, mixture.stiffness), strict=True):
            for m in range(orders):
                total[m] += _mean_block(matrix, m, mixture.families, 2 * n)
    return out[0], out[1], out[2]
