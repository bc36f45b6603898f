"""The search: every build by its surface, the promising ones by the exact model, until the best is solved where it lies.

For each build the best setting is found on the surface (a grid over u and d, every way of muffling at a few sizes, then a
grid that shrinks round the best). The build that promises most is solved exactly there, its surface passes through that
point from then on, and the next promise is looked at, until the best that is promised has been solved.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import log
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..physics.coupled import is_mixed
from .cost import Scale, part_misses, weighed
from .design import LAID, MOST_APART, Build, Figures, Setting, figures_of, reach, set_up
from .job import Job, Part
from .kit import good_range
from .surface import NAMES, Surface, Window, note_window

Array = NDArray[np.float64]

GRID = (8, 11)  # along u and d; odd along d, so that both heads at one pitch is looked at
SIZES = 4  # of every way of muffling in the first look
ZOOMS, ZOOMED = 7, 2  # shrinking grids, and how many promises of a build they are made for
ASIDE = 0.35  # |d| up to which heads count as alike
THINGS = np.array([kind.things for kind in LAID.values()])
SOLVED_NEAR = 0.004  # of u and d (a third of a per cent of tension, 3 cents): as good as solved there
AS_PROMISED = 0.02  # step: an exact cost this near to the best promise is as good


@dataclass(frozen=True)
class Lattice:
    """A small grid to be searched whole: values of u and d, and shares [0-1] of each muffling's range of sizes."""

    u: tuple[float, ...]
    d: tuple[float, ...]
    sizes: tuple[float, ...] = (0.5,)
    laid: tuple[str, ...] = ("none",)

    def settings(self, build: Build) -> list[Setting]:
        """Every setting of one build."""
        out = []
        for laid in self.laid:
            low, high = LAID[laid].limits(build.drum.radius)
            for share in self.sizes if laid != "none" else (0.0,):
                size = 0.0 if laid == "none" else low + share * (high - low)
                out += [Setting(u, d, laid, size) for u in self.u for d in self.d]
        return out


@dataclass(frozen=True)
class Found:
    """One setting of a build, solved exactly: its figures and its misses by key."""

    setting: Setting
    figures: Figures
    misses: dict[str, float]

    def cost(self, weights: Mapping[str, float]) -> float:
        """Weighed sum of the misses."""
        return float(sum(weights.get(key, 1.0) * value for key, value in self.misses.items()))


class Points(NamedTuple):
    """Settings (n,) as columns: u, d, kind of muffling (index into ``surface.NAMES``), its size [m]."""

    u: Array
    d: Array
    kind: NDArray[np.int_]
    size: Array

    @classmethod
    def grid(cls, u: Array, d: Array, ways: Sequence[tuple[int, float]]) -> Points:
        """Every way with every u and d, in this order."""
        shape = (len(ways), len(u), len(d))
        each = (u[None, :, None], d[None, None, :], np.array([k for k, _ in ways])[:, None, None],
                np.array([s for _, s in ways])[:, None, None])
        return cls(*(np.broadcast_to(x, shape).ravel() for x in each))

    def setting(self, i: int) -> Setting:
        """One row."""
        return Setting(float(self.u[i]), float(self.d[i]), NAMES[int(self.kind[i])], float(self.size[i]))


def _crossing(u: Array, note: Array, hz: float) -> Array:
    """u (ways, d) at which the note (ways, u, d), rising with u, is ``hz`` [ln Hz]; the nearer end where it never is."""
    above = np.clip((note < hz).sum(axis=1), 1, len(u) - 1)[:, None, :]
    low, high = (np.take_along_axis(note, above - k, axis=1)[:, 0] for k in (1, 0))
    share = np.clip((hz - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    return np.asarray(u[above[:, 0] - 1] + share * (u[1] - u[0]))


def _side(d: Array) -> NDArray[np.int_]:
    """-1, 0, 1: the batter's own pitch well below the resonant head's, much alike, well above."""
    return np.asarray((d > ASIDE).astype(int) - (d < -ASIDE).astype(int))


@dataclass
class Corner:
    """One build for one part of a job: its surface, the settings looked at and those solved."""

    build: Build
    part: Part
    surface: Surface
    solved: dict[Setting, Figures] = field(default_factory=dict)


@dataclass
class Promise:
    """The best setting of one corner by its surface, under one set of weights."""

    setting: Setting
    cost: float


class Hunt:
    """A job's search. ``tick`` is told of every step and may raise to stop; ``lattice`` restricts it to a small grid."""

    def __init__(self, job: Job, builds: Sequence[Build], *,
                 lattice: Lattice | None = None, laid: Sequence[str] | None = None,
                 tick: Callable[[str], None] = lambda words: None) -> None:
        self.job, self.lattice, self.tick = job, lattice, tick
        self.laid = tuple(laid) if laid is not None else tuple(LAID) if job.muffled else ("none",)
        self.scale = Scale()
        self.states = self.solves = 0
        self.builds: list[Build] = []
        self.corners: list[list[Corner]] = []
        self.add(builds)

    def add(self, builds: Sequence[Build]) -> None:
        """More builds to look at."""
        for i, build in enumerate(builds):
            self.tick(f"sizes and films: {i + 1} of {len(builds)}")
            self.builds.append(build)
            self.corners.append([self._corner(build, part) for part in self.job.parts])

    # ------------------------------------------------------------------ surfaces
    def _corner(self, build: Build, part: Part) -> Corner:
        asked = {c.what for c in part.criteria}
        levels = tuple(p for p in ("front", "seat") if p in asked) + (("round",) if "roundness" in asked else ())
        ends = reach(build.drum)
        if self.lattice:
            window = Window((min(self.lattice.u), max(self.lattice.u) + 1e-6))
        else:
            wish = part.wish("note")
            low, high = (wish.low, wish.high) if wish else good_range(build.drum.diameter, self.job.use)
            window = note_window(build, part, low, high, ends)
        return Corner(build, part, Surface(build, part, window, levels))

    def look(self, corner: Corner, at: Points) -> dict[str, Array]:
        """Misses (n,) of settings by the surface."""
        self.states += len(at.u)
        values = corner.surface.at(at.u, at.d, at.kind, at.size)
        return part_misses(corner.build, corner.part, self.job.use, values, at.u, at.d, THINGS[at.kind], self.scale)

    def _ways(self, corner: Corner) -> list[tuple[int, float]]:
        """(kind, size) of every way of muffling in the first look."""
        out = []
        for laid in self.lattice.laid if self.lattice else self.laid:
            low, high = LAID[laid].limits(corner.build.drum.radius)
            shares = (0.0,) if laid == "none" else self.lattice.sizes if self.lattice else np.linspace(0.0, 1.0, SIZES)
            out += [(NAMES.index(laid), 0.0 if laid == "none" else float(low + s * (high - low))) for s in shares]
        return out

    def _first_look(self, corner: Corner) -> Points:
        """A grid of settings; without a lattice also those on the ends of the note asked for, at every d."""
        window, ways = corner.surface.window, self._ways(corner)
        if self.lattice:
            return Points.grid(np.array(self.lattice.u), np.array(self.lattice.d), ways)
        lines = np.linspace(*window.u, GRID[0]), np.linspace(-MOST_APART, MOST_APART, GRID[1])
        grid = Points.grid(*lines, ways)
        wish = corner.part.wish("note")
        low, high = wish.ends if wish else (log(x) for x in good_range(corner.build.drum.diameter, self.job.use))
        note = corner.surface.at(grid.u, grid.d, grid.kind, grid.size)["note"].reshape(len(ways), *GRID)
        onto = [Points.grid(lines[0][:1], lines[1], ways)._replace(u=_crossing(lines[0], note, hz).ravel())
                for hz in dict.fromkeys((low, high))]
        return Points(*(np.concatenate(column) for column in zip(grid, *onto, strict=True)))

    def promise(self, corner: Corner, weights: Sequence[Mapping[str, float]], *, zoom: bool = False) -> list[Promise]:
        """The best setting of a corner by its surface, for each set of weights."""
        at = self._first_look(corner)
        misses = self.look(corner, at)
        out = []
        for w in weights:
            cost = weighed(misses, w)
            i = int(np.argmin(cost))
            best = Promise(at.setting(i), float(cost[i]))
            out.append(self._zoomed(corner, best, w) if zoom and not self.lattice and np.isfinite(best.cost) else best)
        return out

    def _zoomed(self, corner: Corner, start: Promise, weights: Mapping[str, float]) -> Promise:
        """A grid that shrinks round the best, muffling's size included."""
        window, best = corner.surface.window, start
        low, high = LAID[best.setting.laid].limits(corner.build.drum.radius)
        reach_u, reach_d = (window.u[1] - window.u[0]) / (GRID[0] - 1), 2.0 * MOST_APART / (GRID[1] - 1)
        reach_size = (high - low) / (SIZES - 1)
        kind = NAMES.index(best.setting.laid)
        for _ in range(ZOOMS):
            s, line = best.setting, np.linspace(-1.0, 1.0, 7)
            sizes = [s.size] if s.laid == "none" else np.clip(s.size + reach_size * line[::3], low, high)
            at = Points.grid(np.clip(s.u + reach_u * line, *window.u), np.clip(s.d + reach_d * line, -MOST_APART, MOST_APART),
                             [(kind, float(size)) for size in sizes])
            cost = weighed(self.look(corner, at), weights)
            i = int(np.argmin(cost))
            if cost[i] < best.cost:
                best = Promise(at.setting(i), float(cost[i]))
            reach_u, reach_d, reach_size = reach_u / 2.2, reach_d / 2.2, reach_size / 1.7
        return best

    # ------------------------------------------------------------------ exact
    def solve(self, corner: Corner, setting: Setting) -> Found:
        """A setting by the exact model (kept); the corner's surface, and its unsolved kin's, learn from it."""
        if setting not in corner.solved:
            self.tick(f"{corner.build.name}: solving")
            figures = figures_of(set_up(corner.build, setting, corner.part))
            self.solves += 1
            corner.solved[setting] = figures
            corner.surface.learn(setting.laid, setting.size, setting.u, setting.d, figures.values)
            self._hint(corner)
        return self.found(corner, setting)

    def _hint(self, corner: Corner) -> None:
        """What a thing laid on, or an opening's air, does beyond the first order is much alike: pass it on to the unsolved."""
        for row in self.corners:
            for other in row:
                if not other.solved and other.build.opening_in == corner.build.opening_in and other.part is corner.part:
                    other.surface.hint(corner.surface)

    def found(self, corner: Corner, setting: Setting) -> Found:
        """Misses of a setting that has been solved, on the scale of now."""
        figures = corner.solved[setting]
        one = {name: np.array([value]) for name, value in figures.values.items()}
        misses = part_misses(corner.build, corner.part, self.job.use, one, np.array([setting.u]), np.array([setting.d]),
                             np.array([LAID[setting.laid].things]), self.scale)
        return Found(setting, figures, {key: float(value[0]) for key, value in misses.items()})

    def best_of(self, corner: Corner, weights: Mapping[str, float]) -> Found | None:
        """The best setting that has been solved, or None."""
        found = [self.found(corner, s) for s in corner.solved]
        return min(found, key=lambda f: f.cost(weights), default=None)

    def settle(self, corner: Corner, weights: Mapping[str, float], *, slack: float = 0.0, most: int = 4) -> Found | None:
        """Solve where the surface promises most, up to ``most`` times, until no promise is left; the best that was solved.

        Where a way of muffling has not been solved yet on one of the three sides of d (batter higher, alike, lower), the
        surface is believed to ``slack`` steps only.
        """
        best = self.best_of(corner, weights)
        for _ in range(most):
            limit = np.inf if best is None else best.cost(weights)
            open_ = [p for p in self._classes(corner, weights) if p.cost < limit - AS_PROMISED + (
                0.0 if self._known(corner, p.setting) else slack) and self._near(corner, p.setting) is None]
            if not open_ or not np.isfinite(min(p.cost for p in open_)):
                break
            self.solve(corner, min(open_, key=lambda p: p.cost).setting)
            best = self.best_of(corner, weights)
        return best

    def _classes(self, corner: Corner, weights: Mapping[str, float]) -> list[Promise]:
        """The best promise of every way of muffling on each side of d; the best of all, where there is no lattice, zoomed."""
        at = self._first_look(corner)
        cost = weighed(self.look(corner, at), weights)
        out = []
        for kind in np.unique(at.kind):
            for side in (-1, 0, 1):
                mine = np.flatnonzero((at.kind == kind) & (_side(at.d) == side) & np.isfinite(cost))
                if len(mine):
                    i = int(mine[np.argmin(cost[mine])])
                    out.append(Promise(at.setting(i), float(cost[i])))
        out.sort(key=lambda p: p.cost)
        if self.lattice:
            return out
        return [self._zoomed(corner, p, weights) if k < ZOOMED or p.cost < out[0].cost + 0.7 else p for k, p in enumerate(out)]

    def _known(self, corner: Corner, setting: Setting) -> bool:
        """Whether this way of muffling has been solved on this side of d."""
        return any(s.laid == setting.laid and _side(np.array(s.d)) == _side(np.array(setting.d)) for s in corner.solved)

    def _near(self, corner: Corner, setting: Setting) -> Setting | None:
        """A solved setting that is as good as this one."""
        for s in corner.solved:
            if s.laid == setting.laid and max(abs(s.u - setting.u), abs(s.d - setting.d)) < SOLVED_NEAR and \
                    abs(s.size - setting.size) < 1e-3:
                return s
        return None


def expense(build: Build, setting: Setting) -> float:
    """What an exact solve costs, in solves of a round drum (some 8 ms)."""
    laid = bool(LAID[setting.laid].things and setting.laid != "ring") or is_mixed(build.drum)
    if build.opening_in:
        return 17.0 if setting.laid not in ("none", "ring") else 8.0
    return 1.0 if not laid else 10.0 if build.drum.diameter > 0.45 else 20.0
