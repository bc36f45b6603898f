"""A whole kit: notes or intervals as wished, every drum inside its good range, the least turning, low drum first.

Ranges are common practice without a source (whole-drum note, centre strike, two plain heads) and give way to
the ends that a user has measured on the drum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, exp, log, pi

import numpy as np
from numpy.typing import NDArray

from .. import units
from ..constants import TENSION_PER_TURN
from ..errors import CannotAnswer, InputError
from ..infer import ladder
from ..records import Drum
from .wish import SEMITONE

Array = NDArray[np.float64]

# inches: (low, high) Hz; low = just above where creases go, high = before it sounds choked
_BASS = {16: (55, 100), 18: (50, 90), 20: (45, 78), 22: (40, 68), 24: (36, 60), 26: (33, 55), 28: (30, 50)}
_TOM = {8: (170, 300), 10: (125, 220), 12: (100, 180), 13: (88, 155), 14: (75, 140), 15: (68, 125), 16: (58, 110),
        18: (50, 95)}
INTERVALS = {"minor-thirds": 3, "thirds": 4, "fourths": 5, "fifths": 7}
SYMPATHY_CENTS = 35.0  # two strong partials nearer than this set each other off
STEP_CENTS = 10.0  # of the search for the lowest note
HEARD_DB = 15.0  # a partial this far below a drum's loudest does not set another drum off


@dataclass(frozen=True)
class KitDrum:
    """One drum of the kit; ``note_hz`` is its note now, ``ends_hz`` the ends its owner has measured."""

    drum: Drum
    note_hz: float
    kind: str | None = None  # 'bass' or 'tom'; None: bass from 18 in on when it is the largest
    ends_hz: tuple[float, float] | None = None


@dataclass(frozen=True)
class KitRow:
    """What to do with one drum."""

    name: str
    now_hz: float
    target_hz: float
    cents: float  # target above now
    target_name: str
    range_hz: tuple[float, float]
    range_source: str
    turns_about: float | None  # mean turns of both heads, by common practice; None without tensions
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class KitPlan:
    """Rows from the lowest drum up, the interval that was used, and what could not be had."""

    rows: tuple[KitRow, ...]
    interval_semitones: float | None
    words: str
    cannot: tuple[str, ...]
    cautions: tuple[str, ...]


def good_range(diameter: float, kind: str) -> tuple[float, float]:
    """Usable notes [Hz] of a drum of ``diameter`` [m], common practice; between sizes in proportion (f ~ 1/D)."""
    table = _BASS if kind == "bass" else _TOM
    inches = units.inches_from_metres(diameter)
    sizes = np.log(sorted(table))
    ends = np.log([table[s] for s in sorted(table)])
    at = float(np.clip(log(inches), sizes[0], sizes[-1]))
    beyond = at - log(inches)  # outside the table: f ~ 1 / D
    return (float(np.exp(np.interp(at, sizes, ends[:, 0]) + beyond)),
            float(np.exp(np.interp(at, sizes, ends[:, 1]) + beyond)))


def _kind(item: KitDrum, largest: bool) -> str:
    if item.kind in ("bass", "tom"):
        return item.kind
    return "bass" if largest and item.drum.diameter >= 0.45 else "tom"


def _semitones(interval: str | float | None) -> float | None:
    if interval is None or isinstance(interval, float | int):
        if interval is not None and not 0.5 <= float(interval) <= 24.0:
            raise InputError(f"an interval of {interval:g} semitones is outside 0.5 to 24: name {_names()} or semitones.")
        return None if interval is None else float(interval)
    if interval not in INTERVALS:
        raise InputError(f"'{interval}' is not a known interval: use {_names()} or a number of semitones.")
    return float(INTERVALS[interval])


def _names() -> str:
    return ", ".join(INTERVALS)


def _effort(item: KitDrum, target: float) -> float:
    """Turns that a new note takes, both heads alike: d ln T = 2 d ln f, so turns = 2 T d ln f / slope."""
    tension = ladder.known_tensions(item.drum)
    mean = 600.0 if tension is None else float(np.mean(tension[: 1 if item.drum.resonant is None else 2]))
    return 2.0 * mean * abs(log(target / item.note_hz)) / TENSION_PER_TURN


def _cost(items: Sequence[KitDrum], ranges: Sequence[tuple[float, float]], notes: Array) -> float:
    """Turning, plus a steep price for leaving a good range."""
    cost = 0.0
    for item, (low, high), note in zip(items, ranges, notes, strict=True):
        outside = max(log(low / note), log(note / high), 0.0) / SEMITONE
        cost += _effort(item, float(note)) + 20.0 * outside + 5.0 * (outside > 0)
    return cost


def _best(items: Sequence[KitDrum], ranges: Sequence[tuple[float, float]], semitones: float) -> tuple[float, Array]:
    """Least cost and notes [Hz] of one interval between neighbours, over all lowest notes."""
    low, high = 0.8 * ranges[0][0], 1.25 * ranges[0][1]
    starts = np.exp(np.linspace(log(low), log(high), ceil(1200 * log(high / low) / log(2) / STEP_CENTS)))
    steps = np.exp(SEMITONE * semitones * np.arange(len(items)))
    costs = [_cost(items, ranges, start * steps) for start in starts]
    i = int(np.argmin(costs))
    return costs[i], starts[i] * steps


def _wished(items: Sequence[KitDrum], notes: Mapping[str, float]) -> Array:
    missing = [i.drum.name for i in items if i.drum.name not in notes]
    unknown = sorted(set(notes) - {i.drum.name for i in items})
    if unknown:
        raise InputError(f"'{unknown[0]}' is not a drum of this kit: name {', '.join(i.drum.name for i in items)}.")
    return np.array([notes[i.drum.name] if i.drum.name not in missing else i.note_hz for i in items])


def plan_kit(
    drums: Sequence[KitDrum], *, interval: str | float | None = None, notes: Mapping[str, float] | None = None
) -> KitPlan:
    """Target notes of a kit.

    ``notes`` {drum name: Hz} are taken as wished (drums not named stay); else neighbours are ``interval`` apart
    (a name of ``INTERVALS`` or semitones), or, without one, the named interval that costs least turning.

    Raises
    ------
    InputError
        For fewer than two drums, two drums of one name, an unknown drum or interval.
    """
    if len(drums) < 2:
        raise InputError("a kit needs two drums or more: name each with its note.")
    if len({d.drum.name for d in drums}) < len(drums):
        raise InputError("two drums have the same name: give each its own.")
    if any(d.note_hz <= 0 for d in drums):
        raise CannotAnswer("a drum has no note yet: read each drum first.")
    items = sorted(drums, key=lambda d: (-d.drum.diameter, d.note_hz))
    kinds = [_kind(item, i == 0) for i, item in enumerate(items)]
    ranges = [item.ends_hz or good_range(item.drum.diameter, kind) for item, kind in zip(items, kinds, strict=True)]
    semitones = _semitones(interval)
    cannot: list[str] = []
    if notes is not None:
        targets, words = _wished(items, notes), "notes as wished"
        semitones = None
    elif semitones is not None:
        targets = _best(items, ranges, semitones)[1]
        words = f"{semitones:g} semitones between neighbours"
    else:
        found = {name: _best(items, ranges, s) for name, s in INTERVALS.items()}
        name = min(found, key=lambda n: found[n][0])
        semitones, targets = float(INTERVALS[name]), found[name][1]
        words = f"{name}: of the usual intervals the least turning within the good ranges"
    rows = []
    order = np.argsort(targets)
    for i in order:
        rows.append(_row(items[i], float(targets[i]), ranges[i]))
        cannot += rows[-1].warnings
    if notes is None and any(r.warnings for r in rows):
        easier = [n for n, s in INTERVALS.items() if not _outside(_best(items, ranges, s)[1], ranges)]
        cannot.append(f"this interval does not keep every drum in its range; {' and '.join(easier)} would" if easier else
                      "no usual interval keeps every drum in its range")
    cautions = [*_sympathy([items[i] for i in order], targets[order]), "Start with the lowest drum and go up.",
                "Read every drum again at the end: a snare's wires and hanging drums answer each other."]
    return KitPlan(tuple(rows), semitones, words, tuple(dict.fromkeys(cannot)), tuple(cautions))


def _outside(notes: Array, ranges: Sequence[tuple[float, float]]) -> bool:
    return any(not low * 0.999 <= n <= high * 1.001 for n, (low, high) in zip(notes, ranges, strict=True))


def _row(item: KitDrum, target: float, limits: tuple[float, float]) -> KitRow:
    warnings = []
    if target < limits[0] * 0.999:
        warnings.append(f"{item.drum.name} at {target:.0f} Hz lies below its range of {limits[0]:.0f}-{limits[1]:.0f} Hz: "
                        "creases")
    if target > limits[1] * 1.001:
        warnings.append(f"{item.drum.name} at {target:.0f} Hz lies above its range of {limits[0]:.0f}-{limits[1]:.0f} Hz: "
                        "it may choke")
    sign = 1.0 if target > item.note_hz else -1.0
    known = ladder.known_tensions(item.drum) is not None
    return KitRow(item.drum.name, item.note_hz, target, units.cents(target, item.note_hz), units.note_name(target),
                  limits, "measured by its owner" if item.ends_hz else "common practice, no source",
                  sign * _effort(item, target) if known else None, tuple(warnings))


def _strong(item: KitDrum, target: float) -> list[tuple[float, float]]:
    """(Hz, decay s) of the strong partials a drum would have at its target note; its note alone when unknown."""
    if ladder.known_tensions(item.drum) is None:
        return [(target, 0.3)]
    from ..physics.forecast import forecast

    tension = ladder.known_tensions(item.drum)
    assert tension is not None
    scale = exp(2.0 * log(target / item.note_hz))
    prediction = forecast(ladder.with_tensions(item.drum, tension[0] * scale, tension[1] * scale))
    loud = [(p, max(p.level_db.values(), default=-200.0)) for p in prediction.partials]
    top = max((level for _, level in loud), default=0.0)
    note = prediction.note.frequency_hz or target
    return [(p.frequency_hz * target / note, p.decay_s) for p, level in loud if level > top - HEARD_DB]


def _sympathy(items: Sequence[KitDrum], targets: Array) -> list[str]:
    """Warnings where one drum's strong partial lies on another drum's note."""
    out = []
    strong = [_strong(item, float(t)) for item, t in zip(items, targets, strict=True)]
    for i, a in enumerate(items):
        for j, b in enumerate(items):
            if i == j:
                continue
            for frequency, decay in strong[i]:
                width = max(SYMPATHY_CENTS, 1731.0 / (pi * decay * frequency))  # half-width of a ringing partial
                off = abs(units.cents(frequency, float(targets[j])))
                own = abs(frequency / targets[i] - 1.0) < 0.02
                if off < min(width, 100.0) and not (own and i > j):
                    what = "note" if own else f"partial at {frequency:.0f} Hz"
                    out.append(f"{a.drum.name}'s {what} lies on {b.drum.name}'s note ({off:.0f} cents): "
                               "they will set each other off; move one by a quarter tone or mute it.")
    return list(dict.fromkeys(out))
