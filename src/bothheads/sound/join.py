"""Several readings of one state as one: partials that agree are joined by weight."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..records import Drum, Note, Partial, Reading
from .note import note_of_drum


def join(readings: Sequence[Reading], *, drum: Drum | None = None) -> Reading:
    """One reading of all strikes; partials within 3 sd or 6 cents of each other are one partial.

    Frequency and rate of decay are means weighted with 1/sd^2, the spread is the larger of the
    weighted one and the scatter over readings; levels are means in dB.
    """
    if len(readings) == 1:
        return readings[0]
    groups: list[list[Partial]] = []
    for partial in sorted((p for r in readings for p in r.partials), key=lambda p: p.frequency_hz):
        if groups and same_partial(groups[-1], partial):
            groups[-1].append(partial)
        else:
            groups.append([partial])
    partials = tuple(_merged(group) for group in groups)
    first = readings[0]
    note = _as_heard(note_of_drum(partials, drum=drum, channels=first.channels), readings, drum)
    explained = [r.explained_db for r in readings if r.explained_db is not None]
    return Reading(
        first.sample_rate_hz,
        first.channels,
        tuple(s for r in readings for s in r.strikes),
        partials,
        note,
        tuple(dict.fromkeys(w for r in readings for w in r.warnings)),
        sum(explained) / len(explained) if explained else None,
        first.remainder,
        all(r.settled for r in readings),
    )


def _as_heard(note: Note, readings: Sequence[Reading], drum: Drum | None) -> Note:
    """The note that the joined partials name, unless every sound refused one that its own partials would have named."""
    if note.frequency_hz is None or any(r.note.frequency_hz is not None for r in readings):
        return note
    for r in readings:
        if r.note.refused and note_of_drum(r.partials, drum=drum, channels=r.channels).frequency_hz is not None:
            return r.note
    return note


def same_partial(group: list[Partial], partial: Partial) -> bool:
    """True when ``partial``, higher than the group, lies within 3 sd or 6 cents of the group's mean."""
    mean = sum(p.frequency_hz for p in group) / len(group)
    sd = max([p.frequency_sd_hz or 0.0 for p in (*group, partial)])
    return partial.frequency_hz - mean < max(3.0 * math.sqrt(2.0) * sd, mean * 0.0035)


def _merged(group: list[Partial]) -> Partial:
    if len(group) == 1:
        return group[0]
    frequency, frequency_sd = _weighted([(p.frequency_hz, p.frequency_sd_hz) for p in group])
    rate, rate_sd = _weighted(
        [(1 / p.decay_s, None if p.decay_sd_s is None else p.decay_sd_s / p.decay_s**2) for p in group]
    )
    return Partial(
        frequency, frequency_sd, 1 / rate, None if rate_sd is None else rate_sd / rate**2,
        _mean_levels([p.level_db for p in group]), _mean_levels([p.level_dbfs for p in group]),
        sum(p.strikes for p in group), next((p.remark for p in group if p.remark), None),
    )


def _weighted(values: Sequence[tuple[float, float | None]]) -> tuple[float, float | None]:
    sds = [sd for _, sd in values if sd]
    if len(sds) < len(values):
        mean = sum(v for v, _ in values) / len(values)
        return mean, max(sds) if sds else None
    weights = [1 / (sd or 1.0) ** 2 for _, sd in values]
    total = sum(weights)
    mean = sum(w * v for w, (v, _) in zip(weights, values, strict=True)) / total
    scatter = sum(w * (v - mean) ** 2 for w, (v, _) in zip(weights, values, strict=True)) / (total * (len(values) - 1))
    return mean, math.sqrt(max(1 / total, scatter))


def _mean_levels(rows: Sequence[tuple[float | None, ...]]) -> tuple[float | None, ...]:
    out: list[float | None] = []
    for column in zip(*rows, strict=True):
        heard = [x for x in column if x is not None]
        out.append(sum(heard) / len(heard) if heard else None)
    return tuple(out)
