"""A sweep's file: which drums, what varies, where they are struck and where they are heard.

``[drum]`` names drum files (``file``, ``files``) or holds the tables of one; ``[grid]`` and ``[random]`` vary keys of the
drum file; ``[strikes]`` and ``[places]`` are named tables; ``[output]`` says what a row holds. See docs/sweeps.md.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from .. import drumfile
from ..errors import DrumFileError, InputError
from ..records import Drum
from .axes import DRAW_WORDS, GRID_WORDS, Draw, Value, draw_of, flatten, grid_values
from .spots import PlaceAt, StrikeAt, places_of, strikes_of

SCHEMA = "bothheads.sweep-spec/1"
MOST_POINTS = 50_000_000
_TABLES = ("schema", "name", "drum", "grid", "random", "strikes", "places", "output")


@dataclass(frozen=True)
class Base:
    """A drum that the sweep starts from, under the name that its rows carry."""

    name: str
    drum: Drum


@dataclass(frozen=True)
class Output:
    """What a row holds: how many main partials, and whether the beater's contact is worked out."""

    partials: int = 8
    feel: bool = True


@dataclass(frozen=True)
class Spec:
    """A sweep, checked. ``grid`` and ``draws`` keep the file's order; ``count`` random designs a grid point."""

    name: str
    bases: tuple[Base, ...]
    grid: tuple[tuple[str, tuple[Value, ...]], ...] = ()
    draws: tuple[Draw, ...] = ()
    count: int = 1
    seed: int = 1
    strikes: tuple[StrikeAt, ...] = ()
    places: tuple[PlaceAt, ...] = ()
    output: Output = field(default_factory=Output)

    @property
    def points(self) -> int:
        """Rows that the sweep will have."""
        total = len(self.bases) * self.count * max(1, len(self.strikes))
        for _, values in self.grid:
            total *= len(values)
        return total

    @property
    def keys(self) -> tuple[str, ...]:
        """Drum-file keys that vary, in order."""
        return (*(key for key, _ in self.grid), *(draw.key for draw in self.draws))

    @property
    def sha256(self) -> str:
        """Hash of everything that decides the rows: the drums as read, the axes, the draws, strikes, places, output."""
        body = {
            "bases": [[b.name, drumfile.to_dict(b.drum)] for b in self.bases], "grid": [[k, list(v)] for k, v in self.grid],
            "draws": [repr(d) for d in self.draws], "count": self.count, "seed": self.seed,
            "strikes": [repr(s) for s in self.strikes], "places": [repr(p) for p in self.places], "output": repr(self.output),
        }
        return sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def parse_spec(text: str, *, drum_of: Callable[[str], Drum]) -> Spec:
    """The sweep of a TOML text; ``drum_of`` loads the drum that a name or file stands for.

    Raises
    ------
    InputError
        One sentence naming the key and what it takes.
    """
    data = drumfile.tables(text, "the sweep's file")
    extra = sorted(set(data) - set(_TABLES))
    if extra:
        raise InputError(f"'{extra[0]}' is not part of a sweep: use {', '.join(_TABLES)}.")
    if data.get("schema", SCHEMA) != SCHEMA:
        raise InputError(f"schema = '{data['schema']}' is not known here: this program reads '{SCHEMA}'.")
    bases = _bases(data.get("drum"), drum_of)
    grid = tuple((key, grid_values(key, value)) for key, value in flatten(_table(data, "grid"), "", GRID_WORDS).items())
    draws, count, seed = _random(_table(data, "random"))
    spec = Spec(
        str(data.get("name", "sweep")), bases, grid, draws, count, seed, strikes_of(_table(data, "strikes")),
        places_of(_table(data, "places")), _output(_table(data, "output")),
    )
    _check(spec)
    return spec


def _table(data: Mapping[str, Any], name: str) -> dict[str, Any]:
    value = data.get(name, {})
    if not isinstance(value, Mapping):
        raise InputError(f"'{name}' must be a table: write [{name}] and its keys below.")
    return dict(value)


def _bases(table: Any, drum_of: Callable[[str], Drum]) -> tuple[Base, ...]:
    if not isinstance(table, Mapping) or not table:
        raise InputError("[drum] is missing: name a drum file with file = 'bass.toml', or write a drum's keys there.")
    if "file" in table or "files" in table:
        extra = sorted(set(table) - {"file", "files"})
        if extra:
            raise InputError(f"[drum] {extra[0]} cannot stand beside file: vary it under [grid], or write the whole drum there.")
        names = table["files"] if "files" in table else [table["file"]]
        if "file" in table and "files" in table:
            raise InputError("[drum] has both file and files: keep one of them.")
        if not isinstance(names, list) or not names or any(not isinstance(n, str) or not n for n in names):
            raise InputError("[drum] files must be a list of drum files in quotes.")
        if len(set(names)) != len(names):
            raise InputError("[drum] files names a file twice: keep one of each.")
        return tuple(Base(name, drum_of(name)) for name in names)
    drum, _ = drumfile.from_dict(table)
    return (Base(drum.name, drum),)


def _random(table: dict[str, Any]) -> tuple[tuple[Draw, ...], int, int]:
    if not table:
        return (), 1, 1
    count, seed = table.pop("count", None), table.pop("seed", 1)
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_POINTS:
        raise InputError(f"[random] count must be a whole number from 1 to {MOST_POINTS}.")
    if isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed < 2**63:
        raise InputError("[random] seed must be a whole number of 0 or more.")
    draws = tuple(draw_of(key, value) for key, value in flatten(table, "", DRAW_WORDS).items())
    if not draws:
        raise InputError("[random] varies nothing: name keys of the drum file with their range, such as batter.tension.")
    return _in_turn(draws), count, seed


def _in_turn(draws: tuple[Draw, ...]) -> tuple[Draw, ...]:
    """The draws with every key after the one that it multiplies (TOML gathers dotted keys by their first part)."""
    left, out = list(draws), list[Draw]()
    while left:
        names = {draw.key for draw in left}
        ready = [draw for draw in left if draw.times not in names]
        if not ready:
            raise InputError(f"[random] {left[0].key}.times goes round in a circle: one of the keys must be drawn by itself.")
        out += ready
        left = [draw for draw in left if draw not in ready]
    return tuple(out)


def _output(table: Mapping[str, Any]) -> Output:
    extra = sorted(set(table) - {"partials", "feel"})
    if extra:
        raise InputError(f"[output] {extra[0]} is not known: use partials and feel.")
    partials, feel = table.get("partials", 8), table.get("feel", True)
    if isinstance(partials, bool) or not isinstance(partials, int) or not 0 <= partials <= 60:
        raise InputError("[output] partials must be a whole number from 0 to 60.")
    if not isinstance(feel, bool):
        raise InputError("[output] feel must be true or false.")
    return Output(partials, feel)


def _check(spec: Spec) -> None:
    twice = [key for key in spec.keys if spec.keys.count(key) > 1]
    if twice:
        raise InputError(f"'{twice[0]}' is both in [grid] and in [random]: keep one of them.")
    if spec.points > MOST_POINTS:
        raise InputError(f"this sweep has {spec.points} points: up to {MOST_POINTS} are worked out in one.")
    known: set[str] = {key for key, _ in spec.grid}
    for draw in spec.draws:
        if draw.times is not None and draw.times not in known and _value(spec.bases[0].drum, draw.times) is None:
            raise InputError(f"[random] {draw.key}.times: '{draw.times}' is no key of this sweep and has no value in the drum.")
        known.add(draw.key)
    for strike in spec.strikes:
        for key in spec.keys:
            if key.startswith("strike.") and not strike.leaves(key):
                raise InputError(f"'{key}' varies and [strikes] sets it too: keep one of them.")
    for base in spec.bases:
        _try_keys(base, spec)


def _try_keys(base: Base, spec: Spec) -> None:
    """Refuses keys that no drum file has before a million points fail one by one; impossible values are points' own."""
    for key in spec.keys:
        try:
            drumfile.changed_many(base.drum, {key: _value(base.drum, key)})
        except DrumFileError as error:
            if "is not a key of a drum file" in str(error):
                raise InputError(f"'{key}' varies, but {error}") from None


def _value(drum: Drum, key: str) -> Any:
    """The drum's own value of a key in the drum file's SI form, None where it has none."""
    found: Any = drumfile.to_dict(drum)
    for part in key.split("."):
        if isinstance(found, list) and part.isdigit() and 0 < int(part) <= len(found):
            found = found[int(part) - 1]
        elif isinstance(found, Mapping):
            found = found.get(part)
        else:
            return None
    return found


own_value = _value
