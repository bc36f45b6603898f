"""How little is enough: tail against the weight that lies on the heads, one mark a state, on one chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from ..records import Drum
from .svg import SCREEN, Palette, Pen, number
from .words import muffling_words


@dataclass(frozen=True)
class Damped:
    """One state: grams on the heads, what lies there, tail [s] with its sd, note [Hz]."""

    number: int
    grams: float
    what: str
    t60_s: float
    sd_s: float | None
    note_hz: float | None


def weight_on(drum: Drum) -> float:
    """Grams that lie on the heads."""
    return 1e3 * sum(m.mass * len(m.heads) for m in drum.muffling)


def what_lies(drum: Drum) -> str:
    """What lies on the heads, in words."""
    return "; ".join(muffling_words(m) for m in drum.muffling) or "nothing"


def enough(points: Sequence[Damped], wish_s: float) -> str:
    """The lightest thing that brought the tail down to the wish, in a sentence."""
    good = sorted((p for p in points if p.t60_s <= wish_s), key=lambda p: p.grams)
    if not good:
        return f"Nothing tried so far brings the tail to {wish_s:.2g} s: lay on a little more and read again."
    best = good[0]
    if best.grams == 0:
        return f"Nothing is needed: in state {best.number} the bare heads ring {best.t60_s:.2f} s."
    return f"{best.grams:.0f} g is enough ({best.what}, state {best.number}): the tail is {best.t60_s:.2f} s."


def chart_svg(points: Sequence[Damped], *, wish_s: float | None = None, wide: bool = True,
              palette: Palette = SCREEN) -> str:
    """Tail upwards, grams to the right; whiskers two standard errors, the wish a dotted line."""
    width, height, left, right, top, base = (860.0, 460.0, 64.0, 830.0, 40.0, 400.0) if wide else (
        344.0, 400.0, 40.0, 330.0, 34.0, 340.0)
    pen = Pen(palette, f"m{'w' if wide else 'n'}")
    most_s = max([p.t60_s for p in points] + [wish_s or 0.0, 0.2]) * 1.15
    most_g = max([p.grams for p in points] + [20.0]) * 1.1
    step_s = next(s for s in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if most_s / s <= 8 or s == 10.0)
    step_g = next(s for s in (5, 10, 20, 50, 100, 200, 500, 1000) if most_g / s <= (9 if wide else 5) or s == 1000)

    def xy(grams: float, seconds: float) -> tuple[float, float]:
        return left + (right - left) * grams / most_g, base - (base - top) * seconds / most_s

    for i in range(ceil(most_s / step_s)):
        y = xy(0, i * step_s)[1]
        pen.path(f"M{number(left)} {number(y)}H{number(right)}", "ink" if i == 0 else "hair", width=1.5 if i == 0 else 1)
        pen.text(left - 8, y + 4.5, f"{i * step_s:g}", size=13 if wide else 12, anchor="end", css="t2")
    for i in range(ceil(most_g / step_g)):
        pen.text(xy(i * step_g, 0)[0], base + 20, f"{i * step_g:g}", size=13 if wide else 12, anchor="middle", css="t2")
    pen.text(left - 8, top - 14, "tail, s", size=13 if wide else 12, css="t2")
    pen.text(right, base + 42, "grams on the heads", size=13 if wide else 12, anchor="end", css="t2")
    if wish_s:
        y = xy(0, wish_s)[1]
        pen.path(f"M{number(left)} {number(y)}H{number(right)}", "ink", width=1.25, dash="2 5")
        pen.text(right, y - 7, f"wished {wish_s:g} s", size=13 if wide else 12, anchor="end", css="halo")
    taken: list[tuple[float, float]] = []
    for p in points:
        x, y = xy(p.grams, p.t60_s)
        while any(abs(x - a) < 21 and abs(y - b) < 21 for a, b in taken):  # side by side, not on each other
            x += 22
        taken.append((x, y))
        if p.sd_s:
            reach = (base - top) * 2 * p.sd_s / most_s
            pen.path(f"M{number(x)} {number(y - reach)}v{number(2 * reach)}m-4 0h8m-8 {number(-2 * reach)}h8", "whisk", width=1.5)
        pen.bar(x - 9, y - 9, 18, 18, "fi")
        pen.text(x, y + 5, str(p.number), size=12, anchor="middle", css="fp", weight=700)
    label = "Tail against grams on the heads: " + ", ".join(
        f"state {p.number} {p.grams:.0f} grams {p.t60_s:.2f} seconds" for p in points) + "."
    return pen.drawing(width, height, css="wide" if wide else "narrow", label=label)
