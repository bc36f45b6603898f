"""A walk round the drum: one microphone, one place after the other, kept as one state's takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import wire
from ..errors import InputError
from ..records import Drum, Fit, Microphone, Partial, Reading, State
from .drums import load_drum, turns_of
from .logbook import as_fitted, fit_or_none, take_input
from .reading import Progress, join_readings, read_recordings

if TYPE_CHECKING:
    from ..log.store import Log
    from ..sound.audio import Recording
    from ..sound.roundness import TakenRoundness

MOST_PLACES = 12


SAME_SHARE = 0.02  # partials of different places nearer than this are one: quick readings glide a little differently
OVER_PEAK_DB = 6.0  # a partial that would have begun louder than this over its strike's peak is no partial


def walked(by_place: Mapping[str, Sequence[Reading]]) -> TakenRoundness:
    """Roundness and levels of readings of one microphone moved from place to place; the strikes of a place are joined.

    Raises
    ------
    InputError
        A reading has more than one channel.
    """
    from ..roundness import roundness_db
    from ..sound.roundness import roundness_of

    found = roundness_of([replace(join_readings([_plausible(r) for r in readings]), channels=(place,))
                          for place, readings in by_place.items() if readings])
    rows: list[tuple[float, tuple[float | None, ...]]] = []
    for f, levels in found.rows:
        apart = bool(rows) and all(x is None or y is None for x, y in zip(rows[-1][1], levels, strict=True))
        if apart and f / rows[-1][0] - 1.0 < SAME_SHARE:
            rows[-1] = (rows[-1][0], tuple(y if x is None else x for x, y in zip(rows[-1][1], levels, strict=True)))
        else:
            rows.append((f, levels))
    return replace(found, rows=tuple(rows), roundness_db=roundness_db([levels for _, levels in rows]))


def _plausible(reading: Reading) -> Reading:
    peaks = [p for s in reading.strikes for p in s.peak_dbfs[:1] if p is not None]
    top = max(peaks, default=0.0) + OVER_PEAK_DB
    return replace(reading, partials=tuple(p for p in reading.partials if (p.level_dbfs[0] or -99.0) <= top))


def least_roundness(found: TakenRoundness) -> float | None:
    """The least roundness [dB] that a walk can have: a partial not found at a place is there as loud as the weakest found.

    Quick readings miss soft partials; counted as 45 dB down, as in a finished take, they would make any drum uneven.
    """
    from ..roundness import roundness_db

    heard = [[v for _, levels in found.rows if (v := levels[i]) is not None] for i in range(len(found.places))]
    faint = [min(column, default=None) for column in heard]
    return roundness_db([[faint[i] if v is None else v for i, v in enumerate(levels)] for _, levels in found.rows])


def strokes_apart_db(by_place: Mapping[str, Sequence[Reading]]) -> float | None:
    """The largest difference [dB] between strokes at one place: differences between places below it say nothing."""
    ranges = []
    for readings in by_place.values():
        peaks = [p for r in readings for s in r.strikes for p in s.peak_dbfs[:1] if p is not None]
        if len(peaks) > 1:
            ranges.append(max(peaks) - min(peaks))
    return max(ranges, default=None)


def walk_reading(by_place: Mapping[str, Sequence[Reading]], *, drum: Drum | None = None) -> Reading:
    """One reading with a channel for each place: pitch and decay from all strikes, levels place by place."""
    places = [p for p, readings in by_place.items() if readings]
    alike = [replace(r, channels=("walk",)) for p in places for r in by_place[p]]
    joined = join_readings(alike, drum=drum)
    rows = walked(by_place).rows
    heard = [[v for _, levels in rows if (v := levels[i]) is not None] for i in range(len(places))]
    tops = [max(column, default=0.0) for column in heard]
    partials = []
    for p in joined.partials:
        _, levels = min(rows, key=lambda row: abs(row[0] / p.frequency_hz - 1.0))
        partials.append(_at_places(p, levels, tops))
    apart = strokes_apart_db(by_place)
    said = "one microphone was moved: levels hold as far as the strokes were alike" + (
        "." if apart is None else f"; at one place they differed by up to {apart:.0f} dB.")
    strikes = tuple(replace(s, peak_dbfs=tuple(s.peak_dbfs[0] if q == p else None for q in places), delay_s=(), partials=())
                    for p in places for r in by_place[p] for s in r.strikes)
    return replace(joined, channels=tuple(places), partials=tuple(partials), strikes=strikes,
                   warnings=tuple(dict.fromkeys((*joined.warnings, said))))


def _at_places(p: Partial, levels: Sequence[float | None], tops: Sequence[float | None]) -> Partial:
    under = tuple(None if v is None or top is None else v - top for v, top in zip(levels, tops, strict=True))
    return replace(p, level_db=under, level_dbfs=tuple(levels))


def walk_files(ref: str | int, recordings: Sequence[tuple[Microphone, str | Path]], *, log: Log, **details: Any
               ) -> tuple[State, Reading, Fit | None]:
    """Recordings in files, each with where its microphone stood, as one new state; see ``take_walk``."""
    from ..sound.audio import read_audio

    return take_walk(ref, [(m, Path(path).name, read_audio(path)) for m, path in recordings], log=log, **details)


def take_walk(
    ref: str | int, recordings: Sequence[tuple[Microphone, str, Recording]], *, log: Log, turns: str = "", place: str = "",
    remark: str = "", progress: Progress | None = None,
) -> tuple[State, Reading, Fit | None]:
    """A walk-round as one new state: each recording (where, its name, sound) of the first channel is a take of its place.

    The places become microphones of the drum as in this state, so that the model speaks of them too.

    Raises
    ------
    InputError
        Fewer than two places or more than twelve, one name for two places, or no strike at one of them.
    """
    loaded = load_drum(str(ref), log=log)
    if loaded.entry is None:
        raise InputError(f"'{ref}' is a drum file: add it first with 'bothheads log add {ref}'.")
    stood = _places(recordings)
    known = {m.name: m for m in loaded.drum.places} | {m.name: m for m in stood}
    drum = replace(loaded.drum, microphones=tuple(known.values()))
    asked = turns_of(turns, drum) if turns else ()
    single = [(f"{m.name}: {name}", replace(rec, samples=rec.samples[:, :1])) for m, name, rec in recordings]
    readings = read_recordings(single, channels=("walk",), drum=drum, progress=progress)
    by_place: dict[str, list[Reading]] = {m.name: [] for m in stood}
    for (m, name, _), r in zip(recordings, readings, strict=True):
        if not r.strikes:
            raise InputError(f"no strike was found at the {m.name} ({name}): strike there again, then keep the walk.")
        by_place[m.name].append(r)
    reading = walk_reading(by_place, drum=drum)
    if progress:
        progress("finding both heads", None)
    heard = [replace(r, channels=(m.name,)) for (m, _, _), r in zip(recordings, readings, strict=True)]
    fit = fit_or_none(replace(loaded, drum=drum), heard, asked, log)
    state = log.add_state(
        loaded.entry.id, drum=as_fitted(drum, fit), turns=asked,
        takes=[take_input(name, rec, (m.name,)) for (m, name, _), (_, rec) in zip(recordings, single, strict=True)],
        reading=wire.reading(reading), fit=wire.fit(fit) if fit else None, place=place, remark=remark)
    return state, reading, fit


def _places(recordings: Sequence[tuple[Microphone, str, Recording]]) -> list[Microphone]:
    stood: dict[str, Microphone] = {}
    for m, _, _ in recordings:
        if stood.setdefault(m.name, m) != m:
            raise InputError(f"two places are called {m.name}: give each its own name.")
    if not 2 <= len(stood) <= MOST_PLACES:
        raise InputError(f"a walk-round has 2 to {MOST_PLACES} places: this one has {len(stood)}.")
    return list(stood.values())
