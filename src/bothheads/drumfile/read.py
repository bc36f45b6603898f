"""A drum from the text of a drum file, from its tables, or with one key changed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

from ..errors import DrumFileError
from ..records import HEADS, Drum
from .parts import air_of, floor_of, head_of, microphone_of, muffling_of, strike_of
from .table import LENGTH, Table
from .write import SCHEMA, to_dict


def parse(text: str) -> tuple[Drum, tuple[str, ...]]:
    """Drum and warnings (what had to be assumed) from the text of a drum file.

    Raises
    ------
    DrumFileError
        One sentence naming the key and the accepted range.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DrumFileError(f"the drum file is not TOML ({error}): see the example in the README.") from None
    return from_dict(data)


def from_dict(data: Mapping[str, Any]) -> tuple[Drum, tuple[str, ...]]:
    """Drum and warnings from the file's tables as a dict; raises like ``parse``."""
    top = Table("", data)
    schema = top.text("schema")
    if schema is not None and schema != SCHEMA:
        raise DrumFileError(f"schema = '{schema}' is not known here: this program reads '{SCHEMA}'.")
    name = top.text("name") or "Drum"
    diameter = top.length("diameter", 0.1, 1.2)
    depth = top.length("depth", 0.05, 1.2)
    if diameter is None or depth is None:
        missing = "diameter_in" if diameter is None else "depth_in"
        raise DrumFileError(f"{missing} is missing: give both diameter and depth, each named (_in, _mm or _m).")
    warnings: list[str] = []
    batter_table = top.table("batter")
    if batter_table is None:
        raise DrumFileError("[batter] is missing: a drum needs a batter head with its rods and film.")
    batter = head_of(batter_table, "batter", diameter, warnings)
    if batter is None:
        raise DrumFileError("batter.absent cannot be true: a drum without a batter head cannot be struck.")
    resonant_table = top.table("resonant")
    if resonant_table is None:
        warnings.append("no [resonant] in the drum file: taken as a drum without a resonant head")
        resonant = None
    else:
        resonant = head_of(resonant_table, "resonant", diameter, warnings)
    muffling = tuple(muffling_of(item, diameter, resonant is not None) for item in top.tables("muffling"))
    strike = strike_of(top.table("strike"), diameter)
    microphones = tuple(microphone_of(item) for item in top.tables("microphone"))
    names = [m.name for m in microphones]
    if len(set(names)) != len(names):
        raise DrumFileError("two microphones have the same name: give each [[microphone]] its own.")
    air = air_of(top.table("air"))
    wires_on = top.flag("wires_on")
    floor = floor_of(top.table("floor"))
    top.finish()
    drum = Drum(name, diameter, depth, batter, resonant, muffling, strike, microphones, air, wires_on, floor)
    for place in microphones:
        under = floor is not None and (
            place.z > depth + floor.gap if floor.upright else place.y < -(diameter / 2 + floor.gap))
        if under:
            raise DrumFileError(f"the {place.name} lies under the floor: move it or make floor.gap_m larger.")
    for head, label in ((batter, "batter"), (resonant, "resonant")):
        if head is not None and head.resistance is None:
            warnings.append(f"loss assumed on the {label} head")
    return drum, tuple(warnings)


def changed(drum: Drum, key: str, value: str) -> Drum:
    """Copy of ``drum`` with one drum-file key set, e.g. ``batter.tension`` to ``500``; raises like ``parse``."""
    try:
        parsed: Any = tomllib.loads(f"v = {value}")["v"]
    except tomllib.TOMLDecodeError:
        parsed = value
    return changed_many(drum, {key: parsed})


def changed_many(drum: Drum, changes: Mapping[str, Any]) -> Drum:
    """Copy of ``drum`` with several drum-file keys set one after the other and checked together; raises like ``parse``."""
    data = to_dict(drum)
    for key, value in changes.items():
        _set(data, key, value)
    return from_dict(data)[0]


def _set(data: dict[str, Any], key: str, value: Any) -> None:
    """One key of a drum file's tables in SI set; what the new one stands for is taken out."""
    path = key.split(".")
    target: Any = data
    for part in path[:-1]:
        target = target[int(part) - 1] if isinstance(target, list) and part.isdigit() and 0 < int(part) <= len(target) \
            else target.setdefault(part, {}) if isinstance(target, dict) else None
        if not isinstance(target, dict | list):
            raise DrumFileError(f"'{key}' is not a key of a drum file: write for example batter.tension=500.")
    if not isinstance(target, dict):
        raise DrumFileError(f"'{key}' is not a key of a drum file: write for example muffling.1.mass_kg=0.05.")
    last = path[-1]
    for suffix in LENGTH:  # a length given in another unit replaces the one that stands there
        if last.endswith(suffix):
            for other in LENGTH:
                target.pop(last.removesuffix(suffix) + other, None)
            break
    if last in ("film_mil", "surface_density"):
        target.pop("film_mil", None)
        target.pop("surface_density", None)
    if path[0] in HEADS and len(path) == 2 and last != "absent":
        target.pop("absent", None)
    target[last] = value
    if path == ["resonant", "absent"] and value is True:
        data["resonant"] = {"absent": True}
        left = [item | {"heads": [h for h in item["heads"] if h != "resonant"]} for item in data.get("muffling", [])]
        data["muffling"] = [item for item in left if item["heads"]]


def tables(text: str, what: str) -> dict[str, Any]:
    """The tables of a TOML text that is no drum file; ``what`` names it in the refusal.

    Raises
    ------
    DrumFileError
        When the text is not TOML.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DrumFileError(f"{what} is not TOML ({error}): put names and texts in quotes, numbers not.") from None


def parse_kit(text: str) -> dict[str, str]:
    """Channel name to drum, from a kit file: one ``[[drum]]`` each with ``channel`` and ``drum`` (a file or a name).

    Raises
    ------
    DrumFileError
        One sentence naming what is missing.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DrumFileError(f"the kit file is not TOML ({error}): write [[drum]] with channel and drum for each.") from None
    top = Table("", data)
    top.text("schema")
    rows = top.tables("drum")
    top.finish()
    out: dict[str, str] = {}
    for row in rows:
        channel, drum = row.text("channel"), row.text("drum")
        row.finish()
        if channel is None or drum is None:
            raise DrumFileError(f"{row.where} needs channel and drum: the channel's name and the drum's file or name.")
        if channel in out:
            raise DrumFileError(f"{row.where}.channel = '{channel}' is given twice: one drum a channel name.")
        out[channel] = drum
    if not out:
        raise DrumFileError("the kit file names no drum: write [[drum]] with channel and drum for each.")
    return out
