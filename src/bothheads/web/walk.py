"""A walk-round in the making: places, the strikes heard at each, what they say so far. Nothing is stored until it is kept."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from .. import session
from ..errors import BothheadsError, InputError
from ..papers.planview import where_words
from ..records import Drum, Microphone, Reading
from .bench import MOST_STRIKES, Strike

FAR_M = 5.0  # a place lies within this of the batter's centre
ROOM_M = 0.6  # drawn free round the drum, for places to come


@dataclass
class Walk:
    """The unkept walk-round of one drum. Lives in memory only; a reload of the page finds it again."""

    drum: Drum
    places: dict[str, Microphone] = field(default_factory=dict)
    strikes: dict[str, list[Strike]] = field(default_factory=dict)
    now: str = ""

    def __post_init__(self) -> None:
        for m in self.drum.places:
            self.places.setdefault(m.name, m)
        self.now = self.now or next(iter(self.places))

    def go(self, name: str, x: float | None = None, y: float | None = None, z: float | None = None) -> None:
        """The microphone is moved: to a known place, or to a new one with its coordinates [m].

        Raises
        ------
        InputError
            A new place without coordinates, too far away, or inside the drum.
        """
        if None not in (x, y, z):
            at = Microphone(name, float(x or 0.0), float(y or 0.0), float(z or 0.0))
            if max(abs(at.x), abs(at.y), abs(at.z)) > FAR_M:
                raise InputError(f"a place lies within {FAR_M:.0f} m of the drum: give it in centimetres from the batter's centre.")
            if at.x**2 + at.y**2 < self.drum.radius**2 and 0.0 <= at.z <= self.drum.depth:
                raise InputError("this place lies inside the drum: a walk-round is outside of it.")
            self.places[name] = at
        elif name not in self.places:
            raise InputError(f"where is the {name}? Choose it on the plan, or give its centimetres.")
        self.now = name

    def add(self, wav: bytes, reading: Reading, number: int | None = None) -> Strike:
        """A strike heard where the microphone stands; with a number, the same strike read again."""
        one = replace(reading, channels=reading.channels[:1], partials=tuple(
            replace(p, level_db=p.level_db[:1], level_dbfs=p.level_dbfs[:1]) for p in reading.partials))
        for kept in self.strikes.values():
            for s in kept:
                if s.number == number:
                    s.wav, s.reading = wav, one
                    return s
        made = Strike(1 + max((s.number for kept in self.strikes.values() for s in kept), default=0), wav, one)
        here = self.strikes.setdefault(self.now, [])
        here.append(made)
        del here[:-MOST_STRIKES]
        return made

    def drop(self, number: int) -> None:
        """Forget a strike."""
        for name, kept in list(self.strikes.items()):
            self.strikes[name] = [s for s in kept if s.number != number]
            if not self.strikes[name]:
                del self.strikes[name]

    def heard(self) -> dict[str, list[Reading]]:
        """Readings by place, in the order in which the places were visited."""
        found = {name: [s.reading for s in kept if s.reading.partials] for name, kept in self.strikes.items()}
        return {name: readings for name, readings in found.items() if readings}

    def levels(self) -> Any:
        """Roundness and levels so far; None before the first strike."""
        try:
            return session.walked(self.heard()) if self.heard() else None
        except BothheadsError:
            return None

    def rows(self) -> list[dict[str, Any]]:
        """The places in words: where, how many strikes, whether the microphone is there now."""
        return [{"name": m.name, "where": where_words(m, self.drum.depth), "now": m.name == self.now,
                 "strikes": [{"number": s.number, "peak": _peak(s.reading)} for s in self.strikes.get(m.name, ())]}
                for m in self.places.values()]

    def shown(self) -> list[Microphone]:
        """Places for the plan: the visited ones in their order, then the others."""
        first = [self.places[n] for n in self.strikes if n in self.places]
        return first + [m for m in self.places.values() if m.name not in self.strikes]


def _peak(reading: Reading) -> str:
    peaks = [p for s in reading.strikes for p in s.peak_dbfs[:1] if p is not None]
    return f"{max(peaks):.0f} dB".replace("-", "−") if peaks else "heard"
