"""Where a sweep strikes and listens: named spots that may follow the size of the drum."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from ..errors import DrumFileError, InputError
from ..records import Drum, Microphone, reference_places

REFERENCE = ("seat", "front", "side", "top")
_STRIKE = {"x_m": "x", "y_m": "y", "x_radii": "x", "y_radii": "y", "force_n": "force", "duration_s": "duration",
           "radius_sd_m": "radius_sd"}
_PLACE = ("x_m", "y_m", "z_m", "beyond_m", "from_middle_m")
_LIMITS = {"force_n": (0.01, 5000.0), "duration_s": (0.0005, 0.05), "radius_sd_m": (0.001, 0.6), "x_radii": (-1.0, 1.0),
           "y_radii": (-1.0, 1.0), "x_m": (-50.0, 50.0), "y_m": (-50.0, 50.0), "z_m": (-50.0, 50.0),
           "beyond_m": (0.001, 50.0), "from_middle_m": (-50.0, 50.0)}


@dataclass(frozen=True)
class StrikeAt:
    """A named strike: what it sets of the drum's own. Radii are of the struck head."""

    name: str
    sets: tuple[tuple[str, float], ...]

    def on(self, drum: Drum) -> Drum:
        """The drum struck there; ``DrumFileError`` where that lies off the head."""
        given = {_STRIKE[key]: value * (drum.radius if key.endswith("_radii") else 1.0) for key, value in self.sets}
        strike = replace(drum.strike, **given)
        if strike.x**2 + strike.y**2 >= drum.radius**2:
            raise DrumFileError(f"the strike '{self.name}' lies outside the batter head: give it as x_radii and y_radii.")
        return replace(drum, strike=strike)

    def leaves(self, key: str) -> bool:
        """Whether a key of the drum file such as ``strike.x_m`` is not set here."""
        stem = key.removeprefix("strike.").rsplit("_", 1)[0]
        return all(own.rsplit("_", 1)[0] != stem for own, _ in self.sets)


@dataclass(frozen=True)
class PlaceAt:
    """A named place; ``z`` [m] counts from the batter plane, the resonant plane or the middle of the shell."""

    name: str
    x: float
    y: float
    z: float
    origin: str  # batter, resonant, middle

    def at(self, drum: Drum) -> Microphone:
        """The place beside this drum."""
        shift = {"batter": 0.0, "resonant": drum.depth, "middle": drum.depth / 2.0}[self.origin]
        return Microphone(self.name, self.x, self.y, self.z + shift)


def heard_at(drum: Drum, places: tuple[PlaceAt, ...]) -> Drum:
    """The drum with the sweep's places in place of its own microphones; as it is where the sweep names none."""
    return replace(drum, microphones=tuple(place.at(drum) for place in places)) if places else drum


def strikes_of(table: Mapping[str, Any]) -> tuple[StrikeAt, ...]:
    """Strikes of ``[strikes]``: one table a name; raises ``InputError``."""
    out = []
    for name, given in table.items():
        where = f"[strikes.{name}]"
        _check_keys(where, given, tuple(_STRIKE), "must be a table: write x_m and y_m, or x_radii and y_radii.")
        for axis in "xy":
            if f"{axis}_m" in given and f"{axis}_radii" in given:
                raise InputError(f"{where} has both {axis}_m and {axis}_radii: keep one of them.")
        out.append(StrikeAt(name, tuple((key, _checked(where, key, value)) for key, value in given.items())))
    return tuple(out)


def places_of(table: Mapping[str, Any]) -> tuple[PlaceAt, ...]:
    """Places of ``[places]``: ``reference = [..]`` takes reference places, every other key is a named place."""
    out = []
    given = dict(table)
    wanted = given.pop("reference", [])
    if not isinstance(wanted, list) or any(name not in REFERENCE for name in wanted):
        raise InputError(f"[places] reference must be a list of {', '.join(REFERENCE)}.")
    origins = {"seat": "batter", "front": "resonant", "side": "middle", "top": "middle"}
    flat = {m.name: m for m in reference_places(0.0)}
    out += [PlaceAt(name, flat[name].x, flat[name].y, flat[name].z, origins[name]) for name in wanted]
    for name, place in given.items():
        where = f"[places.{name}]"
        _check_keys(where, place, _PLACE, "must be a table with x_m, y_m and one of z_m, beyond_m, from_middle_m.")
        along = [key for key in _PLACE[2:] if key in place]
        if len(along) != 1:
            raise InputError(f"{where} needs one of z_m (from the batter), beyond_m (the resonant head), from_middle_m.")
        origin = {"z_m": "batter", "beyond_m": "resonant", "from_middle_m": "middle"}[along[0]]
        x, y = (_checked(where, key, place.get(key, 0.0)) for key in ("x_m", "y_m"))
        out.append(PlaceAt(name, x, y, _checked(where, along[0], place[along[0]]), origin))
    names = [place.name for place in out]
    if len(set(names)) != len(names):
        raise InputError("[places] names a place twice: give each its own name.")
    return tuple(out)


def _check_keys(where: str, given: Any, known: tuple[str, ...], otherwise: str) -> None:
    """Refuses what is no table, and keys that are not known."""
    if not isinstance(given, Mapping):
        raise InputError(f"{where} {otherwise}")
    extra = sorted(set(given) - set(known))
    if extra:
        raise InputError(f"{where} {extra[0]} is not known: use {', '.join(known)}.")


def _checked(where: str, key: str, value: Any) -> float:
    low, high = _LIMITS[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value) or not low <= value <= high:
        raise InputError(f"{where} {key} must be a number from {low:g} to {high:g}.")
    return float(value)
