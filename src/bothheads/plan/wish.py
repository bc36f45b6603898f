"""Wishes in the trade's words, made exact: which figure, how far, and what counts as met.

A wish becomes goals on figures of a drum (``plan.sheet``): the note [ln Hz], its tail [ln s], how much of what
rings is the note [dB], how much comes in the first 50 ms [dB], the batter's wave round trip [ln s] that the
foot feels, roundness [dB], and both tensions [ln N/m]. Amounts are steps that are surely heard: a semitone,
a quarter of the tail (shorter changes of a short tone's decay pass unnoticed), 2 dB.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log

from .. import units
from ..errors import InputError

FIGURES = ("note", "tail", "tone", "attack", "response", "roundness", "batter", "resonant")
SEMITONE = log(2.0) / 12.0


@dataclass(frozen=True)
class Wish:
    """One wish: its name, what it means in words, and for 'state' the number."""

    name: str
    words: str
    number: int | None = None


@dataclass(frozen=True)
class Goal:
    """One figure's target. ``direction`` +1 or -1: more of it the same way is no harm; 0: exactly."""

    figure: str
    target: float
    tolerance: float  # this far off costs 1
    direction: int
    wish: str
    weight: float = 1.0


# name -> (words, list of (figure, change from now, tolerance, direction))
_KNOWN: dict[str, tuple[str, tuple[tuple[str, float, float, int], ...]]] = {
    "lower-note": ("the note a semitone lower", (("note", -SEMITONE, SEMITONE / 4, -1),)),
    "higher-note": ("the note a semitone higher", (("note", SEMITONE, SEMITONE / 4, 1),)),
    "same-note": ("the note within 10 cents of now", (("note", 0.0, SEMITONE / 10, 0),)),
    "shorter-tail": ("the note's tail a quarter shorter", (("tail", log(0.75), 0.1, -1),)),
    "longer-tail": ("the note's tail a third longer", (("tail", log(4 / 3), 0.1, 1),)),
    "same-tail": ("the note's tail within 10 % of now", (("tail", 0.0, 0.1, 0),)),
    "more-tone": ("2 dB more of what rings is the note", (("tone", 2.0, 0.7, 1),)),
    "more-attack": ("2 dB more of the energy comes in the first 50 ms", (("attack", 2.0, 0.7, 1),)),
    "quicker-response": ("the batter's wave is back under the beater a tenth sooner",
                         (("response", log(0.9), 0.03, -1),)),
    "same-feel": ("the batter answers as now, within 3 %", (("response", 0.0, 0.03, 0),)),
    "same-note-tighter-head": ("the same note with the batter 15 % tighter",
                               (("note", 0.0, SEMITONE / 10, 0), ("batter", log(1.15), 0.04, 1))),
    "rounder": ("levels 1.5 dB more alike all round the drum", (("roundness", -1.5, 0.5, -1),)),
}
_SPOKEN = {
    "deeper": "lower-note", "deeper-note": "lower-note", "lower": "lower-note", "higher": "higher-note",
    "shorter": "shorter-tail", "longer": "longer-tail", "drier": "shorter-tail", "tone": "more-tone",
    "attack": "more-attack", "quicker": "quicker-response", "same-note-tighter-batter": "same-note-tighter-head",
}
_STATE = re.compile(r"^(?:back-to-)?state[-:= ]?(\d+)$")
_AGAINST = (("lower-note", "higher-note"), ("shorter-tail", "longer-tail"), ("same-note", "lower-note"),
            ("same-note", "higher-note"), ("same-tail", "shorter-tail"), ("same-tail", "longer-tail"),
            ("same-feel", "quicker-response"), ("same-note-tighter-head", "same-feel"))


def known_wishes() -> tuple[str, ...]:
    """Names of all wishes, in the order they are shown."""
    return (*_KNOWN, "state-N", "nearer")


def parse_wish(text: str) -> tuple[Wish, ...]:
    """Wishes from ``shorter-tail,same-note`` (commas; spaces and capitals do not matter).

    Raises
    ------
    InputError
        For an unknown wish (listing the known ones), or two that cannot both be had.
    """
    out: list[Wish] = []
    for word in (w.strip().lower().replace(" ", "-").replace("_", "-") for w in text.split(",")):
        if not word:
            continue
        name = _SPOKEN.get(word, word)
        if state := _STATE.match(name):
            out.append(Wish("state", f"back to state {state[1]}", int(state[1])))
        elif name == "nearer":
            out.append(Wish("nearer", "nearer to a recording"))
        elif name in _KNOWN:
            out.append(Wish(name, _KNOWN[name][0]))
        else:
            raise InputError(f"'{word}' is not a known wish: use one or more of {', '.join(known_wishes())}.")
    names = {w.name for w in out}
    for a, b in _AGAINST:
        if a in names and b in names:
            raise InputError(f"{a} and {b} cannot both be had: drop one of them.")
    return tuple(dict.fromkeys(out))


def parse_note(text: str) -> float:
    """Frequency [Hz] of ``62``, ``62Hz``, ``B1`` or ``B1+7``; raises InputError with how to write it."""
    return units.note_frequency(text)


def goals_of(wishes: Sequence[Wish], now: Mapping[str, float], *, note_hz: float | None = None) -> list[Goal]:
    """Goals of wishes for a drum whose figures are ``now``; ``note_hz`` [Hz] overrides any wish about the note."""
    out: list[Goal] = []
    for wish in wishes:
        for figure, step, tolerance, direction in _KNOWN.get(wish.name, ("", ()))[1]:
            if figure == "note" and note_hz is not None:
                continue
            out.append(Goal(figure, now[figure] + step, tolerance, direction, wish.name))
    if note_hz is not None:
        out.append(Goal("note", log(note_hz), SEMITONE / 10, 0, f"note {note_hz:.1f} Hz"))
    return out


def shortfall(goal: Goal, value: float) -> float:
    """How far ``value`` misses the goal in tolerances, 0 when met; beyond a directed goal is met."""
    off = (value - goal.target) / goal.tolerance
    if goal.direction and off * goal.direction > 0:
        return 0.0
    return max(abs(off) - 1.0, 0.0)


def in_words(goal: Goal, now: float, value: float) -> str:
    """What a figure does, in words and numbers, e.g. 'tail 0.92 -> 0.81 s'."""
    from math import exp

    if goal.figure == "note":
        return f"note {exp(now):.1f} -> {exp(value):.1f} Hz, wanted {exp(goal.target):.1f}"
    if goal.figure == "tail":
        return f"tail {exp(now):.2f} -> {exp(value):.2f} s, wanted {exp(goal.target):.2f}"
    if goal.figure in ("batter", "resonant"):
        return f"{goal.figure} {exp(now):.0f} -> {exp(value):.0f} N/m, wanted {exp(goal.target):.0f}"
    if goal.figure == "response":
        return f"batter's answer {1e3 * exp(now):.1f} -> {1e3 * exp(value):.1f} ms, wanted {1e3 * exp(goal.target):.1f}"
    return f"{goal.figure} {value - now:+.1f} dB, wanted {goal.target - now:+.1f}"
