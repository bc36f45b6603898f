"""What a saying is, what counts as seen on one drum, and what is kept of the test."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from .drums import Specimen
    from .logged import Logged
    from .model import Model
    from .published import Figure

Verdict = Literal["holds", "holds when", "not found", "cannot tell"]
KIND = "common practice, no source"

# What an ear or a foot takes for a difference; below it an effect counts as 'not heard'.
PITCH_CENTS = 10.0
LEVEL_DB = 1.0
TAIL_PERCENT = 10.0
FEEL_PERCENT = 5.0
THRESHOLDS = (
    (f"{PITCH_CENTS:g} cents of pitch", "stricter than hearing: long steady low tones are told apart by 0.5 to 1 Hz (Wier, "
     "Jesteadt and Green 1977, from memory), 17 to 34 cents at 50 Hz; it is what two careful readings of one drum can show"),
    (f"{LEVEL_DB:g} dB of level or balance", "hearing: 0.5 to 1 dB at middle levels (Jesteadt, Wier and Green 1977, from memory)"),
    (f"{TAIL_PERCENT:g} % of the tail", "stricter than hearing: the decay of a struck or plucked tone may vary by -25 to +40 % "
     "before it is noticed (Tolonen and Jarvelainen, abstract); rooms 5 % (ISO 3382-1, as quoted)"),
    (f"{FEEL_PERCENT:g} % of contact time or rebound", "common practice, no source: no study of a drummer's foot was found"),
)


@dataclass(frozen=True)
class Claim:
    """What must be seen on a drum: an effect from ``low`` to ``high``; ``against`` where the reverse is seen.

    more(t): effect >= t, against <= -t; less(t) the other way round; alike(t): |effect| <= t; within: low to high.
    """

    form: Literal["more", "less", "alike", "within"]
    unit: str
    low: float
    high: float

    def side(self, effect: float) -> int:
        """+1 as said, -1 against, 0 too little to be heard."""
        if self.form in ("alike", "within"):
            return 1 if self.low <= effect <= self.high else -1
        sign = 1.0 if self.form == "more" else -1.0
        return 0 if abs(effect) < self.low else 1 if sign * effect > 0 else -1

    def words(self) -> str:
        """What counts as seen, in words."""
        if self.form == "alike":
            return f"a change of at most {self.high:g} {self.unit} either way"
        if self.form == "within":
            return f"{self.low:g} to {self.high:g} {self.unit}"
        return f"{'+' if self.form == 'more' else '−'}{self.low:g} {self.unit} or further that way"


def more(threshold: float, unit: str) -> Claim:
    """The effect must reach ``threshold``."""
    return Claim("more", unit, threshold, float("inf"))


def less(threshold: float, unit: str) -> Claim:
    """The effect must reach minus ``threshold``."""
    return Claim("less", unit, threshold, float("inf"))


def alike(threshold: float, unit: str) -> Claim:
    """The effect must stay within ``threshold`` either way."""
    return Claim("alike", unit, -threshold, threshold)


def within(low: float, high: float, unit: str) -> Claim:
    """The effect must lie from ``low`` to ``high``."""
    return Claim("within", unit, low, high)


@dataclass(frozen=True)
class Trial:
    """One comparison on one drum: its effect and what was varied beyond the drum (see ``rule.FEATURES``)."""

    effect: float
    varied: dict[str, float] = field(default_factory=dict)


Test = Callable[["Model", "Specimen"], Iterable[Trial]]


@dataclass(frozen=True)
class Saying:
    """One saying of the trade and how it is tested. ``test`` None: the model has no say, and ``untold`` says why."""

    id: str
    about: str
    statement: str
    how: str = ""
    claim: Claim | None = None
    test: Test | None = None
    untold: str = ""
    left_out: str = ""  # what bears on it and is not in the model
    uses: tuple[str, ...] = ("bass", "tom")
    published: Callable[[Model], Figure] | None = None
    logged: Logged | None = None


@dataclass(frozen=True)
class Judged:
    """What the model says: shares of the comparisons [0-1], the middle and the spread of the effect."""

    verdict: Verdict
    drums: int
    trials: int
    as_said: float
    against: float
    unheard: float
    median: float | None
    low: float | None  # 10 % of the comparisons lie below
    high: float | None  # 10 % lie above
    condition: str = ""  # with 'holds when'
    inside: float | None = None  # share as said where the condition is met, on the drums that did not choose it


@dataclass(frozen=True)
class Heard:
    """What logged drums say; ``count`` comparisons on ``drums`` drums, their sides as ``Claim.side``."""

    count: int = 0
    drums: int = 0
    median: float | None = None
    as_said: int = 0
    against: int = 0
    because: str = ""  # with count 0


@dataclass(frozen=True)
class Answer:
    """A saying with everything that was found, and the verdict."""

    saying: Saying
    model: Judged | None
    logged: Heard
    verdict: Verdict
    because: str
    published: Figure | None = None

    @property
    def verdict_words(self) -> str:
        """'holds', 'holds when ...', 'not found' or 'cannot tell'."""
        if self.verdict == "holds when" and self.model is not None:
            return f"holds when {self.model.condition}"
        return self.verdict


@dataclass(frozen=True)
class Report:
    """All sayings asked for, on which drums, with which seed."""

    answers: tuple[Answer, ...]
    seed: int
    basses: int
    toms: int
    log_drums: int | None = None  # None: no log was asked
    log_states: int = 0
