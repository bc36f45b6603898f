"""The strip: one head's rods unrolled along a line, as heard and as estimated in the film, with what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from ..records import HeadName
from ..units import turns_in_words
from .svg import SCREEN, Palette, Pen, number, signed

CLOSE_CENTS = 17.0  # 1 %
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


@dataclass(frozen=True)
class RodRow:
    """One rod. Cents are from the head's own mean; ``eighths`` and ``turn`` (1 = first) say what to do."""

    rod: int
    heard_cents: float | None
    heard_sd: float | None = None
    film_cents: float | None = None
    film_sd: float | None = None
    eighths: float = 0.0
    turn: int | None = None
    lands_cents: float | None = None


def where(rod: int, rods: int, first_deg: float = 0.0) -> str:
    """Where a rod is on the standing drum, facing its head: clockwise from the top."""
    names = ("top", "upper right", "right", "lower right", "bottom", "lower left", "left", "upper left")
    degrees = (first_deg + 360.0 * (rod - 1) / rods) % 360.0
    return names[round(degrees / 45.0) % 8]


def _reach(rows: Sequence[RodRow]) -> float:
    """The scale's end [cents]: a round figure that holds every mark and whisker."""
    most = max((abs(v) + 2 * (s or 0.0) for r in rows for v, s in ((r.heard_cents, r.heard_sd),
                (r.film_cents, r.film_sd), (r.lands_cents, 0.0)) if v is not None), default=20.0)
    step = 20.0 if most <= 80 else 50.0 if most <= 200 else 100.0
    return max(40.0, step * ceil(most * 1.05 / step))


class _Strip:
    """Shared by both drawings: the head's colour and texture."""

    def __init__(self, pen: Pen, head: HeadName) -> None:
        self.pen, self.side = pen, "b" if head == "batter" else "r"

    def bar(self, x: float, y: float, w: float, h: float) -> None:
        self.pen.bar(x, y, w, h, f"f{self.side}" if self.side == "b" else "br", slits=self.side == "r")

    def stem(self, d: str) -> None:
        self.pen.path(d, f"s{self.side}", width=2, dash="" if self.side == "b" else "4 2")


def strip_svg(rows: Sequence[RodRow], *, head: HeadName, first_deg: float = 0.0, wide: bool = True,
              palette: Palette = SCREEN) -> str:
    """The rods of one head as SVG; the lower row of marks is the film where it has been estimated."""
    pen = Pen(palette, f"{head[0]}{'w' if wide else 'n'}")
    pen.pattern()
    mark = _Strip(pen, head)
    label = (f"{head.capitalize()} head, {len(rows)} rods in a line from rod 1, clockwise. Cents above or below the "
             "head's own mean: " + ", ".join(f"rod {r.rod} {'not heard' if r.heard_cents is None else round(r.heard_cents)}"
                                             for r in rows) + ".")
    return _wide(mark, rows, first_deg, label) if wide else _narrow(mark, rows, first_deg, label)


def _wide(mark: _Strip, rows: Sequence[RodRow], first_deg: float, label: str) -> str:
    pen, reach, film = mark.pen, _reach(rows), any(r.film_cents is not None for r in rows)
    column = 1072.0 / max(len(rows), 1)
    panels = [("as heard", 62.0)] + ([("in the film, estimated", 350.0)] if film else [])
    foot = panels[-1][1] + 284.0
    for i, (title, top) in enumerate(panels):
        pen.text(96, top - 14, f"{title} · dotted: 17 cents = 1 %", size=14, css="t2")
        _scale_wide(pen, top, reach)
        for k, r in enumerate(rows):
            value, sd = (r.heard_cents, r.heard_sd) if i == 0 else (r.film_cents, r.film_sd)
            _mark_wide(mark, 96 + column * (k + 0.5), top, reach, value, sd, r.lands_cents if i == len(panels) - 1 else None,
                       min(72.0, column * 0.54))
    pen.path(f"M96 {foot:g}H1168", "ink", width=1.5)
    for k, r in enumerate(rows):
        x = 96 + column * (k + 0.5)
        pen.text(x, foot + 42, str(r.rod), size=40 if len(rows) <= 10 else 30, anchor="middle", weight=700)
        pen.text(x, foot + 64, where(r.rod, len(rows), first_deg), size=14 if len(rows) <= 10 else 12, anchor="middle",
                 css="t2")
        if k:
            pen.path(f"M{number(96 + column * k)} {foot + 4:g}V{foot + 148:g}", "hair")
        _do(pen, r, x, foot + 82, min(122.0, column - 8), mark.side)
    pen.text(86, foot + 38, "rod", size=14, anchor="end", css="t2")
    pen.text(86, foot + 112, "do", size=14, anchor="end", css="t2")
    return pen.drawing(1180, foot + 124, css="wide strip", label=label, role="group", top=30)


def _scale_wide(pen: Pen, top: float, reach: float) -> None:
    for share in (1.0, 0.5, 0.0, -0.5, -1.0):
        y = top + 128 - 128 * share
        pen.path(f"M96 {number(y)}H1168", "ink" if share == 0 else "hair", width=1.5 if share == 0 else 1)
        pen.text(86, y + 5, "mean" if share == 0 else signed(reach * share), size=14, anchor="end",
                 css="" if share == 0 else "t2")
    for sign in (1, -1):
        y = top + 128 - sign * 128 * CLOSE_CENTS / reach
        pen.path(f"M96 {number(y)}H1168", "rule", dash="2 5")


def _mark_wide(mark: _Strip, x: float, top: float, reach: float, value: float | None, sd: float | None,
               lands: float | None, width: float) -> None:
    pen = mark.pen
    mean = top + 128
    if value is None:
        pen.text(x, mean - 8, "not heard", size=13, anchor="middle", css="t2 halo")
        return
    y = mean - 128 * value / reach
    mark.stem(f"M{number(x)} {number(mean)}V{number(y)}")
    mark.bar(x - width / 2, y - 6, width, 12)
    if sd:
        w = 128 * 2 * sd / reach
        pen.path(f"M{number(x + width / 2 + 8)} {number(y - w)}v{number(2 * w)}m-4 0h8m-8 {number(-2 * w)}h8", "whisk",
                 width=1.75)
    if lands is not None and abs(lands - value) > 1.5:
        pen.path(f"M{number(x - width / 2)} {number(mean - 128 * lands / reach - 6)}h{number(width)}v12"
                 f"h{number(-width)}z", "ghost", width=1.25, dash="4 3")
    pen.text(x, y - 14 if value >= 0 else y + 30, signed(value), size=22, anchor="middle", css="halo", weight=700)


def _do(pen: Pen, r: RodRow, x: float, y: float, width: float, side: str) -> None:
    if not r.eighths:
        pen.text(x, y + 30, "leave", size=17, anchor="middle", css="t2")
        return
    pen.bar(x - width / 2, y, width, 66, f"f{side}", extra=' rx="2"')
    size = 18 if width > 110 else 14
    pen.text(x, y + 28, turns_in_words(r.eighths), size=size, anchor="middle", css="fp", weight=700)
    if r.turn is not None:
        pen.text(x, y + 52, ORDINALS[r.turn - 1] if r.turn <= len(ORDINALS) else f"{r.turn}th", size=16, anchor="middle",
                 css="fp")


def _narrow(mark: _Strip, rows: Sequence[RodRow], first_deg: float, label: str) -> str:
    pen, reach = mark.pen, _reach(rows)
    film = any(r.film_cents is not None for r in rows)
    height = 44.0 + 58.0 * len(rows)
    pen.text(90, 14, "flat", size=12, anchor="middle", css="t2")
    pen.text(210, 14, "sharp", size=12, anchor="middle", css="t2")
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        x = 150 + 60 * share
        pen.path(f"M{number(x)} 36V{number(height)}", "ink" if share == 0 else "hair", width=1.5 if share == 0 else 1)
        if share in (-1.0, 0.0, 1.0):
            pen.text(x, 30, "mean" if share == 0 else signed(reach * share), size=12, anchor="middle",
                     css="" if share == 0 else "t2")
    for k, r in enumerate(rows):
        y = 44.0 + 58.0 * k + 29.0
        pen.text(0, y + 3, str(r.rod), size=28, weight=700)
        pen.text(0, y + 21, where(r.rod, len(rows), first_deg), size=12.5, css="t2")
        _mark_narrow(mark, r, y, reach, film)
        _do_narrow(pen, r, y, mark.side)
        pen.path(f"M0 {number(y + 29)}H344", "hair")
    return pen.drawing(344, height, css="narrow strip", label=label, role="group")


def _mark_narrow(mark: _Strip, r: RodRow, y: float, reach: float, film: bool) -> None:
    pen = mark.pen
    if r.heard_cents is None:
        pen.text(150, y + 5, "not heard", size=13, anchor="middle", css="t2 halo")
        return
    x = 150 + 60 * r.heard_cents / reach
    mark.stem(f"M150 {number(y)}H{number(x)}")
    mark.bar(x - 5, y - 14, 10, 28)
    if r.heard_sd:
        w = 60 * 2 * r.heard_sd / reach
        pen.path(f"M{number(x - w)} {number(y + 20)}H{number(x + w)}m0 -3v6m{number(-2 * w)} -6v6", "whisk", width=1.75)
    if film and r.film_cents is not None:
        f = 150 + 60 * r.film_cents / reach
        pen.path(f"M{number(f - 5)} {number(y - 14)}h10v28h-10z", "ghost", width=1.25, dash="4 3")
    right = r.heard_cents >= 0
    pen.text(x + 12 if right else x - 12, y + 5, signed(r.heard_cents), size=15, css="halo", weight=700,
             anchor="start" if right else "end")


def _do_narrow(pen: Pen, r: RodRow, y: float, side: str) -> None:
    if not r.eighths:
        pen.text(297, y + 5, "leave", size=14, anchor="middle", css="t2")
        return
    pen.bar(250, y - 24, 94, 48, f"f{side}", extra=' rx="2"')
    pen.text(297, y - 3, turns_in_words(r.eighths), size=13, anchor="middle", css="fp", weight=700)
    if r.turn is not None:
        pen.text(297, y + 15, ORDINALS[r.turn - 1] if r.turn <= len(ORDINALS) else f"{r.turn}th", size=13, anchor="middle",
                 css="fp")
