"""Maps of diameter by depth: lightness of one ink, contour lines with their figures, a few sizes marked in numbers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import floor, hypot, log10

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..constants import ASSUMED_RESISTANCE
from ..plan.maps import UNITS, WORDS, Maps
from .sheet import Block, Sheet, drawing, table
from .svg import SCREEN, Palette, Pen, number

Array = NDArray[np.float64]
Point = tuple[float, float]

FINE, FINEST = 10, 60  # steps between two solved sizes, and across a map of few sizes
DARKEST = 0.30  # of the ink, so that figures on it stay easy to read
LINES = 6  # contour lines about
LEAST_STEP = {"roundness": 1.0}  # dB between lines: less is not heard, and partials that come to count make jumps of as much
STRAIGHT = ("roundness",)  # between solved sizes; the others run in cubic splines
SCRAP = 25.0  # px, a line shorter than this is not drawn
MARKED = {"bass": ((18, 14), (20, 14), (22, 16), (24, 14), (26, 14)), "tom": ((10, 8), (12, 9), (14, 12), (16, 14))}
ABOUT = {
    "note": "The number on a line is the drum note", "tension": "The number on a line is the tension that the note takes",
    "tail": "The number on a line is the tail", "contact": "The number on a line is how long the beater stays on the head",
    "roundness": "The number on a line is the rms difference of levels between the places, in steps that are heard",
}
FOOT = (
    f"Forecasts of the model: closed, unmuffled, free field, both heads alike, losses assumed ({ASSUMED_RESISTANCE:g} N s/m3, "
    "common practice, no source). Nothing here was played; tails of real drums hang on losses that only a take can tell.",
    "The shell is rigid in the model: its wood, weight and edges have no say in these maps.",
)
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BASE = 640.0, 450.0, 62.0, 616.0, 62.0, 392.0


def shown(name: str, value: float) -> str:
    """A figure with its unit, three digits."""
    return f"{digits(value)} {UNITS[name]}"


def digits(value: float) -> str:
    """Three digits, zeros kept."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:#.3g}"


def fixed_words(maps: Maps) -> str:
    """What is held fixed, in words."""
    films = f"both heads {maps.film_mil:g} mil"
    return f"every size tuned to {maps.value:.4g} Hz, {films}" if maps.fixed == "note" else f"{films} at {maps.value:g} N/m"


def caption(maps: Maps, name: str) -> str:
    """The picture in words: what, where the ends lie, what the marked sizes say."""
    values = maps.values[name]
    places = [np.unravel_index(f(values), values.shape) for f in (np.nanargmin, np.nanargmax)]
    low, high = (f"{shown(name, float(values[i, j]))} at {maps.diameters_in[j]:g} x {maps.depths_in[i]:g} in" for i, j in places)
    sizes = "; ".join(f"{d} x {h}: {shown(name, maps.at(name, d, h))}" for d, h in _marked(maps))
    return (f"{WORDS[name][:1].upper()}{WORDS[name][1:]}, {fixed_words(maps)}. {ABOUT[name]}; darker is more. Least {low}, most "
            f"{high} (diameter x depth). {sizes}.{_limits(maps)}")


def _limits(maps: Maps) -> str:
    out = ""
    if maps.slack.any():
        out += " Dotted: the films would hang below their creases."
    if maps.tight.any():
        out += " Crossed: the films would stand above their working stress."
    return out


def _marked(maps: Maps) -> list[tuple[int, int]]:
    return [(d, h) for d, h in MARKED[maps.use] if maps.diameters_in[0] <= d <= maps.diameters_in[-1]
            and maps.depths_in[0] <= h <= maps.depths_in[-1]]


def levels_of(values: Array, least: float = 0.0) -> list[float]:
    """Round figures for about ``LINES`` contour lines between the ends of ``values``, ``least`` apart or more."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    rough = (high - low) / (LINES + 1)
    if rough <= 0:
        return []
    power = 10.0 ** floor(log10(rough))
    step = max(least, min((m * power for m in (1, 2, 2.5, 5, 10)), key=lambda s: abs(s - rough)))
    return [float(f"{v:.6g}") for v in np.arange(np.ceil(low / step) * step, high, step) if low < v < high]


def fine(maps: Maps, name: str) -> tuple[Array, Array, Array]:
    """Diameters, depths and values on a grid ``FINE`` times as dense or more, by splines through the solved sizes."""
    from scipy.interpolate import RectBivariateSpline

    x, y, values = np.array(maps.diameters_in), np.array(maps.depths_in), maps.values[name]
    if np.isnan(values).any():
        values = np.where(np.isnan(values), np.nanmean(values), values)
    degree = 1 if name in STRAIGHT else 3
    spline = RectBivariateSpline(y, x, values, kx=min(degree, len(y) - 1), ky=min(degree, len(x) - 1))
    xs, ys = (np.linspace(a[0], a[-1], max(FINE, FINEST // (len(a) - 1)) * (len(a) - 1) + 1) for a in (x, y))
    return xs, ys, np.asarray(spline(ys, xs))


def contour(xs: Array, ys: Array, values: Array, level: float) -> list[list[Point]]:
    """Lines of equal value, each as points (x, y): marching squares, linear along the edges of every cell."""
    above = values > level
    pieces: list[tuple[tuple[int, int, int], tuple[int, int, int]]] = []  # edges named (row, column, 0 across | 1 up)
    for i in range(len(ys) - 1):
        for j in range(len(xs) - 1):
            corners = (above[i, j], above[i, j + 1], above[i + 1, j + 1], above[i + 1, j])
            edges = ((i, j, 0), (i, j + 1, 1), (i + 1, j, 0), (i, j, 1))
            cut = [e for e, a, b in zip(edges, corners, (*corners[1:], corners[0]), strict=True) if a != b]
            if len(cut) == 4 and (values[i : i + 2, j : j + 2].mean() > level) != corners[0]:
                cut = [cut[1], cut[2], cut[3], cut[0]]  # a saddle whose middle belongs to the other two corners
            pieces += [(cut[k], cut[k + 1]) for k in range(0, len(cut), 2)]
    return [[_crossing(xs, ys, values, level, e) for e in line] for line in _joined(pieces)]


def _crossing(xs: Array, ys: Array, values: Array, level: float, edge: tuple[int, int, int]) -> Point:
    i, j, up = edge
    a, b = values[i, j], values[i + up, j + 1 - up]
    share = float((level - a) / (b - a))
    return (float(xs[j] + (0 if up else share * (xs[j + 1] - xs[j]))), float(ys[i] + (share * (ys[i + 1] - ys[i]) if up else 0)))


def _joined(pieces: Sequence[tuple[tuple[int, int, int], tuple[int, int, int]]]) -> list[list[tuple[int, int, int]]]:
    """Pieces end to end."""
    ends: dict[tuple[int, int, int], list[int]] = {}
    for k, piece in enumerate(pieces):
        for e in piece:
            ends.setdefault(e, []).append(k)
    left, out = set(range(len(pieces))), []
    for start in sorted(left, key=lambda k: min(len(ends[e]) for e in pieces[k])):
        if start not in left:
            continue
        left.remove(start)
        line = list(pieces[start])
        for _ in range(2):
            while following := [k for k in ends[line[-1]] if k in left]:
                left.remove(following[0])
                a, b = pieces[following[0]]
                line.append(b if a == line[-1] else a)
            line.reverse()
        out.append(line)
    return out


def names_of(maps: Maps) -> tuple[str, ...]:
    """The maps there are, in order: what is held fixed makes none."""
    return tuple(n for n in maps.values if n != maps.fixed)


def sheet(maps: Maps) -> Sheet:
    """All maps of one kind as a paper, each with its words, and a table of the solved sizes."""
    names = names_of(maps)
    blocks: list[Block] = [drawing("", map_svg(maps, name), caption(maps, name)) for name in names]
    rows = [(f"{d:g} x {h:g}", *(digits(float(maps.values[n][i, j])) for n in names))
            for j, d in enumerate(maps.diameters_in) for i, h in enumerate(maps.depths_in)]
    blocks.append(table("Every size that was solved", ("diameter x depth, in", *(f"{n}, {UNITS[n]}" for n in names)), rows))
    return Sheet(f"{'Bass drums' if maps.use == 'bass' else 'Toms'} over diameter and depth", "maps",
                 (f"bothheads {__version__}", fixed_words(maps)), tuple(blocks), FOOT, size="A4")


def map_svg(maps: Maps, name: str, *, palette: Palette = SCREEN) -> str:
    """One map as a drawing that stands alone."""
    pen = Pen(palette, f"m{name}")
    xs, ys, values = fine(maps, name)

    def at(x: float, y: float) -> Point:
        return (_LEFT + (_RIGHT - _LEFT) * (x - xs[0]) / (xs[-1] - xs[0]), _BASE - (_BASE - _TOP) * (y - ys[0]) / (ys[-1] - ys[0]))

    levels = levels_of(values, LEAST_STEP.get(name, 0.0))
    _shades(pen, xs, ys, values, levels, at)
    _bounds(pen, maps, at)
    _axes(pen, maps, name, at)
    taken: list[Point] = []
    _sizes(pen, maps, name, at, taken)
    _lines(pen, xs, ys, values, levels, at, taken)
    return pen.drawing(_WIDTH, _HEIGHT, css="map", label=caption(maps, name))


def _shades(pen: Pen, xs: Array, ys: Array, values: Array, levels: Sequence[float], at) -> None:  # type: ignore[no-untyped-def]
    """Bands between the lines, lighter to darker; runs of one band in a row are one bar."""
    middle = (values[:-1, :-1] + values[1:, :-1] + values[:-1, 1:] + values[1:, 1:]) / 4
    band = np.searchsorted(levels, middle)
    for i, row in enumerate(band):
        start = 0
        for j in range(1, len(row) + 1):
            if j < len(row) and row[j] == row[start]:
                continue
            if row[start]:
                left, top = at(xs[start], ys[i + 1])
                right, base = at(xs[j], ys[i])
                shade = DARKEST * row[start] / max(len(levels), 1)
                left, top, right, base = (float(round(v)) for v in (left, top, right, base))  # or seams show
                pen.bar(left, top, right - left, base - top, "fi",
                        extra=f' fill-opacity="{number(shade, 3)}" shape-rendering="crispEdges"')
            start = j


def _bounds(pen: Pen, maps: Maps, at) -> None:  # type: ignore[no-untyped-def]
    """A mark on every solved size whose films cannot stand it."""
    for mask, mark in ((maps.slack, "·"), (maps.tight, "×")):
        for i, j in zip(*np.nonzero(mask), strict=True):
            x, y = at(maps.diameters_in[j], maps.depths_in[i])
            pen.text(x, y + 5, mark, size=16, anchor="middle", weight=700)


def _axes(pen: Pen, maps: Maps, name: str, at) -> None:  # type: ignore[no-untyped-def]
    pen.text(_LEFT, 24, f"{WORDS[name][:1].upper()}{WORDS[name][1:]}, {UNITS[name]}" if name != "roundness" else
             f"Difference of levels round the drum, {UNITS[name]}", size=17, weight=650)
    pen.text(_LEFT, 45, fixed_words(maps), size=14, css="t2")
    pen.path(f"M{number(_LEFT)} {number(_TOP)}V{number(_BASE)}H{number(_RIGHT)}V{number(_TOP)}Z", "ink", width=1.5)
    for d in maps.diameters_in:
        if len(maps.diameters_in) < 8 or round(d - maps.diameters_in[0]) % 2 == 0:
            x, _ = at(d, maps.depths_in[0])
            pen.path(f"M{number(x)} {number(_BASE)}v6", "ink", width=1.25)
            pen.text(x, _BASE + 22, f"{d:g}", size=14, anchor="middle")
    for h in maps.depths_in:
        _, y = at(maps.diameters_in[0], h)
        pen.path(f"M{number(_LEFT)} {number(y)}h-6", "ink", width=1.25)
        pen.text(_LEFT - 10, y + 5, f"{h:g}", size=14, anchor="end")
    pen.text((_LEFT + _RIGHT) / 2, _BASE + 44, "diameter, in", size=14, anchor="middle", css="t2")
    pen.text(16, (_TOP + _BASE) / 2, "depth, in", size=14, anchor="middle", css="t2",
             extra=f' transform="rotate(-90 16 {number((_TOP + _BASE) / 2)})"')


def _sizes(pen: Pen, maps: Maps, name: str, at, taken: list[Point]) -> None:  # type: ignore[no-untyped-def]
    """A few usual sizes with their figures."""
    for d, h in _marked(maps):
        x, y = at(d, h)
        pen.path(f"M{number(x - 5)} {number(y)}h10M{number(x)} {number(y - 5)}v10", "ink", width=2)
        right = x > _RIGHT - 50
        up = -7 if y > _TOP + 24 else 18
        pen.text(x - 9 if right else x + 9, y + up, digits(maps.at(name, d, h)), size=15, weight=700, css="halo",
                 anchor="end" if right else "start", extra=_halo(pen))
        taken += [(x, y), (x + (-25 if right else 25), y + up - 3)]


def _halo(pen: Pen) -> str:
    return f' stroke="{pen.palette.paper}" stroke-width="6" stroke-linejoin="round" paint-order="stroke"'


def _lines(pen: Pen, xs: Array, ys: Array, values: Array, levels: Sequence[float], at, taken: list[Point]) -> None:  # type: ignore[no-untyped-def]
    """Contour lines, each with its figure where there is most room; a scrap too short for one is left out."""
    drawn = [(level, line) for level in levels for curve in contour(xs, ys, values, level)
             if _length(line := [at(*p) for p in curve]) > SCRAP]
    for _, line in drawn:
        pen.path("M" + "L".join(f"{number(x)} {number(y)}" for x, y in line), "ink", width=1.25)
    for level, line in drawn:
        x, y = max(line, key=lambda p: _room(p, taken))
        x, y = min(max(x, _LEFT + 20), _RIGHT - 20), min(max(y, _TOP + 11), _BASE - 11)
        taken.append((x, y))
        pen.text(x, y + 5, f"{level:g}", size=14, anchor="middle", css="halo", extra=_halo(pen))


def _length(line: Sequence[Point]) -> float:
    return sum(hypot(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(line))


def _room(p: Point, taken: Sequence[Point]) -> float:
    """Distance to the nearest text and to the frame, in which a figure still finds its place."""
    edge = min(p[0] - _LEFT - 8, _RIGHT - 8 - p[0], p[1] - _TOP - 2, _BASE - 2 - p[1])
    near = min((hypot((p[0] - x) * 0.7, p[1] - y) for x, y in taken), default=90.0)
    return min(edge, near, 90.0)
