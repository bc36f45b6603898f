"""Records to rows and back: JSON texts, times, names, and drums as they were written, bit for bit."""

from __future__ import annotations

import json
import math
import unicodedata
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from .. import wire
from ..drumfile import from_dict, to_dict
from ..errors import DrumFileError, LogError
from ..records import HEADS, Drum, HeadName, Turn

_FITTED = ("tension", "surface_density", "resistance", "stiffness_loss")  # of a head, set from a fit


def new_uuid() -> str:
    """A name that no other log gives to anything."""
    return str(uuid.uuid4())


def now() -> str:
    """The present moment, ISO 8601 in UTC, to the microsecond."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def moment(text: str) -> str:
    """``text`` (ISO 8601; without a zone: UTC) as ISO 8601 in UTC, so that texts sort as times.

    Raises
    ------
    LogError
        When the text is not a date or a time.
    """
    try:
        when = datetime.fromisoformat(text)
        when = when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
    except (ValueError, TypeError, OverflowError):
        raise LogError(f"'{text}' is not a time: write it as 2026-03-14T20:30:00+00:00.") from None
    return when.isoformat(timespec="microseconds" if when.microsecond else "seconds")


def plain(text: str) -> str:
    """Text that can be stored and printed: half characters from odd file names are replaced."""
    return str(text).encode("utf-8", "replace").decode("utf-8").replace("\x00", "\ufffd")


def name_key(name: str) -> str:
    """A drum's name for finding it: without case, spacing or form of accents."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def text_of(value: Any) -> str:
    """JSON text of a plain object, the same for equal objects; NaN and Infinity become null."""
    try:
        text = json.dumps(wire.clean(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"), sort_keys=True)
    except (TypeError, ValueError) as error:
        raise LogError(f"this cannot be kept as JSON ({error}): give texts, numbers, lists and tables only.") from None
    return plain(text)


def drum_text(drum: Drum) -> str:
    """A drum as JSON text of its drum file's tables, SI keys; ``drum_of(drum_text(d)) == d``."""
    values = [drum.diameter, drum.depth]
    if not all(math.isfinite(v) and v > 0 for v in values) or not drum.name.strip():
        raise LogError("this drum has no name or no size: give name, diameter and depth.")
    text = text_of(to_dict(drum))
    drum_of(text)  # what could not be read again is refused now
    return text


@lru_cache(maxsize=1024)
def drum_of(text: str) -> Drum:
    """The drum of a JSON text. What was kept always comes back, even when a drum file would be refused by now.

    Raises
    ------
    DrumFileError
        When the text is not the object that ``drum_text`` writes.
    """
    tables: dict[str, Any] = json.loads(text)
    try:
        return from_dict(tables)[0]
    except DrumFileError:
        return _beyond_limits(tables)


def _beyond_limits(tables: dict[str, Any]) -> Drum:
    """A drum whose heads leave a drum file's limits, as a fit can: everything else read as usual, the heads as they stand."""
    within = dict(tables)
    raw: dict[HeadName, dict[str, Any]] = {}
    for name in HEADS:
        if not tables[name].get("absent"):
            raw[name] = {key: tables[name].get(key) for key in _FITTED}
            within[name] = {k: v for k, v in tables[name].items() if k not in _FITTED} | {"surface_density": 0.35}
    drum = from_dict(within)[0]
    for name, values in raw.items():
        drum = drum.with_head(name, **values)
    return drum


def turns_rows(turns: tuple[Turn, ...]) -> list[tuple[int, str, int | None, float]]:
    """(position, head, rod, turns) of each turn, checked."""
    rows: list[tuple[int, str, int | None, float]] = []
    for position, turn in enumerate(turns):
        if turn.head not in HEADS or not math.isfinite(turn.turns) or (turn.rod is not None and turn.rod < 1):
            raise LogError("a turn names a head (batter or resonant), a number of turns and, if one, a rod from 1 on.")
        rows.append((position, turn.head, turn.rod, float(turn.turns)))
    return rows


def summary_of(reading: Mapping[str, Any] | None, drum: Drum) -> tuple[Any, ...]:
    """(note_hz, note_name, t60_s, batter tension, resonant tension) for quick listings, None where unknown."""
    note = (reading or {}).get("note")
    note = note if isinstance(note, Mapping) else {}
    resonant = drum.resonant.tension if drum.resonant else None
    name = note.get("name")
    return (_number(note.get("frequency_hz")), None if name is None else plain(str(name)), _number(note.get("t60_s")),
            drum.batter.tension, resonant)


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None
