"""The drum from above, microphones where they stood, and a small spectrum for each."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from html import escape
from math import log

from .. import roundness
from ..records import Drum, Microphone
from ..units import inches_from_metres
from .svg import SCREEN, Palette, Pen, number

SHOWN_DB = 40.0


@dataclass(frozen=True)
class Line:
    """One partial at all places: level [dB] under the strongest of all, None = not found there."""

    frequency_hz: float
    share_batter: float | None
    level_db: tuple[float | None, ...]
    is_note: bool = False


def pair_db(lines: Sequence[Line], a: int, b: int) -> float | None:
    """See ``bothheads.roundness.pair_db``."""
    return roundness.pair_db([line.level_db for line in lines], a, b)


def roundness_db(lines: Sequence[Line]) -> float | None:
    """See ``bothheads.roundness.roundness_db``."""
    return roundness.roundness_db([line.level_db for line in lines])


def where_words(m: Microphone, depth: float) -> str:
    """Where a microphone stood, in words: its largest distance from the drum."""
    behind, before, aside = -m.z, m.z - depth, abs(m.x)
    name, far = max((("behind", behind), ("before", before), ("aside", aside), ("up" if m.y > 0 else "down", abs(m.y))),
                    key=lambda item: item[1])
    return f"{100 * far:.0f} cm {name}"


Box = tuple[float, float, float, float]  # left, top, right, bottom [px]


@dataclass(frozen=True)
class Ground:
    """Where the plan lies on its paper: px of the axis at the batter, px a metre; x runs to the player's left, z up."""

    width: float
    height: float
    x0: float
    z0: float
    scale: float

    def at(self, x: float, z: float) -> tuple[float, float]:
        """Place on the paper [px] of a place in the room [m]."""
        return self.x0 - self.scale * x, self.z0 - self.scale * z


def ground_for(drum: Drum, places: Sequence[Microphone], *, wide: bool = True, room: float = 0.0) -> Ground:
    """A paper that holds the drum and all places; ``room`` [m] is kept free on every side of the drum for more."""
    width, height = (440.0, 520.0) if wide else (344.0, 420.0)
    xs = [m.x for m in places] + [-drum.radius - room, drum.radius + room]
    zs = [m.z for m in places] + [-room, drum.depth + room]
    scale = min((width - 150) / max(max(xs) - min(xs), 0.3), (height - 110) / max(max(zs) - min(zs), 0.3))
    return Ground(width, height, width / 2 + 20 + scale * (max(xs) + min(xs)) / 2, height / 2 + scale * (max(zs) + min(zs)) / 2,
                  scale)


def plan_svg(drum: Drum, places: Sequence[Microphone], *, wide: bool = True, palette: Palette = SCREEN, room: float = 0.0,
             heard: Collection[str] | None = None, now: str = "") -> str:
    """The drum from above: player below, listeners above; microphones numbered where they stood.

    On a walk-round ``heard`` names the places that have their strikes (the others are hollow) and ``now`` the place
    where the microphone stands.
    """
    ground = ground_for(drum, places, wide=wide, room=room)
    pen = Pen(palette, f"p{'w' if wide else 'n'}")
    pen.pattern()
    cx = ground.at(0, 0)[0]
    pen.path(f"M{number(cx)} 27V{number(ground.height - 14)}", "hair", dash="8 4 2 4")
    taken = _drum(pen, drum, places, ground)
    spots = [ground.at(m.x, m.z) for m in places]
    taken += [(x - 11, y - 11, x + 11, y + 11) for x, y in spots]
    for i, (m, at) in enumerate(zip(places, spots, strict=True), 1):
        _square(pen, i, at, filled=heard is None or m.name in heard, ringed=m.name == now)
        taken.append(_name(pen, m, at, drum, ground, taken))
    pen.text(cx + 8, ground.height - 19, "player", size=13, css="t2")
    pen.text(cx + 8, 37, "listeners", size=13, css="t2")
    foot = ground.height
    pen.path(f"M14 {number(foot - 22)}h{number(0.3 * ground.scale)}m0 -4v8M14 {number(foot - 26)}v8", "ink", width=1.5)
    pen.text(14, foot - 2, "30 cm", size=13, css="t2")
    label = (f"The drum from above, {inches_from_metres(drum.diameter):.0f} inches across and "
             f"{inches_from_metres(drum.depth):.0f} deep, player below. Microphones: "
             + ", ".join(f"{m.name} {where_words(m, drum.depth)}" for m in places) + ".")
    names = escape("|".join(m.name for m in places), quote=True)
    data = "" if heard is None else (f' data-x="{number(ground.x0, 2)}" data-z="{number(ground.z0, 2)}" '
                                     f'data-scale="{number(ground.scale, 3)}" data-names="{names}"')
    return pen.drawing(ground.width, ground.height, css="plan wide" if wide else "plan narrow", label=label, extra=data)


def _drum(pen: Pen, drum: Drum, places: Sequence[Microphone], ground: Ground) -> list[Box]:
    """The drum's outline and the names of its heads, on the side on which no microphone stands; what they cover."""
    left, bottom = ground.at(drum.radius, 0)
    right, top = ground.at(-drum.radius, drum.depth)
    beside = [m.x for m in places if -0.2 < m.z < drum.depth + 0.2 and abs(m.x) > drum.radius]
    at_right = any(x > 0 for x in beside) and not any(x < 0 for x in beside) and right + 90 < ground.width
    pen.path(f"M{number(left)} {number(top)}V{number(bottom)}M{number(right)} {number(top)}V{number(bottom)}", "ink",
             width=1.5)
    boxes = []
    heads = [("batter", bottom, "fb"), *([("resonant", top, "fr")] if drum.resonant is not None else [])]
    for name, y, css in heads:
        pen.bar(left - 3, y - 4, right - left + 6, 8, "fb" if css == "fb" else "br", slits=css == "fr")
        x, anchor, w = (right + 10, "start", 8.5 * len(name)) if at_right else (left - 10, "end", 8.5 * len(name))
        pen.text(x, y + 5, name, size=14, anchor=anchor, css=css, weight=650)
        boxes.append((left - 3 - (0.0 if at_right else w + 8), y - 8, right + 3 + (w + 8 if at_right else 0.0), y + 8))
    return boxes


def _square(pen: Pen, index: int, at: tuple[float, float], *, filled: bool, ringed: bool) -> None:
    x, y = at
    if ringed:
        pen.path(f"M{number(x - 15)} {number(y - 15)}h30v30h-30z", "ink", width=2.5)
    if filled:
        pen.bar(x - 9, y - 9, 18, 18, "fi")
    else:
        pen.bar(x - 9, y - 9, 18, 18, "fp")
        pen.path(f"M{number(x - 9)} {number(y - 9)}h18v18h-18z", "ink", width=1.5, dash="3 2")
    pen.text(x, y + 5, str(index), size=13, anchor="middle", css="fp" if filled else "", weight=700)


def _name(pen: Pen, m: Microphone, at: tuple[float, float], drum: Drum, ground: Ground, taken: Sequence[Box]) -> Box:
    """A microphone's name beside its square, on the side where it covers least."""
    x, y = at
    where = where_words(m, drum.depth)
    w = max(9.2 * len(m.name), 6.8 * len(where))
    sides: list[tuple[str, float, float]] = [("start", x + 17, y), ("end", x - 17, y), ("middle", x, y - 34), ("middle", x, y + 31),
                                             ("start", x + 12, y - 26), ("end", x - 12, y - 26), ("start", x + 12, y + 26),
                                             ("end", x - 12, y + 26)]

    def box(side: tuple[str, float, float]) -> Box:
        anchor, tx, ty = side
        left = tx - {"start": 0.0, "middle": w / 2, "end": w}[anchor]
        return left, ty - 14, left + w, ty + 22

    def cost(side: tuple[str, float, float]) -> float:
        mine = box(side)
        over = sum(_shared(mine, other) for other in taken)
        return over + 40.0 * (max(0.0, -mine[0]) + max(0.0, mine[2] - ground.width))

    anchor, tx, ty = best = min(sides, key=cost)
    pen.text(tx, ty + 1, m.name, size=16, anchor=anchor, css="halo", weight=700)
    pen.text(tx, ty + 18, where, size=13, anchor=anchor, css="t2 halo")
    return box(best)


def _shared(a: Box, b: Box) -> float:
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


def spectra_svg(lines: Sequence[Line], names: Sequence[str], *, wide: bool = True, palette: Palette = SCREEN) -> str:
    """One small spectrum a place on one pitch axis; length is level, a dot = more than 40 dB under."""
    count = max(len(names), 1)
    width, height, left, right, top, base = (690.0, 520.0, 34.0, 690.0, 50.0, 478.0) if wide else (
        344.0, 470.0, 30.0, 344.0, 50.0, 430.0)
    column = (right - left) / count
    room = column - (60 if wide else 14)
    pen = Pen(palette, f"s{'w' if wide else 'n'}")
    pen.pattern()
    heard = [line.frequency_hz for line in lines] or [40.0, 160.0]
    low, high = min(heard) / 1.15, max(heard) * 1.15
    for f in (20, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400, 500, 600):
        if low < f < high:
            y = base - (base - top) * log(f / low) / log(high / low)
            pen.path(f"M{number(left)} {number(y)}H{number(width)}", "hair")
            pen.text(left - 5, y + 4.5, str(f), size=12, anchor="end", css="t2")
    pen.text(left - 5, top - 10, "Hz", size=12, anchor="end", css="t2")
    for i, name in enumerate(names):
        x = left + i * column + (4 if wide else 2)
        pen.bar(x, 12, 18, 18, "fi")
        pen.text(x + 9, 26, str(i + 1), size=13, anchor="middle", css="fp", weight=700)
        pen.text(x + 24, 27, name if wide or len(name) < 7 else name[:6], size=15, weight=700)
        pen.path(f"M{number(x)} {top:g}V{number(base)}", "ink", width=1.5)
        for line in lines:
            _level(pen, line, i, x, base - (base - top) * log(line.frequency_hz / low) / log(high / low), room, wide)
        pen.path(f"M{number(x)} {number(base + 10)}h{number(room)}m0 -4v8M{number(x)} {number(base + 6)}v8", "rule")
        pen.text(x, base + 28, f"−{SHOWN_DB:.0f}", size=12, css="t2")
        pen.text(x + room, base + 28, "0 dB", size=12, anchor="end", css="t2")
    return pen.drawing(width, height, css="wide" if wide else "narrow",
                       label=f"{count} small spectra on one pitch axis, one for each microphone; the table below has "
                             "the figures.")


def _level(pen: Pen, line: Line, index: int, x: float, y: float, room: float, wide: bool) -> None:
    level = line.level_db[index]
    if level is None or level <= -SHOWN_DB:
        pen.raw(f'<circle class="frule" cx="{number(x + 3)}" cy="{number(y)}" r="1.6" fill="{pen.palette.rule}"/>')
        return
    length = room * (1 + level / SHOWN_DB)
    thick = 9.0 if wide else 7.0
    split = length if line.share_batter is None else length * line.share_batter
    pen.bar(x, y - thick / 2, split, thick, "fi" if line.share_batter is None else "fb")
    pen.bar(x + split, y - thick / 2, length - split, thick, "br", slits=True)
    if wide:
        pen.text(x + length + 6, y + 4.5, f"{level:.0f}".replace("-", "−"), size=12.5, css="halo")
