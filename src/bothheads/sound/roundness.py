"""Roundness from takes, in the same words as from the model: level differences between places, partial by partial."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import InputError
from ..records import Partial, Reading
from ..roundness import roundness_db
from .join import same_partial

Row = tuple[float, tuple[float | None, ...]]  # frequency [Hz], level [dBFS] at each place


@dataclass(frozen=True)
class TakenRoundness:
    """Roundness of a take [dB] and what it was made of; None where fewer than two places were heard."""

    roundness_db: float | None
    places: tuple[str, ...]
    rows: tuple[Row, ...]  # sorted by frequency; a level None = not found there, counted as 45 dB down


def roundness_of(readings: Reading | Sequence[Reading]) -> TakenRoundness:
    """Roundness of one reading with several channels, or of several readings with one place each.

    Levels are ``level_dbfs`` (peak amplitude 6 ms after the onset): all channels must have been taken at one gain. Of
    separate readings that holds only as far as the strokes were equal, which no recording can tell; partials within
    3 standard deviations or 6 cents of each other are one partial.

    Raises
    ------
    InputError
        Several readings of which one has more than one channel, or that share a place's name.
    """
    if isinstance(readings, Reading):
        rows = [(p.frequency_hz, p.level_dbfs) for p in readings.partials if len(p.level_dbfs) == len(readings.channels)]
        return _answer(readings.channels, rows)
    if any(len(r.channels) != 1 for r in readings):
        raise InputError("roundness takes either one recording of all places or recordings of one place each.")
    places = tuple(r.channels[0] for r in readings)
    if len(set(places)) != len(places):
        raise InputError("two recordings name the same place: name them apart with --channels.")
    groups: list[list[tuple[int, Partial]]] = []
    every = sorted(((i, p) for i, r in enumerate(readings) for p in r.partials), key=lambda x: x[1].frequency_hz)
    for place, partial in every:
        last = groups[-1] if groups else []
        free = all(i != place for i, _ in last)
        if last and free and same_partial([p for _, p in last], partial):
            last.append((place, partial))
        else:
            groups.append([(place, partial)])
    return _answer(places, [_row(group, len(places)) for group in groups])


def _row(group: list[tuple[int, Partial]], places: int) -> Row:
    found = {place: partial.level_dbfs[0] for place, partial in group}
    mean = sum(p.frequency_hz for _, p in group) / len(group)
    return mean, tuple(found.get(i) for i in range(places))


def _answer(places: tuple[str, ...], rows: list[Row]) -> TakenRoundness:
    return TakenRoundness(roundness_db([levels for _, levels in rows]), places, tuple(rows))
