"""One table of a drum file: hands out checked values by name, and refuses what nobody asked for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..errors import DrumFileError

LENGTH = {"_in": 0.0254, "_mm": 1e-3, "_m": 1.0}

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


class Table:
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
        given = [(stem + suffix, factor) for suffix, factor in LENGTH.items() if stem + suffix in self.values]
        for suffix in LENGTH:
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

    def table(self, key: str) -> Table | None:
        value = self.get(key)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            raise DrumFileError(f"{self.name(key)} must be a table: write [{self.name(key)}] and its keys below.")
        return Table(self.name(key), value)

    def tables(self, key: str) -> list[Table]:
        value = self.get(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            raise DrumFileError(f"{self.name(key)} must be a list of tables: write [[{self.name(key)}]] for each.")
        return [Table(f"{self.name(key)}[{i}]", item) for i, item in enumerate(value, 1)]

    def finish(self) -> None:
        extra = sorted(set(self.values) - self.seen)
        if extra:
            inches = {key.removesuffix("_in") for key in self.seen if key.endswith("_in")}
            lengths = {stem + suffix for stem in inches for suffix in ("_m", "_mm")}
            known = ", ".join(sorted(self.seen - lengths))
            raise DrumFileError(f"{self.name(extra[0])} is not a key of a drum file here: use one of {known}.")
