"""All drums of a kit on one ladder: their notes on one pitch axis, intervals named, where a plan would put them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from math import log, log2

from .ladder_layout import Axis, hertz, naturals, note_words
from .svg import SCREEN, Palette, Pen, number

NAMES = ("the same note", "a semitone", "a tone", "a minor third", "a third", "a fourth", "a tritone", "a fifth",
         "a minor sixth", "a sixth", "a minor seventh", "a seventh", "an octave")


@dataclass(frozen=True)
class KitRung:
    """One drum: its note now, its tail, where a plan would put it (None = stays)."""

    name: str
    note_hz: float | None
    t60_s: float | None
    target_hz: float | None = None


def interval_words(low: float, high: float) -> str:
    """The interval between two notes: ``a fourth, 12 cents wide``."""
    semitones = 12.0 * log2(high / low)
    octaves, rest = divmod(round(semitones), 12)
    off = round(100.0 * (semitones - round(semitones)))
    name = NAMES[rest] if octaves == 0 else NAMES[12] if (octaves, rest) == (1, 0) else \
        f"{octaves} octaves" if rest == 0 else f"{'an octave' if octaves == 1 else f'{octaves} octaves'} and {NAMES[rest]}"
    return name if abs(off) < 5 else f"{name}, {abs(off)} cents {'wide' if off > 0 else 'narrow'}"


def kit_svg(rungs: Sequence[KitRung], *, wide: bool = True, palette: Palette = SCREEN) -> str:
    """The kit's ladder; drums in the order given, lowest first by habit."""
    pen = Pen(palette, f"k{'w' if wide else 'n'}")
    width, height, left, right, top, base = (1100.0, 620.0, 70.0, 1040.0, 40.0, 560.0) if wide else (
        344.0, 540.0, 34.0, 308.0, 30.0, 520.0)
    known = [f for r in rungs for f in (r.note_hz, r.target_hz) if f] or [40.0, 160.0]
    axis = Axis(min(known) / 1.15, max(known) * 1.15, max((r.t60_s or 0.0 for r in rungs), default=1.0) or 1.0)

    def y(f: float) -> float:
        return base - (base - top) * log(f / axis.low) / log(axis.high / axis.low)

    last = 1e9
    for name, f, is_c in naturals(axis):
        pen.path(f"M{number(left)} {number(y(f))}H{number(right)}", "rule" if is_c else "hair")
        if last - y(f) > 15:
            pen.text(left - 8, y(f) + 4.5, name, size=13 if wide else 12, anchor="end", css="" if is_c else "t2",
                     weight=700 if is_c else None)
            last = y(f)
    for value in hertz(axis):
        pen.text(right + 8, y(value) + 4.5, str(value), size=13 if wide else 12, css="t2")
    column = (right - left) / max(len(rungs), 1)
    before: tuple[float, float] | None = None
    for i, r in enumerate(rungs):
        x = left + column * i + column * 0.14
        if wide:
            pen.text(x, height - 30, _short(r.name, column), size=15, weight=700)
        if r.note_hz is None:
            if wide:
                pen.text(x, base - 8, "not read", size=13, css="t2 halo")
            continue
        at, length = y(r.note_hz), max(14.0, column * 0.72 * (r.t60_s or 0.0) / axis.full_s)
        if r.target_hz and abs(y(r.target_hz) - at) > 1.5:
            goal = y(r.target_hz)
            pen.path(f"M{number(x)} {number(goal - 6)}h{number(length)}v12h{number(-length)}z", "ghost", width=1.5, dash="4 3")
        pen.bar(x, at - 5, length, 10, "fi")
        figure = f"{r.note_hz:.1f}" if wide else f'<tspan font-weight="400">{escape(r.name)}</tspan> {r.note_hz:.1f}'
        room = 0.62 * 13 * (len(r.name) + 6)  # px of the name and its figure
        flip = not wide and x + room > width
        under = wide and r.target_hz is not None and 1.5 < at - y(r.target_hz) < 38  # the plan's outline lies over the bar
        pen.text(x + length if flip else x, at + 24 if under else at - 11, figure, size=18 if wide else 13, css="halo", weight=700,
                 anchor="end" if flip else "start", markup=True)
        if wide:
            pen.text(x + (66 if under else 0), at + (24 if under else 21), note_words(r.note_hz), size=13, css="t2 halo")
        if before is not None and wide:
            low, high = sorted((before[1], r.note_hz))
            pen.text((before[0] + x) / 2 + 0.36 * column, height - 8, _short(interval_words(low, high), 1.2 * (x - before[0])),
                     size=13, anchor="middle", css="t2")  # at the foot, where no note can lie
        before = (x, r.note_hz)
    unread = [r.name for r in rungs if r.note_hz is None]
    if unread and not wide:  # at the foot, where names have room
        pen.text(right, base + 14, f"not read: {_short(', '.join(unread), right - left)}", size=13, anchor="end", css="t2 halo")
    label = "The kit on one ladder: " + ", ".join(
        f"{r.name} {'not read' if r.note_hz is None else f'{r.note_hz:.1f} hertz'}" for r in rungs) + "."
    return pen.drawing(width, height, css="wide" if wide else "narrow", label=label)


def _short(name: str, column: float) -> str:
    room = int(column / 8.0)
    return name if len(name) <= room else name[:max(room - 1, 3)] + "…"
