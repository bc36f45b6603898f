"""Designs as small drums drawn to scale, from the side; one scale for all, so that sizes can be compared by eye."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..records import Drum, Head, Muffling
from ..units import inches_from_metres, mil_from_surface_density
from .svg import SCREEN, Palette, Pen, number

EDGE = 30.0  # px free round the largest drum


@dataclass(frozen=True)
class Stage:
    """One paper for all designs: px a metre and the paper's sides [px]."""

    scale: float
    width: float
    height: float


def stage_for(drums: Sequence[Drum], *, upright: bool, across_px: float = 150.0) -> Stage:
    """The scale at which the largest of the drums is ``across_px`` across, and a paper that holds each of them."""
    widest = max(d.diameter for d in drums)
    deepest = max(d.depth for d in drums)
    scale = across_px / max(widest, deepest)
    along, across = deepest * scale, widest * scale
    width, height = (across, along) if upright else (along, across)
    return Stage(scale, width + 2 * EDGE + 26, height + 2 * EDGE)


def design_svg(drum: Drum, stage: Stage, *, upright: bool, uid: str, palette: Palette = SCREEN) -> str:
    """One drum from the side: batter solid, at the left (a tom: on top); resonant broken, with its opening; what lies on it.

    Diameter and depth stand beside it in inches; a bar of 30 cm gives the scale.
    """
    pen = Pen(palette, uid)
    pen.pattern()
    pen.raw(f'<defs><pattern id="{pen.slit}v" width="6" height="6" patternUnits="userSpaceOnUse">'
            f'<rect class="fr" width="6" height="4" fill="{palette.resonant}"/></pattern></defs>')
    long, across = drum.depth * stage.scale, drum.diameter * stage.scale
    x, y = (stage.width - 26 - (across if upright else long)) / 2 + 26, (stage.height - (long if upright else across)) / 2
    draw = _Turned(pen, x, y, long, across, upright, drum.diameter)
    draw.shell()
    draw.head(drum.batter, "batter", 0.0)
    if drum.resonant is not None:
        draw.head(drum.resonant, "resonant", long)
    for m in drum.muffling:
        for name in m.heads:
            if name == "batter" or drum.resonant is not None:
                draw.lies(m, 0.0 if name == "batter" else long, stage.scale, drum.diameter)
    size, deep = (f"{inches_from_metres(v):.3g} in" for v in (drum.diameter, drum.depth))
    if upright:
        pen.text(x + across / 2, y - 12, size, size=13, anchor="middle")
        pen.text(x - 8, y + long / 2 + 4, deep, size=13, anchor="end")
    else:
        pen.text(x - 8, y + across / 2 + 4, size, size=13, anchor="end")
        pen.text(x + long / 2, y - 12, deep, size=13, anchor="middle")
    foot = stage.height - 8
    pen.path(f"M8 {number(foot)}h{number(0.3 * stage.scale)}m0 -3v6M8 {number(foot - 3)}v6", "rule", width=1.25)
    pen.text(8 + 0.3 * stage.scale + 5, foot + 4, "30 cm", size=12, css="t2")
    return pen.drawing(stage.width, stage.height, css="design", label=label_of(drum),
                       extra=f' width="{stage.width:.0f}" height="{stage.height:.0f}"')


def label_of(drum: Drum) -> str:
    """A design in words, for a screen reader."""
    films = " and ".join(f"{mil_from_surface_density(h.surface_density):.3g} mil" for h in (drum.batter, drum.resonant) if h)
    hole = drum.resonant.opening if drum.resonant is not None else None
    front = "no resonant head" if drum.resonant is None else "closed" if hole is None else (
        f"an opening of {inches_from_metres(hole.diameter):.2g} inches")
    return (f"A drum {inches_from_metres(drum.diameter):.3g} inches across and {inches_from_metres(drum.depth):.3g} deep, "
            f"films of {films}, {front}.")


@dataclass
class _Turned:
    """Draws along the axis (0 = batter) and across it (0 = one edge), lying or upright."""

    pen: Pen
    x: float
    y: float
    long: float
    wide: float
    upright: bool
    metres: float  # the drum's diameter

    def bar(self, along: float, across: float, length: float, breadth: float, css: str, *, slits: bool = False) -> None:
        if self.upright:
            self.pen.bar(self.x + across, self.y + along, breadth, length, css, slits=slits)
        elif slits:  # broken along the head, which stands upright on this paper
            self.pen.raw(f'<rect class="{css}" x="{number(self.x + along)}" y="{number(self.y + across)}" '
                         f'width="{number(length)}" height="{number(max(breadth, 0.0))}" fill="url(#{self.pen.slit}v)"/>')
        else:
            self.pen.bar(self.x + along, self.y + across, length, breadth, css)

    def shell(self) -> None:
        x, y = self.x, self.y
        w, h = (self.wide, self.long) if self.upright else (self.long, self.wide)
        sides = f"M{number(x)} {number(y)}v{number(h)}M{number(x + w)} {number(y)}v{number(h)}" if self.upright else (
            f"M{number(x)} {number(y)}h{number(w)}M{number(x)} {number(y + h)}h{number(w)}")
        self.pen.path(sides, "ink", width=1.5)

    def head(self, head: Head, name: str, along: float) -> None:
        """The head's bar, as thick as its film is heavy, with a gap where it is open."""
        thick = 3.0 + 4.0 * min(head.surface_density / 0.5, 1.5)
        hole = head.opening
        parts = [(-3.0, self.wide + 6.0)]
        if hole is not None:
            off = max((hole.x, -hole.y), key=abs)  # seen from the side on which it shows
            middle = self.wide * (0.5 + off / self.metres)
            half = self.wide * hole.diameter / self.metres / 2
            parts = [(-3.0, middle - half + 3.0), (middle + half, self.wide + 3.0 - middle - half)]
        for begin, length in parts:
            self.bar(along - thick / 2, begin, thick, length, "fb" if name == "batter" else "br", slits=name != "batter")

    def lies(self, item: Muffling, along: float, scale: float, diameter: float) -> None:
        """Muffling as an ink bar inside the head it lies on, as large as it is."""
        inside = 5.0 if along == 0.0 else -11.0
        if item.kind == "ring":
            width = (item.width or 0.02) * scale
            self.bar(along + inside, 0.0, 6.0, width, "fi")
            self.bar(along + inside, self.wide - width, 6.0, width, "fi")
            return
        size = 2 * (item.radius or 0.0) if item.kind in ("pad", "patch") else (item.width or diameter * 0.5)
        middle = (diameter / 2 + (item.x if self.upright else -item.y)) * scale
        self.bar(along + inside, middle - size * scale / 2, 6.0, size * scale, "fi")
