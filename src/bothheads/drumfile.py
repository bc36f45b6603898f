"""Drum files: TOML written by hand or by the log, to and from a ``Drum``.

Every refusal names the key and the accepted range. Lengths end in ``_in``, ``_mm`` or ``_m``.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from typing import Any, Literal, cast

from . import units
from .constants import ASSUMED_FILM_MIL
from .errors import DrumFileError
from .records import HEADS, Air, Drum, Floor, Head, HeadName, Microphone, Muffling, Opening, Strike

SCHEMA = "bothheads.drum/1"
_LENGTH = {"_in": 0.0254, "_mm": 1e-3, "_m": 1.0}

# key -> (lowest, highest, unit shown); lengths in metres
_LIMITS: dict[str, tuple[float, float, str]] = {
    "tension": (20.0, 20000.0, "N/m"),
    "surface_density": (0.03, 5.0, "kg/m2"),
    "film_mil": (1.0, 60.0, "mil"),
    "resistance": (0.0, 2000.0, "N s/m3"),
    "stiffness_loss": (0.0, 1e-3, "s"),
    "force_n": (0.01, 5000.0, "N"),
    "duration_s": (0.0005, 0.05, "s"),
    "mass_kg": (0.0, 5.0, "kg"),
    "stiffness": (0.0, 1e7, "N/m3"),
    "temperature_c": (-30.0, 50.0, "C"),
    "humidity_percent": (0.0, 100.0, "%"),
    "pressure_hpa": (500.0, 1100.0, "hPa"),
    "speed_of_sound": (250.0, 400.0, "m/s"),
    "density": (0.5, 2.0, "kg/m3"),
    "first_rod_deg": (-360.0, 360.0, "degrees"),
}


class _Table:
    """One table of the file: hands out checked values and refuses what nobody asked for."""

    def __init__(self, where: str, values: Mapping[str, Any]) -> None:
        self.where = where
        self.values = values
        self.seen: set[str] = set()

    def name(self, key: str) -> str:
        return f"{self.where}.{key}" if self.where else key

    def get(self, key: str) -> Any:
        self.seen.add(key)
        return self.values.get(key)

    def number(self, key: str, limits: tuple[float, float, str] | None = None) -> float | None:
        value = self.get(key)
        if value is None:
            return None
        low, high, unit = limits or _LIMITS[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise DrumFileError(f"{self.name(key)} must be a number from {low:g} to {high:g} {unit}.")
        if not low <= value <= high:
            raise DrumFileError(f"{self.name(key)} = {value:g} is outside {low:g} to {high:g} {unit}.")
        return float(value)

    def length(self, stem: str, low: float, high: float) -> float | None:
        given = [(stem + suffix, factor) for suffix, factor in _LENGTH.items() if stem + suffix in self.values]
        for suffix in _LENGTH:
            self.seen.add(stem + suffix)
        if len(given) > 1:
            raise DrumFileError(f"{self.name(stem)} is given twice: keep one of {', '.join(k for k, _ in given)}.")
        if not given:
            return None
        key, factor = given[0]
        unit = {0.0254: "in", 1e-3: "mm", 1.0: "m"}[factor]
        value = self.number(key, (low / factor, high / factor, unit))
        return None if value is None else value * factor

    def whole(self, key: str, low: int, high: int) -> int | None:
        value = self.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise DrumFileError(f"{self.name(key)} must be a whole number from {low} to {high}.")
        return value

    def text(self, key: str) -> str | None:
        value = self.get(key)
        if value is not None and (not isinstance(value, str) or not value.strip()):
            raise DrumFileError(f"{self.name(key)} must be some text in quotes.")
        return value

    def flag(self, key: str) -> bool:
        value = self.get(key)
        if value is not None and not isinstance(value, bool):
            raise DrumFileError(f"{self.name(key)} must be true or false.")
        return bool(value)

    def table(self, key: str) -> _Table | None:
        value = self.get(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            raise DrumFileError(f"{self.name(key)} must be a table: write [{self.name(key)}] and its keys below.")
        return _Table(self.name(key), value)

    def tables(self, key: str) -> list[_Table]:
        value = self.get(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            raise DrumFileError(f"{self.name(key)} must be a list of tables: write [[{self.name(key)}]] for each.")
        return [_Table(f"{self.name(key)}[{i}]", item) for i, item in enumerate(value, 1)]

    def finish(self) -> None:
        extra = sorted(set(self.values) - self.seen)
        if extra:
            known = ", ".join(sorted(self.seen))
            raise DrumFileError(f"{self.name(extra[0])} is not a key of a drum file here: use one of {known}.")


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
    top = _Table("", data)
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
    batter = _head(batter_table, "batter", diameter, warnings)
    if batter is None:
        raise DrumFileError("batter.absent cannot be true: a drum without a batter head cannot be struck.")
    resonant_table = top.table("resonant")
    if resonant_table is None:
        warnings.append("no [resonant] in the drum file: taken as a drum without a resonant head")
        resonant = None
    else:
        resonant = _head(resonant_table, "resonant", diameter, warnings)
    muffling = tuple(_muffling(item, diameter, resonant is not None) for item in top.tables("muffling"))
    strike = _strike(top.table("strike"), diameter)
    microphones = tuple(_microphone(item) for item in top.tables("microphone"))
    names = [m.name for m in microphones]
    if len(set(names)) != len(names):
        raise DrumFileError("two microphones have the same name: give each [[microphone]] its own.")
    air = _air(top.table("air"))
    wires_on = top.flag("wires_on")
    floor = _floor(top.table("floor"))
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


def _head(table: _Table, which: HeadName, diameter: float, warnings: list[str]) -> Head | None:
    if table.flag("absent"):
        return None
    film_mil = table.number("film_mil")
    density = table.number("surface_density")
    if film_mil is not None and density is not None:
        raise DrumFileError(f"{which} has both film_mil and surface_density: keep one of them.")
    if film_mil is not None:
        density = units.surface_density_from_mil(film_mil)
    if density is None:
        density = units.surface_density_from_mil(ASSUMED_FILM_MIL)
        warnings.append(f"film of the {which} head assumed {ASSUMED_FILM_MIL:g} mil")
    head = Head(
        surface_density=density,
        rods=table.whole("rods", 3, 24) or 8,
        first_rod_deg=table.number("first_rod_deg") or 0.0,
        tension=table.number("tension"),
        resistance=table.number("resistance"),
        stiffness_loss=table.number("stiffness_loss"),
        plies=table.whole("plies", 1, 3) or 1,
        opening=_opening(table, which, diameter),
    )
    table.finish()
    return head


def _opening(table: _Table, which: HeadName, diameter: float) -> Opening | None:
    reach = diameter / 2
    size = table.length("opening_diameter", 0.005, diameter)
    x = table.length("opening_x", -reach, reach)
    offset = table.length("opening_offset", -reach, reach)
    y = table.length("opening_y", -reach, reach)
    if size is None:
        if x is not None or y is not None or offset is not None:
            raise DrumFileError(f"{which}.opening_diameter_in is missing: an opening needs its diameter.")
        return None
    if which == "batter":
        raise DrumFileError("batter.opening_diameter_in: only the resonant head may have an opening.")
    if x is not None and offset is not None:
        raise DrumFileError("resonant.opening_offset means opening_x: keep one of them.")
    x = x if x is not None else offset or 0.0
    y = y or 0.0
    if size > diameter / 2:
        raise DrumFileError(
            "resonant.opening_diameter_in is more than half the head: "
            f"up to {diameter / 2 / 0.0254:.1f} in is modelled."
        )
    if math.hypot(x, y) + size / 2 > 0.99 * reach:
        raise DrumFileError("resonant.opening reaches over the edge: move it in or make it smaller.")
    return Opening(size, x, y)


def _muffling(table: _Table, diameter: float, has_resonant: bool) -> Muffling:
    reach = diameter / 2
    kind = table.text("kind")
    if kind not in ("pad", "patch", "strip", "ring", "filling"):
        raise DrumFileError(f"{table.name('kind')} must be pad, patch, strip, ring or filling.")
    heads = table.get("heads") or ["batter"]
    if not isinstance(heads, list) or not heads or any(h not in HEADS for h in heads):
        raise DrumFileError(f"{table.name('heads')} must be a list of batter and resonant.")
    if "resonant" in heads and not has_resonant:
        raise DrumFileError(f"{table.name('heads')} names the resonant head, but this drum has none.")
    item = Muffling(
        kind=cast(Literal["pad", "patch", "strip", "ring", "filling"], kind),
        heads=tuple(dict.fromkeys(cast(list[HeadName], heads))),
        x=table.length("x", -reach, reach) or 0.0,
        y=table.length("y", -reach, reach) or 0.0,
        radius=table.length("radius", 0.005, reach),
        width=table.length("width", 0.002, reach),
        mass=table.number("mass_kg") or 0.0,
        resistance=table.number("resistance") or 0.0,
        stiffness=table.number("stiffness") or 0.0,
    )
    table.finish()
    if kind in ("pad", "patch"):
        if item.radius is None:
            raise DrumFileError(f"{table.name('radius_m')} is missing: a {kind} needs its radius.")
        if math.hypot(item.x, item.y) + item.radius > reach * 1.0001:
            raise DrumFileError(f"{table.where} reaches over the edge: move it in or make it smaller.")
    if kind in ("strip", "ring") and item.width is None:
        raise DrumFileError(f"{table.name('width_m')} is missing: a {kind} needs its width.")
    if kind == "strip" and item.width is not None and abs(item.y) + item.width / 2 > reach:
        raise DrumFileError(f"{table.where} reaches over the edge: move it in or make it narrower.")
    return item


def _strike(table: _Table | None, diameter: float) -> Strike:
    if table is None:
        return Strike(x=min(0.03, diameter / 8))
    reach = diameter / 2
    base = Strike(x=min(0.03, diameter / 8))
    x = table.length("x", -reach, reach)
    y = table.length("y", -reach, reach)
    strike = Strike(
        x=base.x if x is None else x,
        y=0.0 if y is None else y,
        force=table.number("force_n") or base.force,
        duration=table.number("duration_s") or base.duration,
        radius_sd=table.length("radius_sd", 0.001, reach) or base.radius_sd,
    )
    table.finish()
    if math.hypot(strike.x, strike.y) >= reach:
        raise DrumFileError("strike lies outside the batter head: give x and y from its centre.")
    return strike


def _microphone(table: _Table) -> Microphone:
    name = table.text("name")
    values = [table.length(axis, -50.0, 50.0) for axis in "xyz"]
    if name is None or any(value is None for value in values):
        raise DrumFileError(f"{table.where} needs a name and x_m, y_m and z_m.")
    table.finish()
    x, y, z = cast(list[float], values)
    return Microphone(name, x, y, z)


def _air(table: _Table | None) -> Air:
    if table is None:
        return Air()
    base = Air()
    air = Air(
        speed_of_sound=table.number("speed_of_sound") or base.speed_of_sound,
        density=table.number("density") or base.density,
        temperature_c=table.number("temperature_c"),
        humidity_percent=table.number("humidity_percent"),
        pressure_hpa=table.number("pressure_hpa"),
    )
    table.finish()
    return air


def _floor(table: _Table | None) -> Floor | None:
    if table is None:
        return None
    gap = table.length("gap", 0.0, 10.0)
    if gap is None:
        raise DrumFileError("floor.gap_m is missing: give the distance from the drum's nearest point to the floor.")
    reflection = table.number("reflection", (0.0, 1.0, "(1 = rigid)"))
    floor = Floor(gap, 0.9 if reflection is None else reflection, table.flag("upright"))
    table.finish()
    return floor


def to_dict(drum: Drum) -> dict[str, Any]:
    """Tables of a drum file in SI keys; ``from_dict(to_dict(d))[0] == d``."""
    out: dict[str, Any] = {"schema": SCHEMA, "name": drum.name, "diameter_m": drum.diameter, "depth_m": drum.depth}
    if drum.wires_on:
        out["wires_on"] = True
    for which in HEADS:
        head = drum.batter if which == "batter" else drum.resonant
        out[which] = {"absent": True} if head is None else _head_dict(head)
    if drum.muffling:
        out["muffling"] = [_muffling_dict(item) for item in drum.muffling]
    s = drum.strike
    out["strike"] = {"x_m": s.x, "y_m": s.y, "force_n": s.force, "duration_s": s.duration, "radius_sd_m": s.radius_sd}
    if drum.microphones:
        out["microphone"] = [{"name": m.name, "x_m": m.x, "y_m": m.y, "z_m": m.z} for m in drum.microphones]
    a = drum.air
    air = {"speed_of_sound": a.speed_of_sound, "density": a.density, "temperature_c": a.temperature_c,
           "humidity_percent": a.humidity_percent, "pressure_hpa": a.pressure_hpa}
    out["air"] = {key: value for key, value in air.items() if value is not None}
    if drum.floor:
        out["floor"] = {"gap_m": drum.floor.gap, "reflection": drum.floor.reflection, "upright": drum.floor.upright}
    return out


def _head_dict(head: Head) -> dict[str, Any]:
    out: dict[str, Any] = {"rods": head.rods, "surface_density": head.surface_density}
    if head.first_rod_deg:
        out["first_rod_deg"] = head.first_rod_deg
    if head.plies != 1:
        out["plies"] = head.plies
    for key in ("tension", "resistance", "stiffness_loss"):
        if (value := getattr(head, key)) is not None:
            out[key] = value
    if head.opening:
        o = head.opening
        out |= {"opening_diameter_m": o.diameter, "opening_x_m": o.x, "opening_y_m": o.y}
    return out


def _muffling_dict(item: Muffling) -> dict[str, Any]:
    out: dict[str, Any] = {"kind": item.kind, "heads": list(item.heads), "x_m": item.x, "y_m": item.y}
    if item.radius is not None:
        out["radius_m"] = item.radius
    if item.width is not None:
        out["width_m"] = item.width
    return out | {"mass_kg": item.mass, "resistance": item.resistance, "stiffness": item.stiffness}


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in
                          value.replace("\\", "\\\\").replace('"', '\\"'))
        return f'"{escaped}"'
    if isinstance(value, list):
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    return repr(value)


def write(drum: Drum) -> str:
    """Text of a drum file; ``parse(write(d))[0] == d`` to the last bit."""
    data = to_dict(drum)
    lines = [f"{k} = {_toml_value(v)}" for k, v in data.items() if not isinstance(v, dict | list)]
    for key, value in data.items():
        if isinstance(value, dict):
            lines += [f"[{key}]", *(f"{k} = {_toml_value(v)}" for k, v in value.items())]
        elif isinstance(value, list):
            for item in value:
                lines += [f"[[{key}]]", *(f"{k} = {_toml_value(v)}" for k, v in item.items())]
    return "\n".join(lines) + "\n"


def changed(drum: Drum, key: str, value: str) -> Drum:
    """Copy of ``drum`` with one drum-file key set, e.g. ``batter.tension`` to ``500``; raises like ``parse``."""
    path = key.split(".")
    data = to_dict(drum)
    try:
        parsed: Any = tomllib.loads(f"v = {value}")["v"]
    except tomllib.TOMLDecodeError:
        parsed = value
    target: Any = data
    for part in path[:-1]:
        target = target[int(part) - 1] if isinstance(target, list) and part.isdigit() and 0 < int(part) <= len(target) \
            else target.setdefault(part, {}) if isinstance(target, dict) else None
        if not isinstance(target, dict | list):
            raise DrumFileError(f"'{key}' is not a key of a drum file: write for example batter.tension=500.")
    if not isinstance(target, dict):
        raise DrumFileError(f"'{key}' is not a key of a drum file: write for example muffling.1.mass_kg=0.05.")
    last = path[-1]
    for suffix in _LENGTH:  # a length given in another unit replaces the one that stands there
        if last.endswith(suffix):
            for other in _LENGTH:
                target.pop(last.removesuffix(suffix) + other, None)
            break
    if last in ("film_mil", "surface_density"):
        target.pop("film_mil", None)
        target.pop("surface_density", None)
    if path[0] in HEADS and len(path) == 2 and last != "absent":
        target.pop("absent", None)
    target[last] = parsed
    if path == ["resonant", "absent"] and parsed is True:
        data["resonant"] = {"absent": True}
        left = [item | {"heads": [h for h in item["heads"] if h != "resonant"]} for item in data.get("muffling", [])]
        data["muffling"] = [item for item in left if item["heads"]]
    return from_dict(data)[0]


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
    top = _Table("", data)
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
