"""A build's figures as a smooth surface over both tensions, from a few dozen states solved at once.

Chebyshev polynomials in u and d (``plan.design``) through ln of note, decay rate and of what resistance and mass on either
head do to them (exact slopes of the note), and through levels in dB. What is laid on a head acts to first order on the
decay rate itself, by its share of the (0,1) film motion squared (``plan.muffling``). Openings enter by their mean round the
axis. All of that is for finding candidates only: every exact solve corrects the surface where it was made.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import hypot, log, pi

import numpy as np
from numpy.typing import NDArray

from ..constants import LN_1000
from ..physics import muffling as things
from ..physics.batch import BatchDrum, BatchModes
from ..physics.batch_levels import BatchPlaces
from ..physics.coupled import default_fmax
from ..physics.radiation import radiation
from ..physics.room import mirrored
from ..records import HEADS, Drum, Head, Muffling, reference_places
from ..roundness import roundness_db
from .design import LAID, MOST_APART, Build, densities, loud_db, tensions
from .job import Part
from .muffling import motion_share

Array = NDArray[np.float64]

NODES = (5, 5)  # along u and d
NOTE, AXIS, ALL_ROUND = (2,), (10,), (8, 6, 4)  # modes followed per order: for the note, the front, and all round
NAMES = tuple(LAID)
Kinds = NDArray[np.int_]
Correction = tuple[int, float, float, dict[str, float]]  # kind, u, d, exact - surface
MARGIN = 0.25  # of u beyond what the notes asked for need with both heads at one pitch
UNEQUAL = 0.75  # of u more, for heads apart: the slack one pulls the note down
WEAKEST = 1e-12


@dataclass(frozen=True)
class Window:
    """The rectangle of u and d on which a surface holds."""

    u: tuple[float, float]
    d: tuple[float, float] = (-MOST_APART, MOST_APART)

    def nodes(self) -> tuple[Array, Array]:
        """Chebyshev nodes along u and d, flattened grid (u, d)."""
        lines = [0.5 * (a + b) - 0.5 * (b - a) * np.cos(pi * (np.arange(n) + 0.5) / n)
                 for (a, b), n in zip((self.u, self.d), NODES, strict=True)]
        u, d = np.meshgrid(*lines, indexing="ij")
        return u.ravel(), d.ravel()

    def basis(self, u: Array, d: Array) -> tuple[Array, Array]:
        """Chebyshev polynomials (n, nodes) along either axis."""
        out = []
        for x, (a, b), n in zip((u, d), (self.u, self.d), NODES, strict=True):
            scaled = np.clip((2.0 * x - a - b) / max(b - a, 1e-9), -1.05, 1.05)
            out.append(np.asarray(np.polynomial.chebyshev.chebvander(scaled, n - 1), dtype=np.float64))
        return out[0], out[1]


def rows_of(drum: Drum, u: Array, d: Array) -> Array:
    """States as rows of ``physics.batch``: Tb, Tr, sigma_b, sigma_r, Rb, Rr, beta."""
    first, second = tensions(drum, u, d)
    assert drum.resonant is not None
    fixed = [*densities(drum), drum.batter.resistance_used, drum.resonant.resistance_used, drum.batter.stiffness_loss_used]
    return np.column_stack([first, second, np.tile(fixed, (len(first), 1))])


class Surface:
    """One build's figures; ``levels`` names the places whose level is wanted, 'round' also roundness."""

    def __init__(self, build: Build, part: Part, window: Window, levels: tuple[str, ...] = ()) -> None:
        self.build, self.window, self.levels = build, window, levels
        drum = replace(build.drum, floor=part.floor or build.drum.floor, microphones=())
        self.drum = drum
        counts = ALL_ROUND if {"seat", "round"} & set(levels) else AXIS if levels else NOTE
        batch = _batch(_shape(drum), counts)
        u, d = window.nodes()
        rows = rows_of(drum, u, d)
        modes = batch.modes(rows, rounds=1)
        table = self._note(batch, modes, rows)
        if levels:
            table |= _heard(drum, batch, modes, levels)
        across, along = (np.linalg.inv(b) for b in self._axes())
        grid = np.array(list(table.values())).reshape(len(table), *NODES)
        self.names = list(table)
        self.weights = np.einsum("ai,kij,bj->kab", across, grid, along)
        self.solved: list[Correction] = []
        self.hints: list[Correction] = []
        self.touch = _touches(build)

    def _axes(self) -> tuple[Array, Array]:
        u, d = (x.reshape(NODES) for x in self.window.nodes())
        first, second = self.window.basis(u[:, 0], u[:, 0])[0], self.window.basis(d[0], d[0])[1]
        return first, second

    def _note(self, batch: BatchDrum, modes: BatchModes, rows: Array) -> dict[str, Array]:
        """ln of the note's pulsation and decay rate, and what unit resistance and mass on either head change."""
        slopes, s = batch.slopes(modes, rows)[:, 0], modes.s[:, 0]
        out = {"w": np.log(s.imag), "rate": np.log(np.maximum(-s.real, 1e-4))}
        for i, head in enumerate(HEADS):
            out[f"loss {head}"] = np.log(np.maximum(-slopes[:, 4 + i].real / rows[:, 4 + i], WEAKEST))
            out[f"mass {head}"] = np.log(np.maximum(-slopes[:, 2 + i].imag / s.imag / rows[:, 2 + i], WEAKEST))
        return out

    def at(self, u: Array, d: Array, kind: Kinds, size: Array) -> dict[str, Array]:
        """Figures (n,) on the scales of the wishes at u, d with something of a ``kind`` and ``size`` [m] laid on.

        All four are (n,); ``kind`` is the index into ``NAMES``.
        """
        first, second = self.window.basis(u, d)
        found = {name: ((first @ w) * second).sum(1) for name, w in zip(self.names, self.weights, strict=True)}
        rate, pitch = np.exp(found["rate"]), found["w"] - log(2.0 * pi)
        for k in np.unique(kind):
            if NAMES[k] == "none":
                continue
            chosen = np.flatnonzero(kind == k)
            loss, mass = self.touch[NAMES[k]]
            for head in HEADS:
                rate[chosen] += np.exp(found[f"loss {head}"][chosen]) * np.interp(size[chosen], *loss[head])
                pitch[chosen] -= np.exp(found[f"mass {head}"][chosen]) * np.interp(size[chosen], *mass[head])
        batter = tensions(self.drum, u, d)[0]
        out = {"note": pitch, "tail": log(LN_1000) - np.log(rate),
               "response": np.log(2.0 * self.drum.radius * np.sqrt(self.drum.batter.surface_density / batter))}
        out |= {name: found[name] for name in ("front", "seat", "roundness") if name in found}
        return self._corrected(out, u, d, kind)

    def _corrected(self, out: dict[str, Array], u: Array, d: Array, kind: Kinds) -> dict[str, Array]:
        """Corrections of the exact solves that were made, weighed by nearness; other muffling counts as further off."""
        if not self.solved:
            return out
        near = np.array([1.0 / ((u - x) ** 2 + (d - y) ** 2 + 1e-6 + 0.5 * (kind != k)) ** 2 for k, x, y, _ in self.solved])
        near /= near.sum(axis=0)
        if self.hints and not self.build.opening_in:  # of another build: only of what is laid on alike
            near *= np.array([kind == k for k, *_ in self.solved])
        for name in out:
            offsets = np.array([found.get(name, 0.0) for _, _, _, found in self.solved])
            if np.any(offsets):
                out[name] = out[name] + offsets @ near
        return out

    def learn(self, laid: str, size: float, u: float, d: float, exact: dict[str, float]) -> None:
        """An exact solve: the surface passes through it from now on."""
        kept, self.solved = self.solved, []
        k = NAMES.index(laid)
        plain = self.at(np.array([u]), np.array([d]), np.array([k]), np.array([size]))
        self.solved = [entry for entry in kept if entry not in self.hints]
        self.hints = []
        offset = {name: exact[name] - float(plain[name][0]) for name in plain if np.isfinite(exact.get(name, np.nan))}
        self.solved.append((k, u, d, offset))

    def hint(self, other: Surface) -> None:
        """Take over the last correction of a kindred build until this one is solved itself."""
        latest = other.solved[-1]
        self.hints = [*(h for h in self.hints if h[0] != latest[0]), latest]
        self.solved = list(self.hints)


def _shape(drum: Drum) -> Drum:
    """The drum with what a batch does not depend on made alike, so that one batch serves all films of a size."""
    film = Head(1.0)
    hole = drum.resonant.opening if drum.resonant else None
    return replace(drum, name="", batter=film, resonant=replace(film, opening=hole), floor=None)


@lru_cache(maxsize=256)
def _batch(shape: Drum, counts: tuple[int, ...]) -> BatchDrum:
    return BatchDrum(shape, counts=counts)


@lru_cache(maxsize=256)
def _transfer(aspect: float, r: tuple[float, ...], z: tuple[float, ...], orders: int) -> tuple[Array, Array]:
    return radiation(aspect).transfer(r, z, orders)


def _heard(drum: Drum, batch: BatchDrum, modes: BatchModes, levels: tuple[str, ...]) -> dict[str, Array]:
    """Levels [dB] at the reference places that are wanted, and roundness over all four of them."""
    places = tuple(p for p in reference_places(drum.depth) if "round" in levels or p.name in levels)
    points = list(places)
    mirror: tuple[float, ...] = ()
    if drum.floor is not None:
        images, mirror = mirrored(drum, places)
        points += list(images)
    xyz = np.array([(p.x, p.y, p.z) for p in points])
    r = tuple(hypot(p.x, p.y) / drum.radius for p in points)
    z = tuple((p.z - drum.depth / 2.0) / drum.radius for p in points)
    travel, table = _transfer(drum.depth / drum.radius, r, z, batch.orders)
    heard = BatchPlaces(drum, batch, xyz, travel=travel, table=table, strikes=[drum.strike],
                        strike_of=np.zeros(len(points), dtype=int))
    pressure = 2.0 * drum.air.density * drum.radius * heard.amplitudes(modes)
    if mirror:
        pressure = pressure[:, :, : len(places)] + pressure[:, :, len(places):] * np.array(mirror)
    pressure = np.where((modes.frequency_hz < default_fmax(drum))[:, :, None], pressure, 0.0)
    loud = loud_db(modes.s, pressure)
    out = {p.name: loud[:, i] for i, p in enumerate(places) if p.name in levels}
    if "round" in levels:
        each = 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-15) / 20e-6)
        out["roundness"] = np.array([roundness_db(rows) or 0.0 for rows in each])
    return out


Table = dict[str, tuple[Array, Array]]


def _touches(build: Build) -> dict[str, tuple[Table, Table]]:
    """Per way of muffling and head: sizes [m], and resistance and mass added per film motion squared of (0,1)."""
    radius = build.drum.radius
    out = {}
    for name, laid in LAID.items():
        if name == "none":
            continue
        sizes = np.linspace(*laid.limits(radius), 6)
        loss: Table = {h: (sizes, np.zeros(6)) for h in HEADS}
        mass: Table = {h: (sizes, np.zeros(6)) for h in HEADS}
        for k, size in enumerate(sizes):
            for item, share in _shares(name, float(size), radius):
                loss[item.heads[0]][1][k] = item.resistance * share
                mass[item.heads[0]][1][k] = things.surface_density(item, radius) * share
        out[name] = (loss, mass)
    return out


@lru_cache(maxsize=1024)
def _shares(name: str, size: float, radius: float) -> tuple[tuple[Muffling, float], ...]:
    return tuple((item, motion_share(item, radius)) for item in LAID[name].make(size, radius))


def note_window(build: Build, part: Part, low_hz: float, high_hz: float, reach: tuple[float, float]) -> Window:
    """Where along u the notes from ``low_hz`` to ``high_hz`` lie, with room for heads apart, within ``reach``."""
    drum = replace(build.drum, microphones=(), floor=None)
    line = np.linspace(*reach, 6)
    modes = _batch(_shape(drum), NOTE).modes(rows_of(drum, line, np.zeros(6)), rounds=1)
    pitch = np.log(modes.s[:, 0].imag / (2.0 * pi))
    slope = (pitch[-1] - pitch[-2]) / (line[-1] - line[-2])  # beyond the ends as straight lines
    first = (pitch[1] - pitch[0]) / (line[1] - line[0])
    ends = []
    for hz in (low_hz, high_hz):
        x = log(hz)
        if x < pitch[0]:
            ends.append(reach[0] + (x - pitch[0]) / first)
        elif x > pitch[-1]:
            ends.append(reach[1] + (x - pitch[-1]) / slope)
        else:
            ends.append(float(np.interp(x, pitch, line)))
    low = min(max(ends[0] - MARGIN, reach[0]), reach[1] - 0.3)
    return Window((low, max(min(ends[1] + UNEQUAL, reach[1]), low + 0.3)))
