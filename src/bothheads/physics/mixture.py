"""How the orders m are joined where an opening or a thing off the axis breaks a drum's roundness.

Unknowns: film functions of every order, cosines and sines about the axis through the thing (they stay apart when
everything lies on that axis), then the air's own motion in the opening.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import atan2, hypot, pi

import numpy as np
from numpy.typing import NDArray

from ..records import HEADS, Drum, Muffling
from . import muffling, opening
from .membrane import Array
from .system import ModeSet, System, tension_of

Complex = NDArray[np.complex128]
Index = NDArray[np.int_]


@dataclass(frozen=True, eq=False)
class Mixture:
    """How the rows of a mixed drum's vectors are laid out, and what joins the orders.

    Row 2N i + n is film function n of family i on the batter, 2N i + N + n on the resonant head; the opening's own
    flows come last. ``mass``, ``resistance``, ``stiffness`` are what pads add and the opening takes away.
    """

    families: tuple[tuple[int, bool], ...]
    axis: float
    symmetric: bool
    hole: opening.Hole | None
    mass: Array
    resistance: Array
    stiffness: Array
    cut_overlap: Array | None  # resonant rows: film mass removed per unit surface density
    cut_gradient: Array | None  # per unit tension
    films: int

    @property
    def film_rows(self) -> int:
        """Number of film unknowns."""
        return 2 * self.films * len(self.families)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.film_rows + (len(opening.FLOWS) if self.hole is not None else 0)

    @property
    def hole_columns(self) -> slice:
        """Columns of the opening's own flows."""
        return slice(self.film_rows, self.size)

    def head_rows(self, resonant: bool) -> Index:
        """Rows of one head's film functions, in order of families."""
        n = self.films
        start = np.arange(len(self.families))[:, None] * 2 * n + (n if resonant else 0)
        return np.asarray((start + np.arange(n)).ravel())

    def slopes(self, modes: ModeSet) -> Complex:
        """See ``ModeSet.slopes``."""
        d, out = modes.drum, np.zeros((len(modes), 7), complex)
        orders = np.array([m for m, _ in self.families])
        for i, name in enumerate(HEADS):
            if name == "resonant" and d.resonant is None:
                continue
            head, rows = d.head(name), self.head_rows(i == 1)
            v = modes.vectors[:, rows]
            n = self.films
            k2 = modes.system.wavenumber2[orders][:, i * n:(i + 1) * n].ravel()
            stiff, total = (v * v) @ k2, (v * v).sum(1)
            if i == 1 and self.cut_overlap is not None and self.cut_gradient is not None:
                stiff = stiff - np.einsum("ja,ja->j", v @ self.cut_gradient, v)
                total = total - np.einsum("ja,ja->j", v @ self.cut_overlap, v)
            stiff = stiff * tension_of(d, name)
            beta = head.stiffness_loss_used
            out[:, i] = stiff * (1 + beta * modes.s)
            out[:, 2 + i] = modes.s**2 * head.surface_density * total
            out[:, 4 + i] = modes.s * head.resistance_used * total
            out[:, 6] += modes.s * beta * stiff
        return -out / modes.norms[:, None]

    def same_sense(self, modes: ModeSet) -> Array:
        """See ``ModeSet.same_sense``; family 0 is m = 0."""
        motion = (np.abs(modes.vectors[:, : self.film_rows]) ** 2).sum(1)
        if modes.drum.resonant is None:
            return np.asarray(np.abs(modes.vectors[:, 0]) ** 2 / motion)
        return np.asarray(np.abs(modes.vectors[:, 0] + modes.vectors[:, self.films]) ** 2 / 2 / motion)


def axis_of(drum: Drum) -> tuple[float, bool]:
    """Direction [rad] of the line through the middle on which everything lies, and whether one such line exists."""
    directions = []
    hole = drum.resonant.opening if drum.resonant is not None else None
    if hole is not None and hypot(hole.x, hole.y) > 1e-9:
        directions.append(atan2(hole.y, hole.x))
    for item in drum.muffling:
        if muffling.is_round(item):
            continue
        directions.append(pi / 2 if item.kind in ("strip", "filling") else atan2(item.y, item.x))
    first = directions[0] if directions else 0.0
    return first, all(abs(np.sin(d - first)) < 1e-9 for d in directions)


def groups(mixture: Mixture) -> list[list[int]]:
    """Indices of the families that stay together."""
    if not mixture.symmetric:
        return [list(range(len(mixture.families)))]
    cosines = [i for i, f in enumerate(mixture.families) if not f[1]]
    return [cosines, [i for i, f in enumerate(mixture.families) if f[1]]]


def join(system: System) -> Mixture:
    """Matrices of everything that joins the orders of ``system``'s drum."""
    drum, n = system.drum, system.films
    axis, symmetric = axis_of(drum)
    families = tuple((m, sine) for sine in (False, True) for m in range(system.air.orders) if m or not sine)
    rows = 2 * n * len(families)
    hole, overlap, gradient = None, None, None
    found = drum.resonant.opening if drum.resonant is not None else None
    if found is not None:
        size, centre = found.diameter / 2 / drum.radius, hypot(found.x, found.y) / drum.radius
        if hypot(found.x, found.y) > 1e-9 and np.cos(atan2(found.y, found.x) - axis) < 0:
            axis += pi  # the hole lies on the positive side
        turn = atan2(found.y, found.x) - axis if centre > 1e-9 else 0.0
        if abs(np.sin(turn)) > 1e-9:  # not on the line: the hole keeps the axis, the other things turn
            axis = atan2(found.y, found.x)
        hole = opening.hole(size, centre, families, n, system.air.outside)
        overlap, gradient = opening.removed(size, centre, families, n)
        gradient = gradient / drum.radius**2
    size_all = rows + (len(opening.FLOWS) if hole is not None else 0)
    mass, resistance, stiffness = (np.zeros((size_all, size_all)) for _ in range(3))
    mixture = Mixture(families, axis, symmetric, hole, mass, resistance, stiffness, overlap, gradient, n)
    for item in drum.muffling:
        if not muffling.is_round(item):
            _touch(mixture, drum, item)
    if overlap is not None and gradient is not None:
        _cut(mixture, drum, overlap, gradient)
    return mixture


@lru_cache(maxsize=64)
def touched(
    shape: Muffling, radius: float, axis: float, families: tuple[tuple[int, bool], ...], films: int
) -> Array:
    """Overlap of the film functions over a thing's contact area, (families * films, the same)."""
    area = muffling.region(shape, radius, wavenumber=opening.shortest(families, films))
    x, y = area.x * np.cos(axis) + area.y * np.sin(axis), area.y * np.cos(axis) - area.x * np.sin(axis)
    value, _, _ = opening.film_functions(families, films, x, y)
    out = (value * area.weight) @ value.T
    out.setflags(write=False)
    return np.asarray(out)


def _touch(mixture: Mixture, drum: Drum, item: Muffling) -> None:
    shape = replace(item, heads=(), mass=0.0, resistance=0.0, stiffness=0.0)
    overlap = touched(shape, drum.radius, mixture.axis, mixture.families, mixture.films)
    density = muffling.surface_density(item, drum.radius)
    for name in item.heads:
        rows = np.ix_(mixture.head_rows(name == "resonant"), mixture.head_rows(name == "resonant"))
        mixture.mass[rows] += density * overlap
        mixture.resistance[rows] += item.resistance * overlap
        mixture.stiffness[rows] += item.stiffness * overlap
    if len(item.heads) == 2:
        cross = np.ix_(mixture.head_rows(False), mixture.head_rows(True))
        mixture.stiffness[cross] -= item.stiffness * overlap
        mixture.stiffness[cross[1].T, cross[0].T] -= item.stiffness * overlap.T


def _cut(mixture: Mixture, drum: Drum, overlap: Array, gradient: Array) -> None:
    head = drum.head("resonant")
    stiffness = tension_of(drum, "resonant") * gradient
    rows = np.ix_(mixture.head_rows(True), mixture.head_rows(True))
    mixture.mass[rows] -= head.surface_density * overlap
    mixture.resistance[rows] -= head.resistance_used * overlap + head.stiffness_loss_used * stiffness
    mixture.stiffness[rows] -= stiffness
