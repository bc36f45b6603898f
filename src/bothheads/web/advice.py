"""What to say while someone strikes: averages, which strike stands apart, strike again, softer, hold the other head."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from ..records import Reading
from ..units import cents

WANTED = 3
APART_CENTS = 15.0  # a strike further from the others than this, and three times their own scatter, stands apart
DRIFT_CENTS = 10.0
LOUD_DBFS = -0.3


@dataclass(frozen=True)
class Advice:
    """A word and a sentence; ``kind``: '' said, 'unsettled' not settled, 'refused' no answer."""

    word: str
    sentence: str
    kind: str = ""


def pitch_of(reading: Reading) -> float | None:
    """The note of one strike, else its lowest partial [Hz]: what is compared between strikes."""
    if reading.note.frequency_hz:
        return reading.note.frequency_hz
    return reading.partials[0].frequency_hz if reading.partials else None


def apart(readings: Sequence[Reading]) -> list[float | None]:
    """How far each strike stands from the median of the others [cents]; None when it agrees or cannot be told."""
    pitches = [pitch_of(r) for r in readings]
    out: list[float | None] = []
    for i, p in enumerate(pitches):
        others = [q for j, q in enumerate(pitches) if j != i and q]
        if p is None or len(others) < 2:
            out.append(None)
            continue
        middle = median(others)
        scatter = median(abs(cents(q, middle)) for q in others)
        off = cents(p, middle)
        out.append(off if abs(off) > max(APART_CENTS, 3.0 * 1.48 * scatter) else None)
    return out


def drift(readings: Sequence[Reading]) -> float:
    """Cents from the first to the last strike when every one lies on the same side of the one before, else 0."""
    pitches = [p for r in readings if (p := pitch_of(r))]
    steps = [cents(b, a) for a, b in pairwise(pitches)]
    if len(steps) < 2 or not (all(s < 0 for s in steps) or all(s > 0 for s in steps)):
        return 0.0
    return sum(steps)


def clipped(reading: Reading) -> bool:
    """Whether a strike reached full scale."""
    peaks = [p for s in reading.strikes for p in s.peak_dbfs]
    return any("clip" in w for w in reading.warnings) or any(p is not None and p > LOUD_DBFS for p in peaks)


def advice(readings: Sequence[Reading], averaged: Reading | None) -> list[Advice]:
    """What to say after these strikes (kept ones, in order) and their average; the most pressing first."""
    if not readings:
        return [Advice("Listening", "Strike the centre three times, both heads free, a breath between.")]
    out = []
    last = readings[-1]
    if clipped(last):
        out.append(Advice("Softer", "The last strike was louder than the input can hold. Strike softer, or turn the "
                                    "input down."))
    if not last.partials:
        out.append(Advice("Strike again", "No partial stands out of the last strike. Let it ring, hands off the heads.",
                          "unsettled"))
    moved = drift(readings)
    if abs(moved) > DRIFT_CENTS:
        way = "lower" if moved < 0 else "higher"
        out.append(Advice("Not settled", f"The {len(readings)} strikes differ by {abs(moved):.0f} cents and each is {way} "
                          "than the one before. Wait a minute, then strike again.", "unsettled"))
    if averaged is not None and averaged.note.refused and averaged.partials:
        out.append(Advice("Hold the other head", f"{_sentence(averaged.note.refused)} The other rungs stand. Lay a hand "
                          "flat on the resonant head and strike once.", "refused"))
    elif averaged is not None and not averaged.settled:
        out.append(Advice("Strike again", "The answer still moves with the part of the sound that is read.", "unsettled"))
    if len(readings) < WANTED and not out:
        out.append(Advice("Strike again", f"Heard {len(readings)} of {WANTED}. A breath between."))
    return out or [Advice("Enough", f"{len(readings)} strikes agree. Keep them, or go on striking.")]


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
