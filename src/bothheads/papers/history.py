"""The line of states: one bar a state at its drum note's height, as long as its tail, newest right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, log2

from .ladder_layout import note_words
from .svg import SCREEN, Palette, Pen, number

LEFT, STEP, HEIGHT, TOP, FOOT = 92.0, 152.5, 330.0, 50.0, 292.0


@dataclass(frozen=True)
class Entry:
    """One state of the line. ``turned``: something was turned since the one before."""

    number: int
    frequency_hz: float | None
    sd_hz: float | None
    t60_s: float | None
    turned: bool


def history_svg(entries: Sequence[Entry], *, palette: Palette = SCREEN) -> str:
    """Drum note and tail of states in order, oldest left; refused ones stand as a gap with a word."""
    pen = Pen(palette, "h")
    width = LEFT + STEP * max(len(entries), 1) + 20
    heard = [e for e in entries if e.frequency_hz]
    low, high = _range(heard)
    longest = max((e.t60_s or 0.0 for e in heard), default=1.0) or 1.0

    def y(f: float) -> float:
        return FOOT - (FOOT - TOP) * log(f / low) / log(high / low)

    _ruling(pen, low, high, width)
    last: tuple[float, float] | None = None
    for i, e in enumerate(entries):
        x = LEFT + 10 + STEP * i
        if e.frequency_hz is None:
            pen.text(x, FOOT - 6, f"{e.number}: note refused", size=13, css="t2 halo")
            last = None
            continue
        at, length = y(e.frequency_hz), max(8.0, 118.0 * (e.t60_s or 0.0) / longest)
        if last is not None:
            pen.path(f"M{number(last[0])} {number(last[1])}L{number(x)} {number(at)}", "ink", width=1.25,
                     dash="" if e.turned else "2 5")
        pen.bar(x, at - 5, length, 10, "fi")
        if e.sd_hz:
            reach = abs(y(e.frequency_hz + 2 * e.sd_hz) - at)
            caps = f"m-3 0h6m-6 {number(-2 * reach)}h6" if reach > 2.6 else ""
            pen.path(f"M{number(x + length + 7)} {number(at - reach)}v{number(2 * reach)}{caps}", "ink", width=1.5)
        pen.text(x, at - 13, f"{e.frequency_hz:.1f}", size=19, weight=700, css="halo")
        tail = "tail not given" if e.t60_s is None else f"tail {e.t60_s:.1f} s" if e.t60_s >= 1 else f"tail {e.t60_s:.2f} s"
        pen.text(x, at + 22, tail, size=13, css="t2 halo")
        last = (x + length, at)
    return pen.drawing(width, HEIGHT, css="history", label=_label(entries), extra=f' width="{number(width)}"')


def _range(heard: Sequence[Entry]) -> tuple[float, float]:
    """At least four semitones round what was heard."""
    if not heard:
        return 40.0, 80.0
    low = min(float(e.frequency_hz or 0) for e in heard)
    high = max(float(e.frequency_hz or 0) for e in heard)
    middle, half = (low * high) ** 0.5, max(12 * log2(high / low) / 2 * 1.25, 2.2) / 12
    return float(middle * 2 ** (-half)), float(middle * 2**half)


def _ruling(pen: Pen, low: float, high: float, width: float) -> None:
    semitones = 12 * log2(high / low)
    every = 1 if semitones <= 9 else 2 if semitones <= 18 else 12
    for k in range(12, 120):
        f = 440.0 * 2.0 ** ((k - 69) / 12)
        if k % every or not low <= f <= high:
            continue
        at = FOOT - (FOOT - TOP) * log(f / low) / log(high / low)
        pen.path(f"M{number(LEFT)} {number(at)}H{number(width - 20)}", "hair")
        pen.text(LEFT - 10, at + 5, f"{note_words(f).split()[0]} {f:.1f}", size=14, anchor="end", css="t2")


def _label(entries: Sequence[Entry]) -> str:
    heard = [e for e in entries if e.frequency_hz]
    if not heard:
        return "No state has a drum note yet."
    return (f"Drum note and tail of {len(entries)} states, newest right: state {heard[-1].number} at "
            f"{heard[-1].frequency_hz:.1f} hertz. The figures are in the list below.")
