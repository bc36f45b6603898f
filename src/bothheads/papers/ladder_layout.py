"""Where every mark of the ladder goes: a pitch axis, rungs, labels that do not lie on each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, log2

from .rungs import Rung
from .svg import NATURALS

Own = Mapping[str, Sequence[tuple[float, str]]]
FIGURES = ("whole head", "halves", "quarters", "sixths", "eighths")
_ORDINALS = ("", "2nd ", "3rd ", "4th ", "5th ")


@dataclass(frozen=True)
class Sheet:
    """Sizes of one drawing in px: rails at ``left`` and ``right``, paper from ``top`` to ``height - bottom``."""

    kind: str
    width: float
    height: float
    top: float
    bottom: float
    left: float
    right: float
    note_x: float
    hz_x: float
    size: float  # of a rung's figure
    small: float
    gap: float  # between labels
    thickest: float
    words: bool  # room for words beside figures
    beside: float = 0.0  # px that these take

    @property
    def span(self) -> float:
        """Distance between the rails [px]."""
        return self.right - self.left

    @property
    def rail_top(self) -> float:
        """Where the rails begin [px]: over the paper, under the headings."""
        return self.top - (7.0 if self.kind == "c" else 20.0)

    @property
    def base(self) -> float:
        """The paper's lower edge [px]."""
        return self.height - self.bottom


WIDE = Sheet("w", 872, 960, 88, 64, 214, 676, 40, 842, 16, 13, 20, 17, True, 92)
NARROW = Sheet("n", 360, 700, 64, 50, 86, 276, 26, 334, 13, 12, 15.5, 13, False)
CARD = Sheet("c", 330, 330, 30, 26, 80, 252, 16, 312, 9.5, 8.5, 11, 8, False)


@dataclass(frozen=True)
class Axis:
    """Pitch from ``low`` to ``high`` [Hz], logarithmic, and the tail [s] that would fill 86 % of the span."""

    low: float
    high: float
    full_s: float

    def y(self, sheet: Sheet, frequency: float) -> float:
        """Height of a frequency [px from the top]."""
        share = log(frequency / self.low) / log(self.high / self.low)
        return sheet.top + (sheet.base - sheet.top) * (1.0 - share)

    def per_second(self, sheet: Sheet) -> float:
        """Length of one second of tail [px]."""
        return 0.86 * sheet.span / self.full_s

    def holds(self, frequency: float) -> bool:
        """Whether a frequency lies on the paper."""
        return self.low * 1.01 < frequency < self.high * 0.99


def axis_for(rungs: Sequence[Rung], own: Own) -> Axis:
    """A paper that holds the rungs with a third above and below for what turning does, at least an octave."""
    heard = [r.frequency_hz for r in rungs] or [f for modes in own.values() for f, _ in modes[:4]] or [40.0, 160.0]
    low, high = min(heard) / 1.18, max(heard) * 1.12
    if high < 2.0 * low:
        low, high = low / 1.2, low * 2.0
    return Axis(low, high, 1.06 * max((r.t60_s for r in rungs), default=2.0))


@dataclass(frozen=True)
class Mark:
    """One rung in px: bar from x0 over the split xs to x1 at height y, whiskers, ties and its label."""

    rung: Rung
    y: float
    x0: float
    xs: float
    x1: float
    thick: float
    wy: float
    wx: float
    tie_left: float
    tie_right: float
    label_x: float
    label_y: float
    anchor: str


def own_name(label: str) -> str:
    """The figure of a film in words: ``(0,1)`` is the whole head, ``(1,2)`` the 2nd halves."""
    try:
        m, n = (int(part) for part in label.strip("() ").split(","))
    except ValueError:
        return label
    name = FIGURES[m] if m < len(FIGURES) else f"{2 * m} parts"
    return (_ORDINALS[n - 1] if n <= len(_ORDINALS) else f"{n}th ") + (name if n == 1 or m else "whole")


def spread(heights: Sequence[float], gap: float, low: float = -1e9, high: float = 1e9) -> list[float]:
    """The same heights pushed apart to at least ``gap``, each as near its own as the others allow."""
    order = sorted(range(len(heights)), key=lambda i: heights[i])
    out = [heights[i] for i in order]
    for _ in range(80):
        for a in range(len(out) - 1):
            short = gap - (out[a + 1] - out[a])
            if short > 0:
                out[a] -= short / 2
                out[a + 1] += short / 2
        out = [min(max(y, low), high) for y in out]
    back = [0.0] * len(heights)
    for place, i in enumerate(order):
        back[i] = out[place]
    return back


def naturals(axis: Axis) -> list[tuple[str, float, bool]]:
    """Natural notes on the paper: name, frequency [Hz], whether it is a C."""
    out = []
    for k in range(12, 120):
        f = 440.0 * 2.0 ** ((k - 69) / 12)
        if k % 12 in NATURALS and axis.holds(f):
            out.append((f"{NATURALS[k % 12]}{k // 12 - 1}", f, k % 12 == 0))
    return out


def hertz(axis: Axis) -> list[int]:
    """Round frequencies on the paper."""
    steps = (20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400, 500, 600, 800)
    return [f for f in steps if axis.holds(f)]


def note_words(frequency: float) -> str:
    """Nearest note with its cents for reading: ``E♭2 −14``."""
    names = ("C", "D♭", "D", "E♭", "E", "F", "G♭", "G", "A♭", "A", "B♭", "B")
    semitones = 69.0 + 12.0 * log2(frequency / 440.0)
    k = round(semitones)
    c = round(100.0 * (semitones - k))
    off = f" +{c}" if c > 0 else f" −{-c}" if c < 0 else ""
    return f"{names[k % 12]}{k // 12 - 1}{off}"


def _tie(own: Own, head: str, rung: Rung) -> float:
    """The own mode [Hz] a rung is made of on one head: nearest of its kind, the first for the note."""
    modes = own.get(head, ())
    kin = [f for f, label in modes if rung.m is not None and label.startswith(f"({rung.m},")] or [f for f, _ in modes]
    if not kin:
        return rung.frequency_hz
    return kin[0] if rung.is_note else min(kin, key=lambda f: abs(log(f / rung.frequency_hz)))


def place_rungs(rungs: Sequence[Rung], own: Own, axis: Axis, sheet: Sheet) -> list[Mark]:
    """Every rung with its marks and label in px; rungs off the paper are left out."""
    marks = [_bar(r, own, axis, sheet) for r in rungs if axis.holds(r.frequency_hz)]
    for side in ("b", "r", "s"):
        mine = [i for i, k in enumerate(marks) if k.rung.side == side]
        for i, y in zip(mine, spread([marks[i].y for i in mine], sheet.gap), strict=True):
            marks[i] = replace(marks[i], label_y=y)
    labelled = [_label(k, marks, sheet) for k in marks]
    return _apart(labelled, sheet)


def _bar(r: Rung, own: Own, axis: Axis, sheet: Sheet) -> Mark:
    share = 0.5 if r.share_batter is None else r.share_batter
    scale = axis.per_second(sheet)
    length = min(max(8.0, r.t60_s * scale), sheet.span)
    x0 = sheet.left + (1.0 - share) * (sheet.span - length)
    y = axis.y(sheet, r.frequency_hz)
    sd = r.frequency_sd_hz or 0.0
    wy = abs(axis.y(sheet, max(r.frequency_hz - 2 * sd, 0.5 * r.frequency_hz)) - y)
    thick = max(3.0, min(sheet.thickest, sheet.thickest * (1.0 + r.level_db / 50.0)))
    return Mark(r, y, x0, x0 + length * share, x0 + length, thick, max(1.0, wy), 2 * (r.t60_sd_s or 0.0) * scale,
                axis.y(sheet, _tie(own, "batter", r)), axis.y(sheet, _tie(own, "resonant", r)), 0.0, y, "start")


def _label(k: Mark, marks: Sequence[Mark], sheet: Sheet) -> Mark:
    """Beside the free end; above or below where the rung is shared, long, or a stub at the far rail."""
    length, side = k.x1 - k.x0, k.rung.side
    off = 12 + min(k.wx, 30.0)
    beside = {"b": sheet.right - (k.x1 + off), "r": k.x0 - off - sheet.left, "s": 0.0}[side]
    if side != "s" and beside > _width(k.rung, sheet) and length <= 0.62 * sheet.span:
        return replace(k, anchor="start", label_x=k.x1 + off) if side == "b" else \
            replace(k, anchor="end", label_x=k.x0 - off)
    half = _width(k.rung, sheet) / 2
    x = min(max((k.x0 + k.x1) / 2, sheet.left + half + 4), sheet.right - half - 4)
    over, under = k.y - k.thick / 2 - 8, k.y + k.thick / 2 + (19 if sheet.words else sheet.small + 3)
    others = [o for o in marks if o is not k and o.x1 > x - half and o.x0 < x + half]
    above = min([k.y - o.y for o in others if o.y <= k.y] + [999.0])
    below = min([o.y - k.y for o in others if o.y > k.y] + [999.0])
    tight = above < 2.1 * sheet.size + 4 and below > above
    return replace(k, anchor="middle", label_x=x, label_y=under if tight else over)


def _width(r: Rung, sheet: Sheet) -> float:
    words = sheet.beside + (6 * sheet.size if r.is_note else 0)
    return sheet.size * 3.1 + words


def label_box(k: Mark, sheet: Sheet) -> tuple[float, float]:
    """Left and right edge of a label [px]."""
    w = _width(k.rung, sheet)
    left = k.label_x - {"start": 0.0, "middle": w / 2, "end": w}[k.anchor]
    return left, left + w


def _apart(marks: list[Mark], sheet: Sheet) -> list[Mark]:
    """A last pass: labels that lie on each other are moved to the other side of their rung, else pushed apart."""
    order = sorted(range(len(marks)), key=lambda i: marks[i].label_y)
    out = list(marks)
    for _ in range(40):
        moved = False
        for a, b in ((order[i], order[j]) for i in range(len(order)) for j in range(i + 1, len(order))):
            p, q = out[a], out[b]
            (p0, p1), (q0, q1) = label_box(p, sheet), label_box(q, sheet)
            py, qy = baseline(p), baseline(q)
            short = sheet.size + 1 - abs(qy - py)
            if short > 0 and p0 < q1 and q0 < p1:
                sign = 1.0 if qy >= py else -1.0
                out[a] = replace(p, label_y=p.label_y - sign * short / 2)
                out[b] = replace(q, label_y=q.label_y + sign * short / 2)
                moved = True
        if not moved:
            break
    return out


def baseline(k: Mark) -> float:
    """Height of the label's foot [px]: labels beside a rung are centred on it."""
    return k.label_y + (0.0 if k.anchor == "middle" else 5.0)
