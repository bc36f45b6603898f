"""Which drum is meant: a drum file, or a drum in the log with its last state."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from .. import drumfile, units
from ..errors import DrumFileError, InputError
from ..records import HEADS, Drum, DrumEntry, HeadName, State, Turn

if TYPE_CHECKING:
    from ..log.store import Log


REMEMBERED = 120  # newest states that forecasts and plans learn from; older ones say nothing more of today's heads


@dataclass(frozen=True)
class Loaded:
    """A drum as it stands, what had to be assumed, and its history when it comes from the log."""

    drum: Drum
    warnings: tuple[str, ...] = ()
    entry: DrumEntry | None = None
    states: tuple[State, ...] = ()
    toml: str = ""


def is_file(ref: str) -> bool:
    """Whether an argument names a file: it ends in .toml or holds a path separator."""
    return ref.endswith(".toml") or "/" in ref or "\\" in ref


def load_drum(ref: str | Drum, *, log: Log | None = None, newest: int = REMEMBERED) -> Loaded:
    """The drum that ``ref`` names; a drum in the log comes as in its last state, with its ``newest`` states.

    Raises
    ------
    DrumFileError, LogError
        One sentence: the file is missing or impossible, or the log has no such drum.
    """
    if isinstance(ref, Drum):
        return Loaded(_in_its_air(ref))
    if is_file(ref):
        return load_file(ref)
    if log is None:
        from .logbook import open_log

        with open_log(create=False) as opened:
            return _from_log(ref, opened, newest)
    return _from_log(ref, log, newest)


def load_file(path: str | Path) -> Loaded:
    """The drum of a drum file; raises ``DrumFileError``."""
    where = Path(path)
    try:
        text = where.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise DrumFileError(f"there is no drum file {where}: give its path, or a drum's name from the log.") from None
    except UnicodeDecodeError:
        raise DrumFileError(f"{where} is not text in UTF-8: save the drum file as plain text.") from None
    except OSError as error:
        raise DrumFileError(f"{where} cannot be read ({error.strerror}): check the path.") from None
    drum, warnings = drumfile.parse(text)
    return Loaded(_in_its_air(drum), warnings, toml=text)


def _from_log(ref: str, log: Log, newest: int = REMEMBERED) -> Loaded:
    entry = log.find_drum(ref)
    states = tuple(reversed(log.states(entry.id, limit=newest, newest_first=True)))
    drum = states[-1].drum if states else entry.drum
    warnings = tuple(
        f"loss assumed on the {name} head"
        for name in HEADS
        if (head := drum.batter if name == "batter" else drum.resonant) is not None and head.resistance is None
    )
    return Loaded(_in_its_air(drum), warnings, entry, states, entry.toml)


def _in_its_air(drum: Drum) -> Drum:
    from ..physics.air import with_properties

    return replace(drum, air=with_properties(drum.air))


def with_changes(drum: Drum, changes: Iterable[str]) -> Drum:
    """``drum`` with drum-file keys set, each written KEY=VALUE; raises ``DrumFileError``."""
    for change in changes:
        key, equals, value = change.partition("=")
        if not equals or not key.strip() or not value.strip():
            raise DrumFileError(f"'{change}' is not KEY=VALUE: write for example batter.tension=500.")
        drum = drumfile.changed(drum, key.strip(), value.strip())
    return _in_its_air(drum)


def parse_turns(texts: str | Iterable[str], drum: Drum | None = None) -> tuple[Turn, ...]:
    """Turns from ``batter=-0.5,resonant=0.25`` or ``batter:3=+1/8``; checked against the drum when given.

    Raises
    ------
    InputError
        One sentence naming the piece that is not a turn, a missing head or a rod that the head has not.
    """
    given = [texts] if isinstance(texts, str) else texts
    pieces = [piece.strip() for text in given for piece in text.split(",") if piece.strip()]
    found: list[Turn] = []
    for piece in pieces:
        target, equals, amount = piece.partition("=")
        name, colon, rod_text = target.partition(":")
        head = name.strip().lower()
        if not equals or head not in HEADS:
            raise InputError(f"'{piece}' is not a turn: write batter=-0.5, resonant=0.25 or batter:3=+1/8.")
        rod: int | None = None
        if colon:
            if not rod_text.strip().isdigit() or int(rod_text) < 1:
                raise InputError(f"'{piece}' names no rod: write the rod's number, as in batter:3=+1/8.")
            rod = int(rod_text)
        which: HeadName = "batter" if head == "batter" else "resonant"
        found.append(Turn(which, units.turns_from_text(amount), rod))
    if drum is not None:
        _check_turns(found, drum)
    if pieces == [] and texts:
        raise InputError("no turns given: write batter=-0.5, resonant=0.25 or batter:3=+1/8.")
    return tuple(found)


def turns_of(turns: str | Iterable[str] | tuple[Turn, ...], drum: Drum) -> tuple[Turn, ...]:
    """Turns given as records or as text, checked against the drum; raises like ``parse_turns``."""
    if isinstance(turns, str):
        return parse_turns(turns, drum)
    texts: list[str] = []
    found: list[Turn] = []
    for item in turns:
        if isinstance(item, Turn):
            found.append(item)
        else:
            texts.append(item)
    _check_turns(found, drum)
    return (*found, *parse_turns(texts, drum)) if texts else tuple(found)


def _check_turns(found: list[Turn], drum: Drum) -> None:
    for turn in found:
        head = drum.batter if turn.head == "batter" else drum.resonant
        if head is None:
            raise InputError("this drum has no resonant head to turn: name batter only.")
        if turn.rod is not None and turn.rod > head.rods:
            raise InputError(f"the {turn.head} head has {head.rods} rods: there is no rod {turn.rod}.")


def channel_names(count: int, *, drum: Drum | None, given: str | Iterable[str] | None) -> tuple[str, ...]:
    """Names of a file's channels: as given, else the drum's places when the count agrees, else ch1, ch2, ...

    Raises
    ------
    InputError
        When the names given do not fit the number of channels, or repeat.
    """
    if given is not None:
        parts = given.split(",") if isinstance(given, str) else list(given)
        names = tuple(part.strip() for part in parts)
        if len(names) != count:
            raise InputError(f"{len(names)} channel names for {count} channels: name each channel once, in order.")
        if len(set(names)) != count or not all(names):
            raise InputError("two channels have the same name or none: name each channel once.")
        return names
    if drum is not None and len(drum.places) == count:
        return tuple(place.name for place in drum.places)
    return tuple(f"ch{i}" for i in range(1, count + 1))
