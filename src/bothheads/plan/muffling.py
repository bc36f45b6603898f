"""What to lay on a head when turning rods does not give the tail or the attack that is wished.

A thing's size is found to first order: resistance R' over an area A adds |d ln tau / d ln R| R' w / R to the
note's decay rate, w = share of the note's film motion squared under A, and its mass lowers the note by
d ln f / d ln sigma likewise. That a heavier head also radiates less is left to the exact solve of the chosen
one. Materials are common practice without a source; what your own felt does, your log will say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from ..infer import ladder
from ..records import HEADS, Drum, HeadName, Muffling, Prediction
from ..units import cents
from .sheet import Model

Array = NDArray[np.float64]

FELT_DENSITY = 0.6  # kg/m2, a folded cloth or felt as laid on a head, common practice
FELT_RESISTANCE = 60.0  # N s/m3 over its area, common practice
RING_DENSITY = 0.25  # kg/m2, a ring of film lying on the head
RING_RESISTANCE = 12.0  # N s/m3
J01 = 2.404825557695773


@dataclass(frozen=True)
class Suggestion:
    """One thing to lay on (or take off), with what it does to the note."""

    muffling: tuple[Muffling, ...]  # the drum's muffling afterwards
    head: HeadName
    words: str
    tail_ratio: float  # tail after / before
    note_cents: float
    before: Prediction
    after: Prediction


@dataclass(frozen=True)
class Kind:
    """A family of things of one size parameter between limits [m]."""

    make: Callable[[float, float], Muffling]  # (size, radius of the head)
    low: float
    high: float
    say: Callable[[float, HeadName], str]


def _pad(size: float, radius: float) -> Muffling:
    size = min(size, 0.3 * radius)
    return Muffling("pad", ("batter",), 0.0, -0.62 * radius, size, None, FELT_DENSITY * np.pi * size**2,
                    FELT_RESISTANCE)


def _strip(size: float, radius: float) -> Muffling:
    y = -0.45 * radius
    area = size * 2.0 * (radius**2 - y**2) ** 0.5
    return Muffling("strip", ("batter",), 0.0, y, None, size, FELT_DENSITY * area, FELT_RESISTANCE)


def _ring(size: float, radius: float) -> Muffling:
    area = np.pi * (radius**2 - (radius - size) ** 2)
    return Muffling("ring", ("batter",), 0.0, 0.0, None, size, RING_DENSITY * area, RING_RESISTANCE)


KINDS = (
    Kind(_pad, 0.02, 0.12, lambda s, h: f"lay a folded cloth about {200 * s:.0f} cm across on the lower part of the "
                                         f"{h} head, clear of the beater"),
    Kind(_strip, 0.015, 0.09, lambda s, h: f"put a felt strip {100 * s:.0f} cm wide straight across the {h} head, "
                                            "halfway between its middle and its lower edge"),
    Kind(_ring, 0.015, 0.06, lambda s, h: f"lay a ring of film {100 * s:.0f} cm wide on the edge of the {h} head"),
)


def motion_share(item: Muffling, radius: float) -> float:
    """Share of the (0,1) film motion squared that lies under ``item``: integral of J0(j r/a)^2 over it / whole."""
    from ..physics.bessel import bessel_j

    x, y = np.meshgrid(*[(np.arange(120) + 0.5) / 60.0 - 1.0] * 2)
    r = np.hypot(x, y)
    weight = np.where(r < 1.0, bessel_j(0, J01 * np.minimum(r, 1.0))[0] ** 2, 0.0)
    if item.kind in ("pad", "patch"):
        under = np.hypot(x - item.x / radius, y - item.y / radius) < (item.radius or 0.0) / radius
    elif item.kind == "ring":
        under = r > 1.0 - (item.width or 0.0) / radius
    else:
        under = np.abs(y - item.y / radius) < (item.width or 0.0) / 2.0 / radius
    return float(weight[under].sum() / weight.sum())


@dataclass(frozen=True)
class Leverage:
    """What the note's decay and pitch have to do with one head's resistance and film, per unit of each."""

    loss: float  # |d ln tau / d R|, (N s/m3)^-1
    film: float  # d ln f / d surface density, m2/kg

    def of(self, item: Muffling, radius: float) -> tuple[float, float]:
        """Tail ratio and cents that ``item`` does to the note, to first order."""
        from ..physics.muffling import surface_density

        share = motion_share(item, radius)
        return (1.0 / (1.0 + self.loss * item.resistance * share),
                1731.2 * self.film * surface_density(item, radius) * share)


def leverage(drum: Drum, head: HeadName) -> Leverage:
    """Leverage of one head on the note of ``drum`` (tensions known)."""
    solid = drum if drum.head(head).resistance_used > 0.1 else drum.with_head(head, resistance=0.5)
    note = _low_model(solid).note.frequency_hz or 0.0
    rung = min(ladder.rungs(solid), key=lambda r: abs(r.frequency_hz - note))
    i = HEADS.index(head)
    return Leverage(max(-rung.loss_slope[i], 0.0) / solid.head(head).resistance_used,
                    rung.film_slope[i] / solid.head(head).surface_density)


def _sized(lever: Leverage, kind: Kind, wanted: float, radius: float) -> float:
    """Size [m] of a kind whose tail ratio comes nearest to ``wanted``, by halving."""
    low, high = kind.low, min(kind.high, 0.4 * radius)
    for _ in range(8):
        middle = (low + high) / 2.0
        ratio = lever.of(kind.make(middle, radius), radius)[0]
        low, high = (middle, high) if ratio > wanted else (low, middle)
    return round((low + high) / 2.0, 3)


def _low_model(drum: Drum) -> Prediction:
    """The forecast of the lowest two octaves or so, where the note and most of the tail lie: quick under a pad."""
    from ..physics.coupled import default_fmax
    from ..physics.forecast import forecast

    return forecast(drum, fmax_hz=default_fmax(drum) / 2.0)


def suggest(
    drum: Drum, *, tail_ratio: float, head: HeadName = "batter", model: Model | None = None
) -> Suggestion | None:
    """The thing that brings the note's tail nearest to ``tail_ratio`` times now with the least shift of the note.

    Below 1 something is laid on ``head``; above 1 what lies on the drum is taken off, one thing at a time.
    None when nothing helps by 3 % or more.
    """
    solve = model or _low_model
    base = solve(drum)
    if base.note.decay_s is None or base.note.frequency_hz is None:
        return None
    if tail_ratio > 1.0:
        return _taken_off(drum, base, solve, tail_ratio)
    lever = leverage(drum, head)
    offers = []
    for kind in KINDS:
        size = _sized(lever, kind, tail_ratio, drum.radius)
        item = replace(kind.make(size, drum.radius), heads=(head,))
        ratio, shift = lever.of(item, drum.radius)
        offers.append((abs(log(ratio / tail_ratio)) + abs(shift) / 300.0, kind, size, item))
    _, kind, size, item = min(offers, key=lambda o: o[0])
    return _measured(drum, base, solve, (*drum.muffling, item), head, kind.say(size, head))


def _measured(drum: Drum, base: Prediction, solve: Model, muffling: tuple[Muffling, ...], head: HeadName,
              words: str) -> Suggestion | None:
    after = solve(replace(drum, muffling=muffling))
    if after.note.decay_s is None or after.note.frequency_hz is None:
        return None
    assert base.note.decay_s is not None and base.note.frequency_hz is not None
    ratio = after.note.decay_s / base.note.decay_s
    if abs(log(ratio)) < 0.03:
        return None
    return Suggestion(muffling, head, words, ratio, cents(after.note.frequency_hz, base.note.frequency_hz), base, after)


def _taken_off(drum: Drum, base: Prediction, solve: Model, wanted: float) -> Suggestion | None:
    found = []
    for i, item in enumerate(drum.muffling):
        rest = drum.muffling[:i] + drum.muffling[i + 1:]
        offer = _measured(drum, base, solve, rest, item.heads[0], f"take the {item.kind} off the "
                                                                  f"{' and the '.join(item.heads)} head")
        if offer is not None and offer.tail_ratio > 1.0:
            found.append(offer)
    return min(found, key=lambda o: abs(log(o.tail_ratio / wanted)), default=None)
