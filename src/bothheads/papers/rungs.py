"""What hangs on the ladder: rungs from a reading, a forecast or both, and which rung becomes which.

A rung is one partial as heard at one place. Whose it is comes from the model: ``share_batter`` is the part of
its pitch that the batter's tension owns, d ln f / d ln T_b over the sum for both heads.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log2

from .. import wire
from ..records import ModelPartial, Prediction, Reading, State

FLOOR_DB = 42.0  # softer partials are left out: their rungs would be thinner than a line
MOST = 12
SAME = 2e-4  # relative distance at which a forecast partial is the measured one it was carried from
NEAR = 0.02  # and at which a heard partial that was carried from nowhere is still taken for the nearest free one
GAP_COST = 700.0  # cents; a partial without partner costs as much as this shift


@dataclass(frozen=True)
class Rung:
    """One partial on the ladder. ``level_db`` is under the strongest shown; None for share = not known."""

    key: str
    frequency_hz: float
    frequency_sd_hz: float | None
    t60_s: float
    t60_sd_s: float | None
    level_db: float
    share_batter: float | None = None
    m: int | None = None
    is_note: bool = False
    heard: bool = True  # False: from the model only

    @property
    def side(self) -> str:
        """'b', 'r' or 's': which rail it hangs on, or shared."""
        if self.share_batter is None:
            return "s"
        return "b" if self.share_batter > 0.7 else "r" if self.share_batter < 0.3 else "s"


def reading_of(state: State | None) -> Reading | None:
    """The reading kept in a state; None when nothing was read."""
    return wire.reading_from(state.reading) if state is not None and state.reading else None


def place_of(prediction: Prediction, wanted: str | None) -> str:
    """The place whose levels are drawn: the one wanted, else seat, else the first there is."""
    places = list(prediction.partials[0].level_db) if prediction.partials else []
    if wanted in places:
        return str(wanted)
    return "seat" if "seat" in places or not places else places[0]


def keys_of(partials: Sequence[ModelPartial]) -> list[str]:
    """A name for each partial: nodal diameters and rank among its kind, lowest first."""
    count: dict[int | None, int] = {}
    out = []
    for p in partials:
        rank = count.get(p.m, 0)
        count[p.m] = rank + 1
        out.append(f"{'x' if p.m is None else p.m}-{rank}")
    return out


def strongest(rungs: Sequence[Rung], most: int = MOST) -> list[Rung]:
    """The rungs worth drawing, lowest first: the note and the loudest within 42 dB; levels re the strongest."""
    if not rungs:
        return []
    top = max(r.level_db for r in rungs)
    near = [replace(r, level_db=r.level_db - top) for r in rungs]
    loud = sorted((r for r in near if r.level_db > -FLOOR_DB or r.is_note),
                  key=lambda r: (not r.is_note, -r.level_db))
    return sorted(loud[:most], key=lambda r: r.frequency_hz)


def rungs_of_prediction(prediction: Prediction, *, place: str | None = None, most: int = MOST) -> list[Rung]:
    """Rungs as the model says they would be heard at a place."""
    where = place_of(prediction, place)
    note = prediction.note.frequency_hz
    rungs = []
    for key, p in zip(keys_of(prediction.partials), prediction.partials, strict=True):
        level = p.level_db.get(where)
        if level is None:
            continue
        sd = None if p.decay_sd_s is None else p.decay_sd_s * p.t60_s / p.decay_s
        rungs.append(Rung(key, p.frequency_hz, p.frequency_sd_hz, p.t60_s, sd, level, p.share_batter, p.m,
                          note is not None and abs(p.frequency_hz / note - 1.0) < SAME, heard=False))
    return strongest(rungs, most)


def rungs_of_reading(
    reading: Reading, *, prediction: Prediction | None = None, place: str | None = None, most: int = MOST
) -> list[Rung]:
    """Rungs as they were heard; ``prediction`` of the same state says whose they are."""
    channel = reading.channels.index(place) if place in reading.channels else 0
    mode_of = modes_of([p.frequency_hz for p in reading.partials], prediction.partials if prediction else ())
    keys = keys_of(prediction.partials) if prediction else []
    note = reading.note.frequency_hz
    rungs = []
    for i, p in enumerate(reading.partials):
        level = p.level_db[channel] if channel < len(p.level_db) else None
        if level is None:
            continue
        mine = (keys[mode_of[i]], prediction.partials[mode_of[i]]) if prediction and i in mode_of else None
        sd = None if p.decay_sd_s is None else p.decay_sd_s * p.t60_s / p.decay_s
        rungs.append(Rung(
            mine[0] if mine else f"h-{i}", p.frequency_hz, p.frequency_sd_hz, p.t60_s, sd, level,
            mine[1].share_batter if mine else None, mine[1].m if mine else None,
            note is not None and abs(p.frequency_hz / note - 1.0) < SAME,
        ))
    return strongest(rungs, most)


def modes_of(heard_hz: Sequence[float], modes: Sequence[ModelPartial]) -> dict[int, int]:
    """Which mode each heard partial is: index heard -> index of the mode, the nearest pairs first, one to one.

    Closer than ``SAME`` a mode was carried from that partial; within ``NEAR`` a loud mode that nobody claims is its owner.
    """
    top = max((_loudest(q) for q in modes), default=0.0)
    pairs = sorted((abs(q.frequency_hz / f - 1.0), i, j) for i, f in enumerate(heard_hz) for j, q in enumerate(modes)
                   if abs(q.frequency_hz / f - 1.0) < (NEAR if _loudest(q) > top - FLOOR_DB else SAME))
    found: dict[int, int] = {}
    for _, i, j in pairs:
        if i not in found and j not in found.values():
            found[i] = j
    return found


def _loudest(mode: ModelPartial) -> float:
    return max(mode.level_db.values(), default=-200.0)


def partners(before: Sequence[ModelPartial], after: Sequence[ModelPartial]) -> dict[str, int]:
    """Which partial becomes which: key before -> index after.

    Within one m the modes keep their sequence while tensions change, so each family is aligned in order with
    the smallest sum of shifts in cents; a partial that left the list costs ``GAP_COST``.
    """
    keys = keys_of(before)
    found: dict[str, int] = {}
    for m in dict.fromkeys(p.m for p in before):
        left = [i for i, p in enumerate(before) if p.m == m]
        right = [i for i, p in enumerate(after) if p.m == m]
        for i, j in _aligned([before[i].frequency_hz for i in left], [after[j].frequency_hz for j in right]):
            found[keys[left[i]]] = right[j]
    return found


def _aligned(a: Sequence[float], b: Sequence[float]) -> list[tuple[int, int]]:
    """Pairs (i, j) of two rising lists of frequencies with the smallest total cost, order kept."""
    cost = [[GAP_COST * (i + j) for j in range(len(b) + 1)] for i in range(len(a) + 1)]
    for i in range(1, len(a) + 1):
        for j in range(1, len(b) + 1):
            pair = cost[i - 1][j - 1] + abs(1200.0 * log2(a[i - 1] / b[j - 1]))
            cost[i][j] = min(pair, cost[i - 1][j] + GAP_COST, cost[i][j - 1] + GAP_COST)
    pairs, i, j = [], len(a), len(b)
    while i and j:
        if cost[i][j] == cost[i - 1][j] + GAP_COST:
            i -= 1
        elif cost[i][j] == cost[i][j - 1] + GAP_COST:
            j -= 1
        else:
            i, j = i - 1, j - 1
            pairs.append((i, j))
    return pairs[::-1]


def rungs_after(
    now: Sequence[Rung], before: Prediction, after: Prediction, *, place: str | None = None
) -> list[Rung]:
    """The same rungs after a change: pitch and tail of the forecast, level as heard plus the model's change.

    Rungs that no mode explains cannot be forecast and are left out.
    """
    where = place_of(before, place)
    becomes = partners(before.partials, after.partials)
    was = dict(zip(keys_of(before.partials), before.partials, strict=True))
    # beside a nodal line the model's level is nothing and its change means nothing
    floor = max((q.level_db.get(where, -200.0) for q in before.partials), default=0.0) - 60.0
    out = []
    for rung in now:
        if rung.key not in becomes or rung.key not in was:
            continue
        p = after.partials[becomes[rung.key]]
        rise = max(p.level_db.get(where, floor), floor) - max(was[rung.key].level_db.get(where, floor), floor)
        sd = None if p.decay_sd_s is None else p.decay_sd_s * p.t60_s / p.decay_s
        moved = p.frequency_hz / was[rung.key].frequency_hz
        out.append(replace(rung, frequency_hz=rung.frequency_hz * moved, frequency_sd_hz=p.frequency_sd_hz, t60_s=p.t60_s,
                           t60_sd_s=sd, level_db=rung.level_db + rise, share_batter=p.share_batter, heard=False))
    return out


def as_key_of(old: Sequence[Rung], old_model: Prediction | None, new_model: Prediction | None) -> list[Rung]:
    """Rungs of an older state under the keys that the same modes have in the newer one."""
    if old_model is None or new_model is None:
        return []
    names = keys_of(new_model.partials)
    becomes = {k: names[i] for k, i in partners(old_model.partials, new_model.partials).items()}
    return [replace(r, key=becomes[r.key]) for r in old if r.key in becomes]
