"""What hands do and what comes of it: turns, plans, comparisons, causes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from .drum import HeadName


@dataclass(frozen=True)
class Turn:
    """Rods of one head turned since the state before [turns, plus = tighter]; rod None = all rods."""

    head: HeadName
    turns: float
    rod: int | None = None


@dataclass(frozen=True)
class RodTurn:
    """One rod's part of a step [eighths of a turn, plus = tighter; may be x.5]."""

    rod: int
    eighths: float


@dataclass(frozen=True)
class PlanStep:
    """One step for the hands, the order of rods and what to do after it."""

    head: HeadName
    rods: tuple[RodTurn, ...]
    order: tuple[int, ...]
    then: str  # 'read', 'tap', 'done'
    expected: dict[str, Any] = field(default_factory=dict)  # forecast after this step, contract keys
    muffling: str | None = None  # words, when the step is not a turn


@dataclass(frozen=True)
class Plan:
    """Turns that lead to a wish, with forecast and cautions."""

    steps: tuple[PlanStep, ...]
    expected: dict[str, Any]
    cautions: tuple[str, ...]
    refused: str | None = None
    cannot: tuple[str, ...] = ()  # parts of the wish that cannot be met, in words
    minutes: float | None = None


@dataclass(frozen=True)
class Difference:
    """b - a of one quantity."""

    what: str
    a: float | None
    b: float | None
    unit: str
    sd: float | None


@dataclass(frozen=True)
class Comparison:
    """Two recordings, level-matched and aligned. ``gain_db`` is what B gets; ``delay_ms`` > 0 = B is late."""

    gain_db: float
    delay_ms: float
    differences: tuple[Difference, ...]
    partials: tuple[dict[str, Any], ...]
    warnings: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cause:
    """One possible reason for a change between two states, with its odds."""

    what: str
    odds: float
    words: str
