"""Ear lessons from one's own takes: which questions the states can ask, how hard, and what was learned. Pure."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ..records import State
from ..units import cents

LESSONS = {"higher": "Which is higher?", "head": "Which head was turned?", "pad": "Which has more on its heads?"}
EASIEST, HARDEST = 400.0, 8.0  # cents of the first lesson
STEP = 1.4


@dataclass(frozen=True)
class Question:
    """Two states in the order heard; ``answers`` by key in words, the ``right`` key, how big the difference is."""

    lesson: str
    first: int
    second: int
    answers: dict[str, str]
    right: str
    size: float
    told: str


def _note(s: State) -> float | None:
    value = ((s.reading or {}).get("note") or {}).get("frequency_hz")
    return float(value) if value else None


def _weight(s: State) -> float:
    return sum(m.mass * len(m.heads) for m in s.drum.muffling)


def _turned(s: State) -> set[str]:
    return {t.head for t in s.turns if t.turns}


def questions(states: Sequence[State], lesson: str) -> list[tuple[State, State, float]]:
    """Pairs of states with a take that can ask this, with the size of their difference (cents, turns or grams)."""
    with_take = [s for s in states if s.takes]
    pairs = []
    for i, a in enumerate(with_take):
        for b in with_take[i + 1:]:
            na, nb = _note(a), _note(b)
            if lesson == "higher" and na and nb and abs(cents(nb, na)) >= 3:
                pairs.append((a, b, abs(cents(nb, na))))
            elif lesson == "head" and b.number == a.number + 1 and len(_turned(b)) == 1 and b.drum.muffling == a.drum.muffling:
                pairs.append((a, b, 8 * max(abs(t.turns) for t in b.turns)))
            elif lesson == "pad" and abs(_weight(a) - _weight(b)) > 1e-4:
                pairs.append((a, b, 1e3 * abs(_weight(a) - _weight(b))))
    return pairs


def ask(states: Sequence[State], lesson: str, level: float, chance: random.Random) -> Question | None:
    """A question about as hard as ``level`` (a size of difference), in an order by chance; None when none can be asked."""
    pairs = questions(states, lesson)
    if not pairs:
        return None
    pairs.sort(key=lambda p: abs(p[2] - level))
    a, b, size = chance.choice(pairs[:max(1, min(3, len(pairs)))])
    if lesson == "head":
        right = next(iter(_turned(b)))
        return Question(lesson, a.number, b.number, {"batter": "The batter head", "resonant": "The resonant head"}, right, size,
                        f"Between the first and the second, the {right} head was turned.")
    if chance.random() < 0.5:
        a, b = b, a
    answers = {"first": "The first", "second": "The second"}
    if lesson == "higher":
        second = (_note(b) or 0) > (_note(a) or 0)
        told = f"The {'second' if second else 'first'} is {size:.0f} cents higher."
    else:
        second = _weight(b) > _weight(a)
        told = f"The {'second' if second else 'first'} has {size:.0f} g more on its heads."
    return Question(lesson, a.number, b.number, answers, "second" if second else "first", size, told)


def level_after(record: dict[str, Any], lesson: str, right: bool, size: float) -> dict[str, Any]:
    """A learner's record after one answer: two right in a row make it harder, one wrong makes it easier."""
    mine = dict(record.get(lesson) or {"level": EASIEST, "run": 0, "right": 0, "asked": 0, "smallest": None})
    mine["asked"] += 1
    mine["right"] += right
    mine["run"] = mine["run"] + 1 if right else 0
    if right and mine["run"] >= 2:
        mine["level"], mine["run"] = max(HARDEST, mine["level"] / STEP), 0
        mine["smallest"] = size if mine["smallest"] is None else min(mine["smallest"], size)
    elif not right:
        mine["level"] = min(EASIEST, mine["level"] * STEP)
    return {**record, lesson: mine}


def record_words(record: dict[str, Any]) -> list[str]:
    """What a learner has done so far, a line a lesson."""
    units = {"higher": "cents", "head": "eighths", "pad": "grams"}
    out = []
    for lesson, words in LESSONS.items():
        if mine := record.get(lesson):
            best = "" if mine["smallest"] is None else \
                f"; smallest difference heard twice running: {mine['smallest']:.0f} {units[lesson]}"
            out.append(f"{words} {mine['right']} of {mine['asked']} right{best}")
    return out
