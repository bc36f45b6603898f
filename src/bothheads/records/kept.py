"""What is kept: takes, states, drums in the log."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from .drum import Drum
from .hands import Turn


@dataclass(frozen=True)
class Take:
    """One recording that belongs to a state; ``sha256`` names its FLAC file."""

    id: int
    sha256: str
    channels: tuple[str, ...]
    sample_rate_hz: int
    frames: int
    recorded_at: str  # ISO 8601, UTC
    source_name: str = ""


@dataclass(frozen=True)
class State:
    """Everything that was set on a drum at one time, with what was read and fitted."""

    drum_id: int
    number: int  # counts from 1 on each drum
    made_at: str  # ISO 8601, UTC
    drum: Drum  # the drum as described in this state, tensions as fitted where known
    turns: tuple[Turn, ...] = ()  # since the state before
    reading: dict[str, Any] | None = None  # contract JSON of the reading
    fit: dict[str, Any] | None = None  # contract JSON of the fit
    takes: tuple[Take, ...] = ()
    place: str = ""
    remark: str = ""
    who: str = ""
    beater: str = ""
    settings: dict[str, str] = field(default_factory=dict)  # further --set KEY=VALUE, room, humidity, ...


@dataclass(frozen=True)
class DrumEntry:
    """A drum in the log."""

    id: int
    name: str
    drum: Drum  # as described when it was added or last corrected
    toml: str
    added_at: str
    states: int = 0
