"""A plan for one hand: one rod at a time, in order, with a short rail that says was, reckoned, aim."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from ..plan.order import cross_order
from ..plan.wish import known_wishes, parse_wish
from ..records import HEADS, Drum, HeadName, Plan, PlanStep, RodTurn
from ..units import turns_in_words
from .ladder_layout import spread
from .strip import where
from .svg import SCREEN, Palette, Pen, number


@dataclass(frozen=True)
class HandStep:
    """One thing to do: turn one rod, or (``rod`` None) strike and read. ``round`` counts passes from 1."""

    head: HeadName
    round: int
    rod: int | None
    eighths: float = 0.0
    place: int = 0  # in the pass, from 0
    order: tuple[int, ...] = ()
    then: str = "read"


def passes_of_turns(drum: Drum, eighths: dict[HeadName, int]) -> Plan:
    """A plan of equal turns on every rod, an eighth a pass, opposite rods in turn, the slackening head first."""
    left = {h: eighths.get(h, 0) for h in HEADS if eighths.get(h, 0)}
    steps = []
    while left:
        for head in sorted(left, key=lambda h: left[h] > 0):
            sign = 1 if left[head] > 0 else -1
            rods = drum.head(head).rods
            steps.append(PlanStep(head, tuple(RodTurn(r, float(sign)) for r in range(1, rods + 1)), cross_order(rods),
                                  "read"))
            left[head] -= sign
        left = {h: n for h, n in left.items() if n}
    return Plan(tuple(steps), {}, ())


def hand_steps(steps: Sequence[PlanStep]) -> list[HandStep]:
    """Passes as single things to do; after each pass comes a reading."""
    out: list[HandStep] = []
    for number_, step in enumerate((s for s in steps if s.rods), 1):
        amount = {r.rod: r.eighths for r in step.rods}
        order = tuple(r for r in (step.order or tuple(amount)) if amount.get(r))
        out += [HandStep(step.head, number_, rod, amount[rod], i, order, step.then) for i, rod in enumerate(order)]
        out.append(HandStep(step.head, number_, None, 0.0, len(order), order, step.then))
    return out


def done_words(steps: Sequence[HandStep], upto: int) -> str:
    """What has been turned by step ``upto``, the way the log takes it: ``batter=+1/8`` or ``batter:3=+1/8,...``."""
    total: dict[tuple[HeadName, int], float] = {}
    rods: dict[HeadName, set[int]] = {}
    for step in steps[:upto]:
        if step.rod is not None:
            total[step.head, step.rod] = total.get((step.head, step.rod), 0.0) + step.eighths
    for step in steps:
        rods.setdefault(step.head, set()).update(step.order)
    parts = []
    for head, known in rods.items():
        amounts = {r: total.get((head, r), 0.0) for r in known}
        if len(set(amounts.values())) == 1 and len(known) > 3 and len(known) == max(known):
            value = next(iter(amounts.values()))
            parts += [f"{head}={value / 8.0:+g}"] if value else []
        else:
            parts += [f"{head}:{r}={n / 8.0:+g}" for r, n in sorted(amounts.items()) if n]
    return ",".join(parts)


def pairs(order: Sequence[int]) -> list[tuple[int, ...]]:
    """The order in joined pairs of opposite rods; a rod without partner stands alone."""
    return [tuple(order[i:i + 2]) for i in range(0, len(order), 2)]


def rod_place(step: HandStep, drum: Drum) -> str:
    """Where the rod of a step is, in words."""
    head = drum.head(step.head)
    return where(step.rod or 1, head.rods, head.first_rod_deg)


def how_words(step: HandStep) -> str:
    """``1/8 looser``."""
    return turns_in_words(step.eighths)


@dataclass(frozen=True)
class Rail:
    """Pitches of one head [Hz]: before the pass, reckoned now with its sd, and where the pass should land."""

    head: HeadName
    was: float
    reckoned: float
    sd: float
    aim: float
    aim_sd: float


def rail_svg(rail: Rail, *, wide: bool = True, palette: Palette = SCREEN) -> str:
    """The short rail beside the instruction."""
    pen = Pen(palette, f"t{'w' if wide else 'n'}")
    pen.pattern()
    side = "b" if rail.head == "batter" else "r"
    width, height, x, top, base = (300.0, 520.0, 64.0, 60.0, 480.0) if wide else (96.0, 340.0, 10.0, 60.0, 320.0)
    values = [rail.was, rail.aim, rail.reckoned - 2 * rail.sd, rail.reckoned + 2 * rail.sd]
    low, high = min(values), max(values)
    pad = max(0.12 * (high - low), 0.004 * high)
    low, high = low - pad, high + pad

    def y(f: float) -> float:
        return base - (base - top) * (f - low) / (high - low)

    name = f"{rail.head.capitalize()} head"
    if wide:
        pen.text(x - 14, 20, f"{name} pitch, Hz", size=19, weight=600, css=f"f{side}")
    else:
        pen.text(6, 11, name, size=13, weight=600, css=f"f{side}")
        pen.text(6, 26, "pitch, Hz", size=12, css="t2")
    pen.path(f"M{x:g} {top - 20:g}V{base + 18:g}", f"s{side}", width=5 if wide else 4, dash="" if side == "b" else "7 3")
    if wide:
        step = next((s for s in (0.2, 0.5, 1, 2, 5, 10, 20) if (high - low) / s <= 8), 50)
        for k in range(ceil(low / step), floor(high / step) + 1):
            pen.path(f"M{x - 12:g} {number(y(k * step))}h8", "rule")
            pen.text(x - 18, y(k * step) + 5, f"{k * step:g}", size=16, anchor="end", css="t2")
    long_, tx = (110.0, 186.0) if wide else (28.0, 45.0)
    for sign in (-1, 1):
        pen.path(f"M{x:g} {number(y(rail.aim + sign * rail.aim_sd))}H{number(x + long_)}", "ink", width=1.5)
    thick = 18.0 if wide else 13.0
    pen.path(f"M{x + 3:g} {number(y(rail.was) - 7)}h{number(long_ - 8)}v14h{number(8 - long_)}z", "ghost", width=1.5,
             dash="5 4")
    pen.bar(x + 2, y(rail.reckoned) - thick / 2, long_ - 18 if wide else 19, thick, f"f{side}" if side == "b" else "br",
            slits=side == "r")
    reach = abs(y(rail.reckoned + 2 * rail.sd) - y(rail.reckoned))
    pen.path(f"M{number(x + long_ - 6)} {number(y(rail.reckoned) - reach)}v{number(2 * reach)}m-5 0h10m-10 "
             f"{number(-2 * reach)}h10", "whisk", width=2)
    said = [("aim", rail.aim, 700), ("was", rail.was, 400), ("reckoned", rail.reckoned, 700)]
    heights = spread([y(f) for _, f, _ in said], 64.0 if wide else 42.0, 40.0, 500.0 if wide else 320.0)
    for (words, f, weight), at in zip(said, heights, strict=True):
        pen.text(tx, at - (8 if wide else 3), words, size=20 if wide else 13, css="t2" if words == "was" else "")
        pen.text(tx, at + (25 if wide else 16), f"{f:.1f}", size=34 if wide else 19, weight=weight,
                 css="t2" if words == "was" else "")
    label = (f"{name} pitch: was {rail.was:.1f} hertz, reckoned {rail.reckoned:.1f} plus or minus {2 * rail.sd:.1f}, "
             f"aim {rail.aim:.1f} hertz")
    return pen.drawing(width, height, css="wide" if wide else "narrow", label=label)


def wish_choices() -> list[tuple[str, str]]:
    """Every wish that needs no number, with its words."""
    return [(name, parse_wish(name)[0].words) for name in known_wishes() if name not in ("state-N", "nearer")]
