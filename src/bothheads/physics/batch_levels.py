"""Levels of many states at many places at once: what ``batch`` solved, heard where microphones may stand.

Amplitude of a mode = strike factor (the batter's part of its vector at the struck spot) x transfer to the place
(``radiation.transfer`` in film functions) x cos m (place - strike). Neither factor holds the tensions, so dozens of
places and strikes cost little more than one.
"""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, Strike
from .airload import surface
from .batch import BatchDrum, BatchModes
from .bessel import bessel_zeros
from .membrane import Array, film_modes_table
from .radiation import SOURCES, TERMS, chebyshev
from .response import _sources as sources
from .response import families, push
from .system import ModeSet

Complex = NDArray[np.complex128]


class BatchPlaces:
    """Pressure at P points (x, y, z) [m, z from the batter plane], each with the strike that is heard there.

    ``table`` (orders, TERMS, 2, P, SOURCES) and ``travel`` (P,) are ``Radiation.transfer`` of the points;
    ``strike_of`` (P,) is the index into ``strikes``.
    """

    def __init__(self, drum: Drum, batch: BatchDrum, points: Array, *, travel: Array, table: Array,
                 strikes: list[Strike], strike_of: NDArray[np.int_]) -> None:
        self.batch, self.strike, self.travel, self.strike_of = batch, drum.strike, travel, strike_of
        n = batch.films
        angle = np.arctan2([s.y for s in strikes], [s.x for s in strikes])
        around = np.arctan2(points[:, 1], points[:, 0]) - angle[strike_of]
        self.waves = [np.cos(m * around) / (pi * (2.0 if m == 0 else 1.0)) for m in range(batch.orders)]
        self.hits = [spots(drum, n, m, strikes).T for m in range(batch.orders)]
        self.transfer = [self._in_films(table[m], m, n) for m in range(batch.orders)]

    def _in_films(self, table: Array, m: int, n: int) -> Array:
        """Transfer from displacement of both films along +z, (TERMS, P * 2N); outward parities even, odd."""
        batter = surface(m, n, True)[1]
        resonant = surface(m, n, not self.batch.open_end)[1]
        even, odd = table[:, 0], table[:, 1]
        both = np.concatenate([(odd - even) / 2 @ batter[:SOURCES], (odd + even) / 2 @ resonant[:SOURCES]], axis=2)
        return np.asarray(both.reshape(TERMS, -1))

    def amplitudes(self, modes: BatchModes, points: NDArray[np.int_] | None = None, *, wait_s: float = 0.0) -> Complex:
        """Pressure amplitudes (B, J, P) ``wait_s`` after the end of the push [s], up to one common factor."""
        batch = self.batch
        chosen = np.arange(len(self.travel)) if points is None else points
        states, size = len(modes.s), 2 * batch.films
        out = np.empty((*modes.s.shape, len(chosen)), complex)
        start = 0
        for m, count in enumerate(batch.counts):
            part = slice(start, start + count)
            start += count
            s = modes.s[:, part].ravel()
            v = modes.vectors[:, part].reshape(-1, size)
            sc = s * batch.radius / batch.air.speed_of_sound
            table = self.transfer[m].reshape(TERMS, -1, size)[:, chosen].reshape(TERMS, -1)
            heard = _series(chebyshev(sc)[0], table).reshape(len(s), len(chosen), size)
            at = (heard @ v[:, :, None])[:, :, 0] * np.exp(-np.outer(sc, self.travel[chosen])) * self.waves[m][chosen]
            hit = v[:, : batch.films] @ self.hits[m].T
            drive = s**2 * push(s, self.strike) * np.exp(s.real * wait_s) / modes.norms[:, part].ravel()
            out[:, part] = (at * hit[:, self.strike_of[chosen]] * drive[:, None]).reshape(states, count, -1)
        return out


def _series(t: Complex, table: Array) -> Complex:
    """Complex polynomials times a real table as one real product."""
    both = np.concatenate([t.real, t.imag]) @ table
    return np.asarray(both[: len(t)] + 1j * both[len(t):])


def loudness(amplitudes: Complex, frequency_hz: Array, order: NDArray[np.int_], *, apart_hz: float = 0.4) -> Array:
    """Levels in dB; modes of one order nearer than ``apart_hz`` [Hz] are heard as one, in the upper of the two.

    ``amplitudes`` (B, J, ...), ``frequency_hz`` (B, J).
    """
    a = amplitudes.copy()
    for j in range(a.shape[1] - 1):
        if order[j] != order[j + 1]:
            continue
        near = np.abs(frequency_hz[:, j] - frequency_hz[:, j + 1]) < apart_hz
        if near.any():
            a[near, j + 1] += a[near, j]
            a[near, j] = 0.0
    return np.asarray(20.0 * np.log10(np.abs(a) + 1e-300))


def scene_amplitudes(modes: ModeSet, points: Array, *, travel: Array, table: Array, strikes: list[Strike],
                     strike_of: NDArray[np.int_], wait_s: float = 0.0) -> Complex:
    """Amplitudes (J, P) of one solved drum, arguments as ``BatchPlaces``; orders beyond the table are not heard.

    For drums whose orders mix; any ``ModeSet`` will do.
    """
    drum = modes.drum
    sc = modes.s * drum.radius / drum.air.speed_of_sound
    t = chebyshev(sc)[0]
    around = np.arctan2(points[:, 1], points[:, 0])
    out = np.zeros((len(modes), len(points)), complex)
    drives = _drives(modes, strikes)
    for f in families(modes, drum.strike):
        if f.m >= len(table):
            continue
        batter, resonant = sources(modes, f, modes.vectors)
        parity = np.stack([(resonant - batter) / 2, (resonant + batter) / 2], 1).reshape(len(f.rows), 2 * SOURCES)
        source = table[f.m].transpose(0, 2, 1, 3).reshape(TERMS * len(points), 2 * SOURCES)
        each = (parity @ source.T).reshape(len(f.rows), TERMS, len(points))
        out[f.rows] += np.einsum("jt,jtp->jp", t[f.rows], each) * f.wave(around)
    common = modes.s**2 * push(modes.s, drum.strike) * np.exp(modes.s.real * wait_s) / modes.norms
    return np.asarray(out * drives[:, strike_of] * common[:, None] * np.exp(-np.outer(sc, travel)))


def spots(drum: Drum, films: int, m: int, strikes: list[Strike]) -> Array:
    """``response.spot`` of many strikes with one spot size, (films, strikes), from the tabled film functions."""
    at = np.minimum(np.hypot([s.x for s in strikes], [s.y for s in strikes]) / drum.radius, 1.0)
    k = bessel_zeros(m, films) / drum.radius
    soft = np.exp(-((k * drum.strike.radius_sd) ** 2) / 2) / drum.radius**2
    return np.asarray(film_modes_table(m, films, at)[0] * soft[:, None])


def _drives(modes: ModeSet, strikes: list[Strike]) -> Complex:
    """Work of a unit push at every strike on every mode, (J, strikes)."""
    out = np.zeros((len(modes), len(strikes)), complex)
    angle = np.arctan2([s.y for s in strikes], [s.x for s in strikes])
    for f in families(modes, modes.drum.strike):
        force = spots(modes.drum, modes.system.films, f.m, strikes) * f.wave(angle)
        out[f.rows] += modes.vectors[f.rows, f.batter] @ force
    return out
