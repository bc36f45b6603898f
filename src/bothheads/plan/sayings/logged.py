"""What logged drums say of a saying: states of one drum, or drums of one log, that differ in what the saying is about.

Only notes, tails and tensions are compared; levels of an uncalibrated microphone say nothing from one evening to the next.
A pair bears on a saying when nothing else that the log knows was changed between its states.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import log

import numpy as np

from ...infer.history import fit_of
from ...records import HEADS, HeadName, State
from ...units import metres_from_inches
from .changes import WARMER_K, Change, change, hertz_of, notes, opening_of, relation_of, tails, tensions_of
from .model import percent
from .record import Claim, Heard

SAME_NOTE_CENTS = 20.0
APART = 0.2  # ln T: heads that were certainly moved
NOTHING = "a log holds nothing that could speak of it"
NEWEST = 40  # states of a drum that are compared with each other


@dataclass(frozen=True)
class Logged:
    """How a log bears on a saying: ``pair`` or ``one`` gives an effect in the claim's unit, None where it does not bear."""

    words: str
    pair: Callable[[State, State, Change], float | None] | None = None
    one: Callable[[State], float | None] | None = None
    across: bool = False  # pairs of different drums (their newest states) instead of states of one


# ------------------------------------------------------------------ pairs of states of one drum
def _only(c: Change, *names: str) -> bool:
    return bool(c.what) and c.what <= set(names)


def _same_note(a: State, b: State, c: Change) -> bool:
    apart = notes(a, b)
    return _only(c, *HEADS) and apart is not None and abs(apart) < SAME_NOTE_CENTS


def _ordered(a: State, b: State, key: Callable[[State], float | None]) -> tuple[State, State, float, float] | None:
    """The two states with the larger key first, and both keys."""
    x, y = key(a), key(b)
    if x is None or y is None:
        return None
    return (a, b, x, y) if x >= y else (b, a, y, x)


def _equal_heads(a: State, b: State, c: Change) -> float | None:
    found = _ordered(a, b, lambda s: None if (r := relation_of(s)) is None else abs(r))
    if not _same_note(a, b, c) or found is None or found[3] > 0.1 or found[2] < 0.3:
        return None
    return tails(found[1], found[0])


def _resonant_higher(a: State, b: State, c: Change) -> float | None:
    found = _ordered(a, b, relation_of)
    if not _same_note(a, b, c) or found is None or found[2] < APART or found[3] > -APART:
        return None
    return tails(found[0], found[1])


def _same_note_tails(a: State, b: State, c: Change) -> float | None:
    found = _ordered(a, b, relation_of)
    if not _same_note(a, b, c) or found is None or found[2] - found[3] < APART:
        return None
    step = tails(a, b)
    return None if step is None else max(step, percent(1.0, 1.0 + step / 100.0))


def _one_of_both(a: State, b: State, c: Change) -> float | None:
    known, moved = (tensions_of(a), tensions_of(b)), notes(b, a)
    if not _only(c, "batter") or known[0] is None or known[1] is None or moved is None:
        return None
    step = log(known[1][0] / known[0][0])
    return moved / (600.0 * step / log(2.0)) if abs(step) > APART / 2 else None


def _head_off(a: State, b: State, c: Change) -> float | None:
    if not _only(c, "head off"):
        return None
    off, on = (a, b) if a.drum.resonant is None else (b, a)
    return tails(off, on)


def _opened(a: State, b: State, c: Change, largest_in: float = 99.0) -> tuple[State, State] | None:
    """(opened, closed) when nothing but an opening tells two states apart."""
    if not _only(c, "opening"):
        return None
    closed = [s for s in (a, b) if opening_of(s.drum) is None]
    other = b if closed and closed[0] is a else a
    hole = None if other.drum.resonant is None else other.drum.resonant.opening
    fits = len(closed) == 1 and hole is not None and hole.diameter <= metres_from_inches(largest_in)
    return (other, closed[0]) if fits else None


def _opened_keeps(a: State, b: State, c: Change) -> float | None:
    pair = _opened(a, b, c, 6.5)
    return None if pair is None else tails(*pair)


def _opened_shorter(a: State, b: State, c: Change) -> float | None:
    pair = _opened(a, b, c)
    return None if pair is None else tails(pair[1], pair[0])


def _opened_note(a: State, b: State, c: Change) -> float | None:
    pair = _opened(a, b, c)
    return None if pair is None else notes(*pair)


def _muffled(a: State, b: State, c: Change) -> tuple[State, State, frozenset[HeadName]] | None:
    """(muffled, bare, heads touched) when nothing but muffling tells two states apart and one has none."""
    bare = [s for s in (a, b) if not s.drum.muffling]
    if not _only(c, "muffling") or len(bare) != 1:
        return None
    other = b if bare[0] is a else a
    return other, bare[0], frozenset(h for item in other.drum.muffling for h in item.heads)


def _muffled_tail(heads: frozenset[str] | None) -> Callable[[State, State, Change], float | None]:
    def measure(a: State, b: State, c: Change) -> float | None:
        found = _muffled(a, b, c)
        return tails(found[0], found[1]) if found and heads in (None, found[2]) else None
    return measure


def _muffled_note(a: State, b: State, c: Change) -> float | None:
    found = _muffled(a, b, c)
    return notes(found[0], found[1]) if found and found[2] == {"batter"} else None


def _both_more(a: State, b: State, c: Change) -> float | None:
    """The same things touching both heads instead of one."""
    def alone(s: State) -> object:
        return tuple(replace(item, heads=()) for item in s.drum.muffling)
    if not _only(c, "muffling") or not a.drum.muffling or alone(a) != alone(b):
        return None
    found = _ordered(a, b, lambda s: float(sum(len(item.heads) for item in s.drum.muffling)))
    return tails(found[0], found[1]) if found and found[2] > found[3] else None


def _quarter(a: State, b: State, c: Change) -> float | None:
    moved = notes(b, a)
    if not _only(c, "batter") or moved is None or not 0.2 <= abs(c.turns[0]) <= 0.3:
        return None
    return moved if c.turns[0] > 0 else -moved


def _warmer(sign: int) -> Callable[[State, State, Change], float | None]:
    def measure(a: State, b: State, c: Change) -> float | None:
        moved, warmer = notes(b, a), c.warmer
        handled = bool(c.what - {"air", *HEADS}) or any(c.turns)  # the fits may differ: that is what warmth does
        if handled or moved is None or warmer is None or abs(warmer) < WARMER_K:
            return None
        return moved if warmer * sign > 0 else -moved
    return measure


# ------------------------------------------------------------------ one state, and different drums
def _measured(state: State, m: int) -> list[float]:
    fit = fit_of(state)
    return [] if fit is None else sorted(p.measured_hz for p in fit.partials if p.m == m)


def _rod_over_note(state: State) -> float | None:
    note, pair = hertz_of(state), _measured(state, 1)[:2]
    return float(np.mean(pair)) / note if note and len(pair) == 2 else None


def _second_low(state: State) -> float | None:
    known, note = relation_of(state), hertz_of(state)
    if known is None or note is None or abs(known) > 0.1:
        return None
    above = [f for f in _measured(state, 0) if f > 1.02 * note]
    return above[0] / note if above else None


def _plain(*states: State) -> bool:
    return all(not s.drum.muffling and s.drum.resonant is not None and s.drum.resonant.opening is None for s in states)


def _shorter(a: State, b: State, _: Change) -> float | None:
    deep, short = (a, b) if a.drum.depth > b.drum.depth else (b, a)
    apart = notes(a, b)
    alike = abs(a.drum.diameter / b.drum.diameter - 1) < 0.02 and deep.drum.depth > 1.15 * short.drum.depth
    return tails(short, deep) if alike and _plain(a, b) and apart is not None and abs(apart) < 60 else None


def _larger(a: State, b: State, _: Change) -> float | None:
    large, small = (a, b) if a.drum.diameter > b.drum.diameter else (b, a)
    known, apart = (tensions_of(large), tensions_of(small)), notes(a, b)
    if large.drum.diameter < 1.03 * small.drum.diameter or apart is None or abs(apart) > 60 or None in known:
        return None
    assert known[0] is not None and known[1] is not None
    heavier = large.drum.batter.surface_density / small.drum.batter.surface_density
    return percent(known[0][0] / heavier, known[1][0])


EQUAL_HEADS = Logged("two states at one note, heads equal and apart: tails", _equal_heads)
RESONANT_HIGHER = Logged("two states at one note, resonant head the tighter and the slacker one: tails", _resonant_higher)
SAME_NOTE = Logged("two states at one note with the heads related otherwise: tails", _same_note_tails)
ONE_OF_BOTH = Logged("batter alone moved: step of the note over that of both heads by the fitted tension", _one_of_both)
HEAD_OFF = Logged("resonant head on and off: tails", _head_off)
ROD_OVER_NOTE = Logged("states with a fit: mean of the (1,1) pair over the note", one=_rod_over_note)
SECOND_LOW = Logged("states with equal heads: second (0, n) partial over the note", one=_second_low)
SHORTER = Logged("two drums of one diameter at about one note: tails of the shorter and the deeper", _shorter, across=True)
LARGER = Logged("two drums of different diameter at about one note: batter tensions per film mass", _larger, across=True)
OPENED_SHORTER = Logged("nothing but an opening changed: tails, closed against open", _opened_shorter)
OPENED_KEEPS = Logged("nothing but an opening of up to 6.5 in changed: tails", _opened_keeps)
OPENED_NOTE = Logged("nothing but an opening changed: notes", _opened_note)
MUFFLED_BATTER = Logged("nothing but muffling of the batter changed: tails", _muffled_tail(frozenset({"batter"})))
MUFFLED_RESONANT = Logged("nothing but muffling of the resonant head changed: tails", _muffled_tail(frozenset({"resonant"})))
MUFFLED_ANY = Logged("nothing but muffling changed: tails", _muffled_tail(None))
MUFFLED_BATTER_NOTE = Logged("nothing but muffling of the batter changed: notes", _muffled_note)
MUFFLED_BOTH = Logged("the same muffling on both heads instead of one: tails", _both_more)
QUARTER_TURN = Logged("nothing but about a quarter turn of the batter: notes", _quarter)
WARMER = Logged("untouched, 3 K warmer or more: notes", _warmer(1))
COLDER = Logged("untouched, 3 K colder or more: notes", _warmer(-1))


# ------------------------------------------------------------------ all of a log
def heard(claim: Claim, how: Logged | None, histories: Sequence[Sequence[State]]) -> Heard:
    """What histories (the states of one drum each, in order) say of a claim."""
    if how is None:
        return Heard(because=NOTHING)
    found = [(drum, e) for drum, e in _effects(how, histories) if e is not None and np.isfinite(e)]
    if not found:
        return Heard(because="no logged drum bears on it")
    sides = [claim.side(e) for _, e in found]
    return Heard(len(found), len({d for d, _ in found}), float(np.median([e for _, e in found])), sides.count(1), sides.count(-1))


def _effects(how: Logged, histories: Sequence[Sequence[State]]) -> list[tuple[object, float | None]]:
    if how.one is not None:
        return [(s.drum_id, how.one(s)) for states in histories for s in states[-NEWEST:]]
    assert how.pair is not None
    if how.across:
        nothing = Change(frozenset(), (0.0, 0.0), None)
        last = [max(fitted, key=lambda s: s.number) for states in histories
                if (fitted := [s for s in states if hertz_of(s) is not None])]
        return [((a.drum_id, b.drum_id), how.pair(a, b, nothing)) for a, b in combinations(last, 2)]
    out: list[tuple[object, float | None]] = []
    for states in histories:
        recent = list(states[-NEWEST:])
        for i, j in combinations(range(len(recent)), 2):
            out.append((recent[i].drum_id, how.pair(recent[i], recent[j], change(recent[i : j + 1]))))
    return out
