"""What a drum is sought for: wishes, musts and what is on offer, from a flat list of keys; every refusal is a sentence.

A wish becomes a ``Criterion``: a figure, the range it should lie in (or 'as much' / 'as little as can be'), and the step
that is surely heard. Up to three jobs share one drum: keys with the prefix ``second.`` and ``third.``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log
from typing import Any, Literal

from .. import units
from ..errors import InputError
from ..records import Floor
from .job_values import boot_of, choice, ends, flag, level, listed, note_ends, number, size_of_room

Aim = Literal["range", "most", "least"]
PARTS = ("first", "second", "third")
SIZES = {
    "bass": ((18.0, 20.0, 22.0, 24.0, 26.0), (12.0, 14.0, 16.0, 18.0)),
    "tom": ((10.0, 12.0, 13.0, 14.0, 16.0, 18.0), (8.0, 10.0, 12.0, 14.0, 16.0)),
}
FILMS = {"bass": ((10.0, 14.0), (7.5, 10.0)), "tom": ((10.0, 14.0), (7.5, 10.0))}  # mil: batter, resonant; common practice
USUAL_OPENING = 5.0  # in, off centre: keeps much of the ring; common practice
ASPECT = {"bass": (0.4, 0.95), "tom": (0.5, 1.05)}  # depth over diameter of drums that are made, common practice
KEYS = {
    "use": "'bass' or 'tom'", "note": "a note, Hz, or a range such as 40-55Hz", "tail_s": "seconds, or a range",
    "response_ms": "milliseconds, or a range", "quick": "true or false", "front": "loud, quiet, or dB",
    "seat": "loud, quiet, or dB", "round": "true, or at most so many dB", "unamplified": "true or false",
    "microphones": "none, front or inside", "room": "free, floor, outdoors, or LxWxH in metres",
    "opening": "true, false, or inches", "diameters_in": "a list of inches", "depths_in": "a list of inches",
    "films_mil": "a list of mil", "resonant_films_mil": "a list of mil", "largest_in": "inches that fit",
    "boot_in": "L x W x H in inches", "boot_cm": "L x W x H in centimetres", "car": "small, estate or van",
    "weight_kg": "kilograms", "muffling": "true or false", "resistance": "N s/m3, when your heads' loss is known",
}
WISHES = ("note", "tail_s", "response_ms", "quick", "front", "seat", "round", "unamplified", "microphones", "room")
STEPS = {"note": log(2.0) / 48.0, "tail": log(1.25), "response": 0.05, "front": 2.0, "seat": 2.0, "roundness": 1.5}
STEP_WORDS = {"note": "25 cents", "tail": "a quarter", "response": "5 %", "front": "2 dB", "seat": "2 dB",
              "roundness": "1.5 dB", "film": "a tenth of tension", "practice": "a semitone"}
LOGARITHMIC = ("note", "tail", "response")


@dataclass(frozen=True)
class Criterion:
    """One wish: ``low`` to ``high`` in Hz, s, s (response) or dB; extremes have no ends."""

    part: int
    what: str
    aim: Aim
    words: str
    low: float = 0.0
    high: float = 0.0

    @property
    def key(self) -> str:
        """``first.note`` and so on: the column of the cost."""
        return f"{PARTS[self.part]}.{self.what}"

    @property
    def ends(self) -> tuple[float, float]:
        """The range on the scale on which it is measured: logarithms of Hz and s, dB as they are."""
        return (log(self.low), log(self.high)) if self.what in LOGARITHMIC else (self.low, self.high)


@dataclass(frozen=True)
class Part:
    """One of the jobs that a drum has: its wishes and where it is heard."""

    name: str
    criteria: tuple[Criterion, ...]
    floor: Floor | None = None
    room: tuple[float, float, float] | None = None  # m
    words: tuple[str, ...] = ()

    def wish(self, what: str) -> Criterion | None:
        """The wish about one figure, if there is one."""
        return next((c for c in self.criteria if c.what == what), None)


@dataclass(frozen=True)
class Job:
    """Everything that was asked. Sizes in inches, films in mil, openings in inches (0 = closed), lengths of a boot in m."""

    use: str
    parts: tuple[Part, ...]
    sizes: tuple[tuple[float, float], ...]
    films: tuple[float, ...]
    resonant_films: tuple[float, ...]
    openings: tuple[float, ...]
    muffled: bool = True
    boot: tuple[float, float, float] | None = None
    weight_kg: float | None = None
    resistance: float | None = None
    limits: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    given: Mapping[str, Any] = field(default_factory=dict, compare=False)

    @property
    def criteria(self) -> tuple[Criterion, ...]:
        """All wishes of all parts."""
        return tuple(c for part in self.parts for c in part.criteria)


def parse_job(given: Mapping[str, Any]) -> Job:
    """A job from its keys; values may be text, numbers, lists or true/false.

    Raises
    ------
    InputError
        An unknown key, a value that cannot be, or sizes that leave nothing to choose from.
    """
    first, others = _split(given)
    use = choice("use", first.get("use", "bass"), ("bass", "tom"))
    parts = [_part(0, first, use)]
    parts += [_part(i, other, use) for i, other in enumerate(others, 1)]
    if empty := [p.name for p in parts if not p.criteria]:
        raise InputError(f"nothing is wished of the {empty[0]} job: give note, tail_s, response_ms, front, seat or round.")
    openings = _openings(first, others, use)
    boot, car_words = boot_of(first)
    limits = list(car_words)
    weight = number("weight_kg", first["weight_kg"], 1.0, 100.0) if "weight_kg" in first else None
    if weight is not None:
        limits.append(f"at most {weight:g} kg")
    films = tuple(listed("films_mil", first.get("films_mil", FILMS[use][0]), 2.0, 25.0))
    resonant = tuple(listed("resonant_films_mil", first.get("resonant_films_mil", FILMS[use][1]), 2.0, 25.0))
    if "largest_in" in first:
        limits.append(f"at most {number('largest_in', first['largest_in'], 4.0, 60.0):g} in of diameter")
    assumed = [] if any(p.wish("note") for p in parts) else ["no note was asked: what is customary for each size"]
    return Job(use, tuple(parts), _sizes(first, use), films, resonant, openings,
               flag("muffling", first.get("muffling", True)), boot, weight,
               number("resistance", first["resistance"], 0.05, 200.0) if "resistance" in first else None,
               tuple(limits), tuple(assumed), dict(given))


def _split(given: Mapping[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Keys of the first job, and those of the further ones, which start from nothing."""
    first: dict[str, Any] = {}
    further: dict[str, dict[str, Any]] = {}
    for key, value in given.items():
        prefix, dot, rest = key.partition(".")
        name = rest if dot else key
        if (dot and prefix not in PARTS) or name not in KEYS:
            known = ", ".join(f"{k} ({v})" for k, v in KEYS.items())
            raise InputError(f"'{key}' is not part of a job: use {known}.")
        if dot and prefix != "first":
            if name not in WISHES:
                raise InputError(f"'{key}' belongs to the drum, not to one of its jobs: write {name} without a prefix.")
            further.setdefault(prefix, {})[name] = value
        else:
            first[name] = value
    if "third" in further and "second" not in further:
        raise InputError("there is a third job but no second: name the second job's wishes first.")
    return first, [further[name] for name in PARTS[1:] if name in further]


def _part(index: int, given: Mapping[str, Any], use: str) -> Part:
    found: list[Criterion] = []

    def add(what: str, aim: Aim, words: str, low: float = 0.0, high: float = 0.0) -> None:
        found.append(Criterion(index, what, aim, words, low, high))

    if "note" in given:
        low, high = note_ends(given["note"])
        add("note", "range", f"note {low:.1f} Hz ({units.note_name(low)})" if low == high
            else f"note {low:.0f} to {high:.0f} Hz", low, high)
    if "tail_s" in given:
        low, high = ends("tail_s", given["tail_s"], 0.02, 60.0)
        add("tail", "range", f"tail {_span(low, high)} s", low, high)
    if "response_ms" in given:
        low, high = ends("response_ms", given["response_ms"], 0.5, 100.0)
        add("response", "range", f"the batter's wave back in {_span(low, high)} ms", 1e-3 * low, 1e-3 * high)
    elif flag("quick", given.get("quick", False)):
        add("response", "least", "the batter answers as quickly as can be")
    microphones = choice("microphones", given["microphones"], ("none", "front", "inside")) if "microphones" in given else ""
    alone = flag("unamplified", given.get("unamplified", False)) or microphones == "none"
    for place in ("front", "seat"):
        wished = given.get(place, "loud" if place == "front" and alone else None)
        if wished is None:
            continue
        aim, low, high = level(place, wished)
        how = {"most": "as loud as can be", "least": "as quiet as can be"}.get(aim, f"{_span(low, high)} dB")
        add(place, aim, f"{place} {how}", low, high)
    if (wished := given.get("round", False)) not in (False, "false", "no"):
        if isinstance(wished, bool) or wished in ("true", "yes"):
            add("roundness", "least", "as alike all round as can be")
        else:
            limit = number("round", wished, 0.5, 40.0)
            add("roundness", "range", f"levels alike within {limit:g} dB rms", 0.0, limit)
    floor, room, words = _where(given.get("room"), use)
    return Part(PARTS[index], tuple(found), floor, room, (*words, *([f"microphones: {microphones}"] if microphones else [])))


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _where(room: Any, use: str) -> tuple[Floor | None, tuple[float, float, float] | None, tuple[str, ...]]:
    """Floor, sides of the room [m] and words. A bass drum lies 3 cm above a hard floor; a tom hangs clear of it."""
    if room is None or room == "free":
        return None, None, ()
    floor = Floor(0.03, 0.9) if use == "bass" else None
    clear = () if floor else ("a tom hangs clear of the floor: its reflection is left out",)
    if room in ("floor", "outdoors"):
        place = "outdoors on hard ground" if room == "outdoors" else "on a hard floor"
        return floor, None, (place, *clear)
    sides = size_of_room(room)
    return floor, sides, (f"a room of {sides[0]:g} x {sides[1]:g} x {sides[2]:g} m, of which the floor is heard", *clear)


def _openings(first: Mapping[str, Any], others: list[dict[str, Any]], use: str) -> tuple[float, ...]:
    inside = any(given.get("microphones") == "inside" for given in (first, *others))
    wished = first.get("opening")
    if wished is None:
        return (USUAL_OPENING,) if inside else (0.0, USUAL_OPENING) if use == "bass" else (0.0,)
    if isinstance(wished, bool) or wished in ("true", "false", "yes", "no"):
        if flag("opening", wished):
            return (4.0, USUAL_OPENING, 7.0)
        sizes: tuple[float, ...] = (0.0,)
    else:
        sizes = tuple(listed("opening", wished, 0.0, 12.0))
    if inside and max(sizes) < 4.0:
        raise InputError("a microphone inside needs an opening of 4 in or more: leave opening out or give opening=5.")
    return tuple(s for s in sizes if s >= 4.0) if inside else sizes


def _sizes(first: Mapping[str, Any], use: str) -> tuple[tuple[float, float], ...]:
    diameters = listed("diameters_in", first.get("diameters_in", SIZES[use][0]), 4.0, 60.0)
    depths = listed("depths_in", first.get("depths_in", SIZES[use][1]), 2.0, 60.0)
    largest = number("largest_in", first.get("largest_in", 60.0), 4.0, 60.0)
    offered = "diameters_in" in first and "depths_in" in first
    low, high = (0.05, 4.0) if offered else ASPECT[use]
    found = tuple((d, h) for d in diameters for h in depths if d <= largest and low <= h / d <= high)
    if not found:
        raise InputError("no size is left: widen diameters_in, depths_in or largest_in.")
    return found
