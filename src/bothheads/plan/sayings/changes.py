"""What differs between two kept states of one drum, and what was read in each: notes, tails, tensions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

from ...infer.history import even_turns, fit_of, head_or_none, new_heads
from ...records import HEADS, Drum, Opening, State
from ...units import cents
from .model import percent

ALIKE = 0.08  # ln T: two fits of an untouched head differ by less
WARMER_K = 3.0  # a smaller difference of temperature counts as none


@dataclass(frozen=True)
class Change:
    """What differs from state ``a`` to a later state ``b`` of one drum: names, sizes, turns since."""

    what: frozenset[str]  # of batter, resonant, batter film, resonant film, head off, opening, muffling, air
    turns: tuple[float, float]  # mean over the rods, batter and resonant
    warmer: float | None  # K


def hertz_of(state: State) -> float | None:
    """The note that was read [Hz]."""
    value = ((state.reading or {}).get("note") or {}).get("frequency_hz")
    return float(value) if value else None


def tail_of(state: State) -> float | None:
    """The tail that was read [s]."""
    value = ((state.reading or {}).get("note") or {}).get("t60_s")
    return float(value) if value else None


def tensions_of(state: State) -> tuple[float, float] | None:
    """Both tensions as fitted, None without an accepted fit of two heads."""
    fit = fit_of(state)
    if fit is None or fit.batter is None or fit.resonant is None:
        return None
    return fit.batter.tension, fit.resonant.tension


def relation_of(state: State) -> float | None:
    """ln of (T/sigma of the resonant over T/sigma of the batter)."""
    known = tensions_of(state)
    if known is None or state.drum.resonant is None:
        return None
    return log(known[1] / state.drum.resonant.surface_density / known[0] * state.drum.batter.surface_density)


def change(between: Sequence[State]) -> Change:
    """What differs from the first to the last of consecutive states of one drum."""
    a, b = between[0], between[-1]
    what: set[str] = set()
    moved = []
    for i, name in enumerate(HEADS):
        first, second = head_or_none(a, name), head_or_none(b, name)
        turns = sum(even_turns(s.turns, name, second.rods if second else 8)[0] for s in between[1:])
        moved.append(turns)
        if (first is None) != (second is None):
            what.add("head off")
        elif first is not None and second is not None:
            if abs(first.surface_density / second.surface_density - 1) > 0.15 or any(new_heads(s)[i] for s in between[1:]):
                what.add(f"{name} film")
            if any(t.head == name for s in between[1:] for t in s.turns) or _fits_differ(a, b, i):
                what.add(name)
    if opening_of(a.drum) != opening_of(b.drum):
        what.add("opening")
    if a.drum.muffling != b.drum.muffling:
        what.add("muffling")
    warm = [s.drum.air.temperature_c for s in (a, b)]
    warmer = None if warm[0] is None or warm[1] is None else warm[1] - warm[0]
    if warmer is not None and abs(warmer) >= WARMER_K:
        what.add("air")
    return Change(frozenset(what), (moved[0], moved[1]), warmer)


def _fits_differ(a: State, b: State, head: int) -> bool:
    first, second = tensions_of(a), tensions_of(b)
    return first is not None and second is not None and abs(log(second[head] / first[head])) > ALIKE


def opening_of(drum: Drum) -> Opening | None:
    """The opening of the resonant head."""
    return None if drum.resonant is None else drum.resonant.opening


def tails(new: State, old: State) -> float | None:
    """Change [%] of the tail from ``old`` to ``new``."""
    a, b = tail_of(new), tail_of(old)
    return percent(a, b) if a and b else None


def notes(new: State, old: State) -> float | None:
    """Change [cents] of the note from ``old`` to ``new``."""
    a, b = hertz_of(new), hertz_of(old)
    return cents(a, b) if a and b else None
