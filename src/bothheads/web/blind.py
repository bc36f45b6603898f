"""The blind pair as a test: a number of trials fixed beforehand, an order nobody knows, the binomial in a sentence."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import comb
from typing import Any

from ..records import Comparison

LENGTHS = (8, 12, 16, 20, 30)
QUESTIONS = {"lower": "Which one is lower?", "longer": "Which one rings longer?", "which": "Which one is the newer state?"}
SURE = 0.05


@dataclass
class BlindTest:
    """One running test of a pair. ``order[i]`` True: in trial i the first sound is b."""

    drum_id: int
    a: int  # state numbers
    b: int
    question: str
    right_is_b: bool
    trials: int
    order: list[bool] = field(default_factory=list)
    answers: list[bool] = field(default_factory=list)  # True: the first was named
    kept: bool = False
    differences: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.order:
            self.order = [secrets.randbelow(2) == 1 for _ in range(self.trials)]

    @property
    def done(self) -> bool:
        """Whether every trial has its answer."""
        return len(self.answers) >= self.trials

    def answer(self, first: bool) -> None:
        """The answer to the trial at hand."""
        if not self.done:
            self.answers.append(first)

    @property
    def right(self) -> int:
        """Right answers so far; told only after the last trial."""
        return sum((first == swapped) == self.right_is_b for first, swapped in
                   zip(self.answers, self.order, strict=False))

    def sound(self, place: int) -> str:
        """'a' or 'b': which sound stands first (1) or second (2) in the trial at hand."""
        swapped = self.order[min(len(self.answers), self.trials - 1)]
        return "b" if swapped == (place == 1) else "a"

    def record(self) -> dict[str, Any]:
        """What the log keeps of it; a stopped test has no figure."""
        return {"a": self.a, "b": self.b, "question": self.question, "trials": self.trials,
                "answered": len(self.answers), "right": self.right if self.done else None}


LEAST = {"cents": 1.0, "s": 0.02, "dB": 0.5}  # smaller differences are not worth a line
MORE = {"note, interval": ("the note", "higher", "lower"), "tail": ("the tail", "longer", "shorter"),
        "glide": ("the glide", "larger", "smaller"), "brightness": ("the sound", "brighter", "darker"),
        "level after 0.25 s": ("after a quarter of a second", "louder", "softer")}


def differs(comparison: Comparison, a: int, b: int, most: int = 5) -> list[str]:
    """What differs by more than twice its standard error and can matter, surest first; of state ``b`` against ``a``."""
    found = []
    for d in comparison.differences:
        if d.a is None or d.b is None or not d.sd or d.what == "note":
            continue
        change = d.b - d.a
        if abs(change) < max(2.0 * d.sd, LEAST.get(d.unit, 0.0)):
            continue
        name, more, less = MORE.get(d.what, (f"around {d.what.removeprefix('level ')}", "louder", "softer"))
        size = f"{abs(change):.2f}" if d.unit == "s" else f"{abs(change):.0f}"
        found.append((abs(change) / d.sd, f"{name} {size} {d.unit} {more if change > 0 else less}"))
    lines = [words for _, words in sorted(found, reverse=True)[:most]]
    return [f"in state {b} against state {a}, levels matched: {lines[0]}", *lines[1:]] if lines else [
        "nothing by more than twice its standard error"]


def chance(right: int, trials: int) -> float:
    """Probability of at least ``right`` right answers in ``trials`` by guessing: sum of C(n, k) / 2^n."""
    return float(sum(comb(trials, k) for k in range(right, trials + 1)) / 2**trials)


def needed(trials: int) -> int:
    """Fewest right answers that guessing reaches less than one time in twenty."""
    return next(k for k in range(trials + 1) if chance(k, trials) < SURE)


def odds_words(p: float) -> str:
    """A probability as people say it."""
    if p > 0.35:
        return f"comes in about {10 * p:.0f} of 10 tries"
    once = round(1 / p)
    return f"comes about once in {once} tries" if once < 1000 else "comes less than once in a thousand tries"


def verdict(right: int, trials: int) -> dict[str, str]:
    """The result in sentences; never 'the same'."""
    least = needed(trials)
    heard = right >= least
    other = f"{least - 1} or fewer would have said: not shown either way. It would not have said that they are the same." \
        if heard else f"{least} or more would have shown it. This does not say that they are the same."
    return {"title": "You heard the difference." if heard else "Not shown either way.",
            "right": f"{right} of {trials}", "chance": f"{right} or more {odds_words(chance(right, trials))}", "other": other}


def listed(records: Sequence[dict[str, Any]]) -> list[str]:
    """All tests of a pair in words, oldest first; with several, what that means for the best of them."""
    out = []
    for r in records:
        result = f"stopped after {r['answered']}, no figure"
        if r["right"] is not None:
            result = f"{r['right']} right, by guessing {odds_words(chance(r['right'], r['trials']))}"
        out.append(f"{QUESTIONS.get(r['question'], r['question'])} {r['trials']} trials: {result}")
    whole = [r for r in records if r["right"] is not None]
    if len(whole) > 1:
        right, trials = sum(r["right"] for r in whole), sum(r["trials"] for r in whole)
        out.append(f"All {len(whole)} finished tests together: {right} of {trials}, by guessing "
                   f"{odds_words(chance(right, trials))}")
    return out
