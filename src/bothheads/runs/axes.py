"""What a sweep varies: a list or range of values along a grid axis, or a distribution to draw from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, log
from typing import Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

Array = NDArray[np.float64]
Value = float | int | str | bool
LONGEST_AXIS = 100_000
KINDS = ("uniform", "log-uniform", "normal", "log-normal")


@dataclass(frozen=True)
class Draw:
    """How one key is drawn. ``a`` and ``b``: from and to, or mean and sd (of ln where log-normal: mean and factor).

    ``times``: the drawn number multiplies the value of that key. ``step``: rounded to whole multiples of it.
    """

    key: str
    kind: str
    a: float = 0.0
    b: float = 0.0
    low: float | None = None
    high: float | None = None
    step: float | None = None
    times: str | None = None
    choices: tuple[Value, ...] = ()

    def sample(self, seed: int, count: int) -> list[Value] | Array:
        """``count`` values; the same for the same seed and key, whatever else is drawn."""
        rng = np.random.default_rng(np.random.SeedSequence([seed, crc32(self.key.encode())]))
        if self.choices:
            return [self.choices[i] for i in rng.integers(0, len(self.choices), count)]
        if self.kind == "uniform":
            drawn = rng.uniform(self.a, self.b, count)
        elif self.kind == "log-uniform":
            drawn = np.exp(rng.uniform(log(self.a), log(self.b), count))
        elif self.kind == "normal":
            drawn = rng.normal(self.a, self.b, count)
        else:
            drawn = self.a * np.exp(log(self.b) * rng.standard_normal(count))
        if self.step is not None:
            drawn = np.round(drawn / self.step) * self.step
            drawn = np.round(drawn, 9)
        if self.low is not None or self.high is not None:
            drawn = np.clip(drawn, self.low, self.high)
        return np.asarray(drawn)


def flatten(table: Mapping[str, Any], where: str, leaves: frozenset[str]) -> dict[str, Any]:
    """Dotted keys of nested tables; a table that holds one of ``leaves`` is itself a value."""
    out: dict[str, Any] = {}
    for key, value in table.items():
        name = f"{where}.{key}" if where else key
        if isinstance(value, Mapping) and not (leaves & set(value)):
            out |= flatten(value, name, leaves)
        else:
            out[name] = value
    return out


GRID_WORDS = frozenset({"from", "to", "count", "step", "spacing"})
DRAW_WORDS = frozenset({"from", "to", "distribution", "step", "times", "choices", "mean", "sd", "factor"})


def grid_values(key: str, given: Any) -> tuple[Value, ...]:
    """Values along a grid axis from a list, one value, or {from, to, count | step, spacing}; raises ``InputError``."""
    where = f"[grid] {key}"
    if isinstance(given, bool | int | float | str):
        given = [given]
    if isinstance(given, list):
        if not given or any(not isinstance(v, bool | int | float | str) for v in given):
            raise InputError(f"{where} must be a list of values, or {{from, to, count}}.")
        return tuple(dict.fromkeys(given))
    if not isinstance(given, Mapping):
        raise InputError(f"{where} must be a list of values, or {{from, to, count}}.")
    _no_others(where, given, GRID_WORDS)
    low, high = _number(where, given, "from"), _number(where, given, "to")
    spacing = given.get("spacing", "linear")
    if spacing not in ("linear", "log"):
        raise InputError(f"{where}.spacing must be 'linear' or 'log'.")
    if ("count" in given) == ("step" in given):
        raise InputError(f"{where} needs either count or step beside from and to.")
    if "step" in given:
        step = _number(where, given, "step")
        if step <= 0 or high < low or (high - low) / step > LONGEST_AXIS:
            raise InputError(f"{where}.step must be above 0, with to not below from.")
        count = int(np.floor((high - low) / step + 1e-9)) + 1
        return tuple(float(v) for v in np.round(low + step * np.arange(count), 9))
    count = given["count"]
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= LONGEST_AXIS:
        raise InputError(f"{where}.count must be a whole number from 1 to {LONGEST_AXIS}.")
    if spacing == "log" and min(low, high) <= 0:
        raise InputError(f"{where}: spacing 'log' needs from and to above 0.")
    line = np.geomspace(low, high, count) if spacing == "log" else np.linspace(low, high, count)
    return tuple(float(f"{v:.9g}") for v in line)


def draw_of(key: str, given: Any) -> Draw:
    """How a key of [random] is drawn; raises ``InputError`` in one sentence naming the key."""
    where = f"[random] {key}"
    if isinstance(given, list):
        given = {"choices": given}
    if not isinstance(given, Mapping):
        raise InputError(f"{where} must be a list of choices, or a range such as {{from = 300, to = 900}}.")
    _no_others(where, given, DRAW_WORDS)
    if "choices" in given:
        choices = given["choices"]
        if not isinstance(choices, list) or not choices or any(not isinstance(v, bool | int | float | str) for v in choices):
            raise InputError(f"{where}.choices must be a list of values.")
        _no_others(where, given, frozenset({"choices"}))
        return Draw(key, "choices", choices=tuple(choices))
    kind = given.get("distribution", "uniform")
    if kind not in KINDS:
        raise InputError(f"{where}.distribution must be one of {', '.join(KINDS)}.")
    ends = [_number(where, given, word) if word in given else None for word in ("from", "to")]
    step = _number(where, given, "step") if "step" in given else None
    if step is not None and step <= 0:
        raise InputError(f"{where}.step must be above 0.")
    times = given.get("times")
    if times is not None and not isinstance(times, str):
        raise InputError(f"{where}.times must be the name of another key in quotes.")
    if kind in ("uniform", "log-uniform"):
        low, high = ends
        if low is None or high is None or high < low:
            raise InputError(f"{where} needs from and to, with to not below from.")
        if kind == "log-uniform" and low <= 0:
            raise InputError(f"{where}: 'log-uniform' needs from above 0.")
        return Draw(key, kind, low, high, low, high, step, times)
    mean, spread = _number(where, given, "mean"), _number(where, given, "sd" if kind == "normal" else "factor")
    if (kind == "normal" and spread < 0) or (kind == "log-normal" and (mean <= 0 or spread < 1)):
        raise InputError(f"{where}: 'normal' needs sd of 0 or more, 'log-normal' a mean above 0 and a factor of 1 or more.")
    return Draw(key, kind, mean, spread, ends[0], ends[1], step, times)


def _number(where: str, table: Mapping[str, Any], word: str) -> float:
    value = table.get(word)
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"{where}.{word} must be a number.")
    return float(value)


def _no_others(where: str, table: Mapping[str, Any], known: frozenset[str]) -> None:
    extra = sorted(set(table) - known)
    if extra:
        raise InputError(f"{where}.{extra[0]} is not known: use {', '.join(sorted(known))}.")
