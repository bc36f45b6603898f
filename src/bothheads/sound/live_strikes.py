"""The strikes of a stream that are known so far, set against each new look at the sound."""

from __future__ import annotations

from dataclasses import dataclass, field

from .strikes import ONE_STRIKE_S, StrikeSpan

EARLY_S, SURE_S = 0.10, 0.34  # after a rise: when it is looked at first, and when the look decides
ONE_RISE_S = 0.045  # rises nearer than this are looked at together
_TOO_NEW_S = 0.06  # a strike nearer to the end of what is looked through is left to the next look
_LONG_AGO_S = 6.0  # what was struck then rings no longer


@dataclass
class Strike:
    """A strike heard. ``onset``: index of its first audible sample in the stream."""

    number: int
    onset: int
    span: StrikeSpan
    sure: bool = False
    asked: bool = False  # its first reading
    done: bool = False  # its last reading is asked for


@dataclass
class Known:
    """The strikes of the last seconds, in order of time; ``number`` counts those of the whole stream."""

    sample_rate_hz: int
    number: int = 0
    strikes: list[Strike] = field(default_factory=list)

    def following(self, i: int) -> Strike | None:
        """The strike after the ``i``-th."""
        return self.strikes[i + 1] if i + 1 < len(self.strikes) else None

    def forget(self, end: int) -> None:
        """Leave out what was struck so long before index ``end`` that it rings no longer."""
        self.strikes = [s for s in self.strikes if not s.done or s.onset > end - self._samples(_LONG_AGO_S)]

    def merge(self, found: list[tuple[int, StrikeSpan]], begin: int, end: int) -> tuple[list[Strike], list[Strike]]:
        """(new strikes, strikes that were none after all) by a look that ``found`` these between two indices."""
        newest, sure = end - self._samples(_TOO_NEW_S), end - self._samples(SURE_S - ONE_RISE_S - 0.02)
        near = self._samples(ONE_STRIKE_S)
        matched: list[Strike] = []
        new: list[Strike] = []
        for onset, span in found:
            known = min(self.strikes, key=lambda s: abs(s.onset - onset), default=None)
            if known is not None and abs(known.onset - onset) < near:
                matched.append(known)
                if not known.asked:
                    known.onset, known.span = onset, span
            elif onset <= newest:
                self.number += 1
                new.append(Strike(self.number, onset, span))
                matched.append(new[-1])
                self.strikes.append(new[-1])
        self.strikes.sort(key=lambda s: s.onset)
        doubted = [s for s in self.strikes if s.onset <= sure and not s.sure]
        gone = [s for s in doubted if begin <= s.onset and not any(s is m for m in matched)]
        for strike in doubted:
            strike.sure = True
        self.strikes = [s for s in self.strikes if not any(s is g for g in gone)]
        return new, gone

    def _samples(self, seconds: float) -> int:
        return round(seconds * self.sample_rate_hz)
