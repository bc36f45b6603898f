"""All modes of many drums of one shape at once: what ``coupled.solve`` finds one by one, at a fraction of the cost.

One shape: size, air, what lies on the heads, whether there is a resonant head, and the resolution; free are tensions,
films and losses of both heads. Starts, bands, Newton's iteration and what counts as a mode are those of ``coupled``;
the air of all modes of an order is one matrix product (``batch_air``). Openings and muffling off the axis mix the
orders and are not for this module.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import pi

import numpy as np

from ..errors import InputError
from ..records import HEADS, Air, Drum, HeadName, Muffling
from . import muffling
from .airload import air_load
from .batch import round_blocks
from .batch_air import BatchAir
from .coupled import (
    MAX_ORDERS,
    build,
    counted,
    default_fmax,
    duplicates,
    is_mixed,
    is_mode,
    read_at,
    resolution,
    settled,
    windows,
)
from .membrane import Array
from .radiation import Radiation, radiation
from .system import Complex, Index, ModeSet, Options, tension_of

SETTLED = 1e-4  # Newton's last step over s: the iteration is cubic, so what is left is far below 1e-8

IDLE = 1e-9  # the same where the shell is open: its end has functions without a mode that must not pass for one


@dataclass(frozen=True)
class Shape:
    """What drums that are solved together have in common."""

    diameter: float
    depth: float
    air: Air
    muffling: tuple[Muffling, ...]
    closed: bool  # has a resonant head
    films: int

    @classmethod
    def of(cls, drum: Drum) -> Shape | None:
        """The shape of a round drum; None for one whose orders mix, which must be solved alone."""
        if is_mixed(drum):
            return None
        films = resolution(drum, default_fmax(drum))[0]
        return cls(drum.diameter, drum.depth, drum.air, drum.muffling, drum.resonant is not None, films)


@dataclass(frozen=True, eq=False)
class ManyModes:
    """Modes of B drums, drum after drum, each in order of frequency.

    ``modes`` holds them all in one set, so that ``response.heard``, ``feel.residues_of`` and ``same_sense`` serve all
    drums in one call; its ``drum`` and ``system`` are the first drum's and stand for the shape only (its ``slopes``
    mean nothing). Those of drum i are ``starts[i]:starts[i + 1]``. ``head_pitch_hz`` (B,) per head: (0,1) of that
    head, the other held still; NaN where it lies above the highest frequency.
    """

    modes: ModeSet
    starts: Index
    head_pitch_hz: dict[HeadName, Array]

    def of(self, index: int) -> slice:
        """Rows of one drum's modes."""
        return slice(int(self.starts[index]), int(self.starts[index + 1]))


def solve_many(drums: Sequence[Drum]) -> ManyModes:
    """All modes of drums of one ``Shape`` up to ``default_fmax`` [Hz], with both head pitches.

    Raises
    ------
    InputError
        When a tension is not known, naming the head, or the drums are not of one shape.
    """
    shapes = {Shape.of(drum) for drum in drums}
    shape = next(iter(shapes), None)
    if len(shapes) != 1 or shape is None:
        raise InputError("only round drums of one shape are solved together: solve the others one by one.")
    solver = _Solver(drums, shape.films)
    parts = [solver.all_modes(m) for m in range(solver.orders)]
    which, s, vectors, norms = (np.concatenate([part[i] for part in parts]) for i in range(4))
    order = np.repeat(np.arange(solver.orders), [len(part[0]) for part in parts])
    place = np.lexsort((s.imag, which))
    system = build(drums[0], solver.fmax, Options(films=shape.films, orders=MAX_ORDERS))
    modes = ModeSet(drums[0], system, s[place], order[place], vectors[place], norms[place])
    starts = np.searchsorted(which[place], np.arange(len(drums) + 1))
    if shape.closed:
        return ManyModes(modes, starts, {name: solver.head_pitch_hz(name) for name in HEADS})
    return ManyModes(modes, starts, {"batter": _lowest(modes, starts)})


def forget_shapes() -> None:
    """Lets go of the tables of every shape met so far: a process that goes through thousands stays as large as it is."""
    air_load.cache_clear()
    radiation.cache_clear()
    Radiation.transfer.cache_clear()
    Radiation.extra.cache_clear()


def head_pitches(drum: Drum) -> dict[HeadName, float]:
    """Both head pitches [Hz] of any drum with a resonant head, openings and what lies off the axis left out.

    As ``forecast`` gives them; NaN where one lies above the highest frequency. Of a drum without resonant head: {}.
    """
    if drum.resonant is None:
        return {}
    solver = _Solver([drum], resolution(drum, default_fmax(drum))[0], 1)
    return {name: float(solver.head_pitch_hz(name)[0]) for name in HEADS}


def _made_round(drum: Drum) -> Drum:
    round_ = replace(drum, muffling=tuple(item for item in drum.muffling if muffling.is_round(item)))
    return round_ if drum.resonant is None else round_.with_head("resonant", opening=None)


@dataclass(frozen=True, eq=False)
class _Film:
    """Diagonals (drums, kept) of mass, resistance and stiffness of the films; ``laid``: what lies on them, all drums'."""

    keep: slice
    mass: Array
    resistance: Array
    stiffness: Array
    laid: tuple[Array, ...] | None

    def impedance(self, which: Index, s: Complex, air: Complex, slope: Complex) -> tuple[Complex, Complex]:
        """Z and dZ/ds of the drums ``which`` at ``s`` from the air's rho a W and its slope, (modes, kept, kept)."""
        t = s[:, None, None]
        air, slope = air[:, self.keep, self.keep], slope[:, self.keep, self.keep]
        z, dz = (t * t) * air, (t * t) * slope + (2 * t) * air
        i, u = np.arange(self.mass.shape[1]), s[:, None]
        mass, resistance, stiffness = self.mass[which], self.resistance[which], self.stiffness[which]
        z[:, i, i] += u * (u * mass + resistance) + stiffness
        dz[:, i, i] += 2 * u * mass + resistance
        if self.laid is not None:
            z += t * (t * self.laid[0] + self.laid[1]) + self.laid[2]
            dz += 2 * t * self.laid[0] + self.laid[1]
        return z, dz

    def with_air(self, mass: Array, stiffness: Array) -> tuple[Array, Array]:
        """Mass and stiffness of every drum with those of the air added, (drums, kept, kept)."""
        i = np.arange(self.mass.shape[1])
        out = []
        for own, air, laid in ((self.mass, mass, 0), (self.stiffness, stiffness, 2)):
            full = np.repeat((air if self.laid is None else air + self.laid[laid])[None], len(own), axis=0)
            full[:, i, i] += own
            out.append(full)
        return out[0], out[1]


class _Solver:
    """Matrices of the heads of many drums, and their modes order by order; what mixes orders is left out."""

    def __init__(self, drums: Sequence[Drum], films: int, orders: int | None = None) -> None:
        first = drums[0]
        self.films, self.first, self.fmax = films, _made_round(first), default_fmax(first)
        self.own_orders = np.array([orders or resolution(drum, self.fmax)[1] for drum in drums])
        self.orders = int(self.own_orders.max())
        self.air = BatchAir(first, films, MAX_ORDERS)  # all orders, so that every set of drums shares its tables
        self.blocks = round_blocks(self.first, films, self.orders)
        self.values = np.array([_values(drum) for drum in drums])

    def film(self, m: int, rows: Index, keep: slice) -> _Film:
        """Mass, resistance and stiffness of order ``m`` for the drums ``rows``."""
        b, q = self.blocks, self.values[rows][:, :, None]
        (film_b, film_r), (k2_b, k2_r) = ((np.diagonal(x[0][m])[keep], np.diagonal(x[1][m])[keep])
                                          for x in (b.film, b.tension))
        batter, resonant = q[:, 0] * k2_b, q[:, 1] * k2_r
        laid = tuple(x[m][keep, keep] for x in (b.mass, b.resistance, b.stiffness)) if self.first.muffling else None
        return _Film(keep, q[:, 2] * film_b + q[:, 3] * film_r,
                     q[:, 4] * film_b + q[:, 5] * film_r + q[:, 6] * batter + q[:, 7] * resonant, batter + resonant, laid)

    def all_modes(self, m: int) -> tuple[Index, Complex, Complex, Complex]:
        """Drum, s, vectors and norms of every mode of order ``m``, by drum and frequency."""
        rows = np.nonzero(self.own_orders > m)[0]
        film = self.film(m, rows, slice(0, 2 * self.films))
        which, s, v = self._start(m, film)
        s, v, norms = self._settled(m, film, which, s, v)
        good = is_mode(s, self.fmax)
        which, s, v, norms = which[good], s[good], v[good], norms[good]
        place = np.lexsort((s.imag, which))
        which, s, v, norms = which[place], s[place], v[place], norms[place]
        new = ~duplicates(which, s, v)
        return rows[which[new]], s[new], v[new], norms[new]

    def head_pitch_hz(self, name: HeadName) -> Array:
        """(0,1) of one head with the other held still [Hz], (drums,); NaN where it lies above the highest frequency."""
        n = self.films
        keep = slice(0, n) if name == "batter" else slice(n, 2 * n)
        rows = np.arange(len(self.values))
        film = self.film(0, rows, keep)
        which, s, v = self._start(0, film)
        place = np.lexsort((s.imag, which))
        lowest = place[np.unique(which[place], return_index=True)[1]]
        s, _, _ = self._settled(0, film, which[lowest], s[lowest], v[lowest])
        out = np.full(len(rows), np.nan)
        out[which[lowest]] = np.where(s.imag < 2 * pi * self.fmax, s.imag / (2 * pi), np.nan)
        return out

    def _settled(self, m: int, film: _Film, which: Index, s: Complex, v: Complex) -> tuple[Complex, Complex, Complex]:
        """Newton's iteration of ``coupled`` from the starts ``s``, ``v`` of the drums ``which``."""
        def evaluate(live: Index, at: Complex) -> tuple[Complex, Complex]:
            return film.impedance(which[live], at, *self.air.at(m, at))

        s, v, norms = settled(evaluate, which, s, v, tol=SETTLED if self.first.resonant is not None else IDLE)
        return s, v, norms

    def _start(self, m: int, film: _Film) -> tuple[Index, Complex, Complex]:
        """Undamped starts of all drums, band by band, as in ``coupled``: drum, s and shapes."""
        found: list[tuple[Index, Array, Array]] = []
        low, high = (np.array(edge) for edge in zip(*windows(self.first, m, self.fmax), strict=True))
        for first, second, floor, top in zip(*read_at(low, high), *counted(low, high, high[-1]), strict=True):
            w = self.air.at(m, np.array([1j * first, 1j * second]))[0].real[:, film.keep, film.keep]
            air_mass = (second**2 * w[1] - first**2 * w[0]) / (second**2 - first**2)
            air_stiffness = first**2 * (air_mass - w[0])
            mass, stiffness = film.with_air(air_mass, air_stiffness)
            inverse = np.linalg.inv(np.linalg.cholesky(mass))
            turned = np.swapaxes(inverse, 1, 2)
            values, u = np.linalg.eigh(inverse @ stiffness @ turned)
            omega = np.sqrt(np.maximum(values, 0.0))
            which, i = np.nonzero((omega < top) & (omega > floor))
            found.append((which, omega[which, i], np.einsum("jab,jb->ja", turned[which], u[which, :, i])))
        which, omega, shapes = (np.concatenate([f[k] for f in found]) for k in range(3))
        return which, 1j * omega, shapes.astype(complex)


def _lowest(modes: ModeSet, starts: Index) -> Array:
    """Lowest mode of order 0 of every drum [Hz]: the head pitch where the other end of the shell is open."""
    rows = [modes.frequency_hz[a:b][modes.order[a:b] == 0] for a, b in pairwise(starts)]
    return np.array([row[0] if len(row) else np.nan for row in rows])


def _values(drum: Drum) -> tuple[float, ...]:
    """Tensions, surface densities, resistances and stiffness losses, batter and resonant in turn; 0 for no head."""
    heads = [drum.batter] + ([drum.resonant] if drum.resonant is not None else [])
    columns = [
        [tension_of(drum, name) for name in HEADS[: len(heads)]], [head.surface_density for head in heads],
        [head.resistance_used for head in heads], [head.stiffness_loss_used for head in heads],
    ]
    return tuple(value for column in columns for value in (*column, 0.0)[:2])
