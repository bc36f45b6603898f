"""The ladder: pitch upwards, each head's own modes on its rail, what is heard as rungs between them.

Length is the tail, thickness the level, whiskers two standard errors, solid and broken parts whose tension it
is. ``ladder_svg`` draws; ``ladder_marks`` gives the same places as numbers for a page that moves them.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log2
from typing import Any

from .ladder_layout import (
    NARROW,
    WIDE,
    Axis,
    Mark,
    Own,
    Sheet,
    axis_for,
    baseline,
    hertz,
    label_box,
    naturals,
    own_name,
    place_rungs,
    spread,
)
from .rung_words import rung_words, second_words, tell_words
from .rungs import Rung
from .svg import SCREEN, Palette, Pen, number

ARROW_PX = 7.0  # less room than this between ghost and rung takes no arrow
NICE_S = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)


def ladder_svg(
    rungs: Sequence[Rung], own: Own, *, sheet: Sheet = WIDE, axis: Axis | None = None, place: str = "seat",
    palette: Palette = SCREEN, uid: str = "", ghosts: Sequence[Rung] = (), wish_hz: float | None = None,
    focusable: bool = True, second: str = "note",
) -> str:
    """One drawing of the ladder as SVG.

    Parameters
    ----------
    rungs, own
        What is heard, and per head the (frequency [Hz], label) of its own modes.
    sheet, axis
        ``WIDE``, ``NARROW`` or ``CARD``; an axis shared by several drawings, else one that fits.
    ghosts
        Where the same rungs (by key) are now, when ``rungs`` is a forecast.
    wish_hz
        A wished drum note, marked on the paper.
    second
        'note' or 'cents' (from the ghost) beside each figure.
    """
    axis = axis or axis_for([*rungs, *ghosts], own)
    pen = Pen(palette, uid or sheet.kind)
    pen.pattern()
    _ruling(pen, axis, sheet)
    _headings(pen, sheet, place)
    pen.path(f"M{sheet.left} {sheet.rail_top:g}V{number(sheet.base + 6)}", "sb rail", width=4)
    pen.path(f"M{sheet.right} {sheet.rail_top:g}V{number(sheet.base + 6)}", "sr rail", width=4, dash="7 3")
    for head, side in (("batter", "b"), ("resonant", "r")):
        for i, mark in enumerate(own_marks(own.get(head, ()), axis, sheet)):
            _own_mark(pen, mark, side, i, sheet)
    if focusable:  # what a pointer takes hold of: wider than the rail, outwards
        for side, x in (("b", sheet.left - 34), ("r", sheet.right - 8)):
            pen.raw(f'<rect class="grip grip{side}" x="{x:g}" y="{sheet.rail_top:g}" width="42" '
                    f'height="{number(sheet.base + 26 - sheet.top)}" fill="none" pointer-events="all"/>')
    placed = place_rungs(rungs, own, axis, sheet)
    if wish_hz is not None and axis.holds(wish_hz):
        _wish(pen, wish_hz, axis, sheet, [(label_box(k, sheet), baseline(k)) for k in placed])
    was = {k.rung.key: k for k in place_rungs(ghosts, own, axis, sheet)}
    for k in placed:
        _rung(pen, k, was.get(k.rung.key), sheet, focusable, second, ties=bool(own))
    _tail_scale(pen, axis, sheet)
    return pen.drawing(sheet.width, sheet.height, css=f"ladder {'wide' if sheet.kind == 'w' else 'narrow'}",
                       label=_label(rungs, place), role="group", extra=f' data-kind="{sheet.kind}"')


def _label(rungs: Sequence[Rung], place: str) -> str:
    if not rungs:
        return "The ladder, empty: nothing has been read yet."
    return (f"The ladder: {len(rungs)} partials heard at the {place}, from {rungs[0].frequency_hz:.0f} to "
            f"{rungs[-1].frequency_hz:.0f} hertz, between the batter head's own modes on the left and the resonant "
            "head's on the right. The same figures are in the table below.")


def _ruling(pen: Pen, axis: Axis, sheet: Sheet) -> None:
    notes = naturals(axis)
    step = (sheet.base - sheet.top) / max(12.0 * log2(axis.high / axis.low), 1.0)  # px a semitone
    last = 1e9
    for name, f, is_c in notes:
        y = axis.y(sheet, f)
        pen.path(f"M{sheet.note_x + 5:g} {number(y)}h6M{sheet.left:g} {number(y)}H{sheet.right:g}",
                 "rule" if is_c else "hair")
        if is_c or (last - y > sheet.small * 1.3 and (step * 2 > sheet.small * 1.3 or name[0] in "CEGA")):
            pen.text(sheet.note_x, y + 4.5, name, size=sheet.small, anchor="end", css="" if is_c else "t2",
                     weight=700 if is_c else None)
            last = y
    last = 1e9
    for value in hertz(axis):
        y = axis.y(sheet, value)
        if last - y < sheet.small * 1.25:
            continue
        last = y
        pen.text(sheet.hz_x, y + 4.5, str(value), size=sheet.small, css="t2")
        pen.path(f"M{sheet.hz_x - 8:g} {number(y)}h5", "rule")
    pen.text(sheet.hz_x - 4, sheet.top - 14, "Hz", size=sheet.small, css="t2")


def _headings(pen: Pen, sheet: Sheet, place: str) -> None:
    middle = (sheet.left + sheet.right) / 2
    big, y1, y2 = (19, 26, 46) if sheet.words else (14, 18, 34) if sheet.kind == "n" else (10, 9, 19)
    words = (("Batter head", "alone, its own modes"), ("Heard", "what both heads and the air make together"),
             ("Resonant head", "alone, its own modes")) if sheet.words else (
        ("Batter", "alone"), ("Heard", f"at the {place}"), ("Resonant", "alone"))
    heard = f"Heard at the {place}" if sheet.words else "Heard"
    for x, anchor, css, top, under in (
        (sheet.left + 2, "end", "fb", *words[0]), (middle, "middle", "", heard, words[1][1]),
        (sheet.right - 2, "start", "fr", *words[2]),
    ):
        pen.text(x, y1, top, size=big, anchor=anchor, css=css, weight=700)
        pen.text(x, y2, under, size=sheet.small, anchor=anchor, css="t2")


def own_marks(modes: Sequence[tuple[float, str]], axis: Axis, sheet: Sheet) -> list[tuple[float, float, float, str]]:
    """Own modes on a rail: frequency [Hz], height [px], label height [px], words; at most a dozen, lowest first."""
    shown = [(f, label) for f, label in modes if axis.holds(f)][:12]
    heights = [axis.y(sheet, f) for f, _ in shown]
    labels = spread(heights, sheet.gap - 2)
    return [(f, y, at, own_name(label)) for (f, label), y, at in zip(shown, heights, labels, strict=True)]


def _own_mark(pen: Pen, mark: tuple[float, float, float, str], side: str, index: int, sheet: Sheet) -> None:
    f, y, at, name = mark
    x, sign = (sheet.left, -1) if side == "b" else (sheet.right, 1)
    figure = f'<tspan class="hz" font-weight="650">{f:.{1 if sheet.kind != "n" else 0}f}</tspan>'
    words = f"{name} {figure}" if side == "b" else f"{figure} {name}"
    pen.raw(f'<g class="own own{side}" data-i="{index}">')
    pen.path(f"M{x:g} {number(y)}h{sign * 12}L{x + sign * 20:g} {number(at)}", f"s{side}", width=2,
             dash="" if side == "b" else "4 2")
    pen.text(x + sign * 24, at + 4.5, words if sheet.words else figure, size=sheet.small if sheet.kind != "n" else 12,
             anchor="end" if side == "b" else "start", css=f"f{side} halo", markup=True)
    pen.raw("</g>")


def _wish(pen: Pen, wish_hz: float, axis: Axis, sheet: Sheet, taken: Sequence[tuple[tuple[float, float], float]]) -> None:
    """The wished note's band; its label stands where no rung's label does."""
    y = axis.y(sheet, wish_hz)
    pen.path(f"M{sheet.left + 6:g} {number(y - 9)}H{sheet.right - 6:g}M{sheet.left + 6:g} {number(y + 9)}"
             f"H{sheet.right - 6:g}", "ink wish", width=1.25, dash="1 4")
    right = sheet.right - 8
    width = sheet.small * 6.4
    over = any(b[1] > right - width and b[0] < right and abs(foot - (y - 13)) < sheet.size for b, foot in taken)
    at, x, anchor = (y - 13, sheet.left + 8, "start") if over else (y - 13, right, "end")
    if over and any(b[0] < x + width and abs(foot - at) < sheet.size for b, foot in taken):
        at, x, anchor = y + 9 + sheet.small, right, "end"
    pen.text(x, at, f"wished {wish_hz:.1f}", size=sheet.small, anchor=anchor, css="halo wish")


def whisker_path(k: Mark) -> str:
    """Whiskers at the free end: along = tail, cut at 30 px; across = pitch, capped only when over 5 px."""
    at, sign = (k.x0, -1) if k.rung.side == "r" else (k.x1, 1)
    caps = f"m-3 0h6m-6 {number(-2 * k.wy)}h6" if k.wy > 2.6 else ""
    across = f"M{number(at + sign * 4)} {number(k.y - k.wy)}v{number(2 * k.wy)}{caps}" \
        if k.rung.frequency_sd_hz is not None else ""
    return f"M{number(at)} {number(k.y)}h{number(sign * min(k.wx, 30.0))}{across}"


def ghost_path(k: Mark) -> str:
    """The outline of where a rung is now."""
    return f"M{number(k.x0)} {number(k.y - k.thick / 2)}H{number(k.x1)}v{number(k.thick)}H{number(k.x0)}z"


def went_path(was: Mark, k: Mark) -> str:
    """A small arrow from the ghost's edge to the rung's, near the ends that touch no label; '' where there is no room."""
    down = 1.0 if k.y > was.y else -1.0
    begin, end = was.y + down * was.thick / 2, k.y - down * k.thick / 2
    if (end - begin) * down < ARROW_PX:
        return ""
    low, high = max(was.x0, k.x0), min(was.x1, k.x1)
    x = high - 5.0 if k.rung.side == "r" else low + 5.0
    if high < low + 10.0:
        return ""
    return f"M{number(x)} {number(begin)}V{number(end)}m-3 {number(-4 * down)}l3 {number(4 * down)}l3 {number(-4 * down)}"


def _rung(
    pen: Pen, k: Mark, was: Mark | None, sheet: Sheet, focusable: bool, second: str, *, ties: bool
) -> None:
    r = k.rung
    css = "rung" + (" shared" if r.is_note else "") + ("" if r.share_batter is not None else " unowned")
    tab = ' tabindex="0"' if focusable else ""
    pen.raw(f'<g class="{css}" data-id="{r.key}"{tab} role="img" aria-label="{rung_words(r)}">')
    if focusable:
        pen.raw(f'<rect class="hit" x="{sheet.left:g}" y="{number(k.y - 10)}" width="{sheet.span:g}" height="20" '
                'fill="none" pointer-events="all"/>')
    if r.share_batter is not None and ties:
        for head, css_tie, x, at, end in (("b", "tie tb sb", sheet.left, k.tie_left, k.x0),
                                          ("r", "tie tr sr", sheet.right, k.tie_right, k.x1)):
            hidden = "" if r.is_note else ' stroke-opacity="0"'
            pen.path(f"M{x:g} {number(at)}L{number(end)} {number(k.y)}", css_tie, width=1.25,
                     dash="" if head == "b" else "4 2", extra=hidden)
    moved = was is not None and abs(was.y - k.y) > 1.2
    pen.path(ghost_path(was) if was is not None and moved else "", "ghost", width=1.25, dash="4 3")
    pen.path(went_path(was, k) if was is not None and moved else "", "went", width=1.25)
    solid = "fb bb" if r.share_batter is not None else "fi bb"
    split = k.xs if r.share_batter is not None else k.x1
    pen.bar(k.x0, k.y - k.thick / 2, split - k.x0, k.thick, solid)
    pen.bar(split, k.y - k.thick / 2, k.x1 - split, k.thick, "br", slits=True)
    pen.path(whisker_path(k), "whisk", width=1.5)
    pen.text(k.label_x, baseline(k), _figure(r, was, sheet, second), size=sheet.size, anchor=k.anchor, css="lab halo",
             weight=700, markup=True)
    pen.raw("</g>")


def _figure(r: Rung, was: Mark | None, sheet: Sheet, second: str) -> str:
    name = '<tspan font-weight="400">drum note </tspan>' if r.is_note else ""
    words = second_words(r, was.rung if was else None, second)
    beside = f'<tspan class="t2" font-size="{sheet.small:g}" font-weight="400" dx="7">{words}</tspan>' \
        if sheet.words or second == "cents" else ""
    return f'{name}<tspan class="hz">{r.frequency_hz:.1f}</tspan>{" Hz" if r.is_note else ""}{beside}'


def _tail_scale(pen: Pen, axis: Axis, sheet: Sheet) -> None:
    scale = axis.per_second(sheet)
    seconds = max((s for s in NICE_S if s * scale <= 0.55 * sheet.span), default=NICE_S[0])
    half, middle, base = seconds * scale / 2, (sheet.left + sheet.right) / 2, sheet.base
    down = 24 if sheet.kind != "c" else 12
    pen.path(f"M{number(middle - half)} {number(base + down)}h{number(2 * half)}m0 -4v8M{number(middle - half)} "
             f"{number(base + down - 4)}v8", "ink", width=1.5)
    unit = "second" if seconds == 1 else "seconds"
    pen.text(middle, base + down + (19 if sheet.kind != "c" else 10), f"length is tail: this is {seconds:g} {unit}",
             size=sheet.small, anchor="middle", css="t2")


def ladder_marks(
    rungs: Sequence[Rung], own: Own, axis: Axis, *, ghosts: Sequence[Rung] = (), sheets: Sequence[Sheet] = (WIDE, NARROW)
) -> dict[str, Any]:
    """Places of every rung and own mark per drawing as numbers and words: what a page needs to move them."""
    out: dict[str, Any] = {}
    was = {g.key: g for g in ghosts}
    for sheet in sheets:
        rows = {}
        for k in place_rungs(rungs, own, axis, sheet):
            r = k.rung
            rows[r.key] = {
                "v": [round(x, 2) for x in (k.y, k.x0, k.xs, k.x1, k.thick, k.wy, min(k.wx, 30.0), k.label_x,
                                            baseline(k), k.tie_left, k.tie_right)],
                "anchor": k.anchor, "side": r.side, "hz": f"{r.frequency_hz:.1f}",
                "second": second_words(r, was.get(r.key)), "aria": rung_words(r), "tell": tell_words(r),
            }
        out[sheet.kind] = {"rungs": rows, "own": {
            side: [[f"{f:.{1 if sheet.words else 0}f}", round(y, 1), round(at, 1)]
                   for f, y, at, _ in own_marks(own.get(head, ()), axis, sheet)]
            for head, side in (("batter", "b"), ("resonant", "r"))}}
    return out
