"""Values of a job as people write them: numbers, ranges, lists, notes, boots and rooms; refusals in one sentence."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from ..constants import INCH
from ..errors import InputError
from ..units import note_frequency

# boots with the seats up, m; common practice, no source, as different as cars are: give boot_cm when you have measured yours
CARS = {"small": (0.65, 1.00, 0.50), "estate": (1.05, 1.05, 0.75), "van": (2.20, 1.40, 1.25)}
_SPAN = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(?:hz|s|ms|db)?\s*(?:-|\.\.|to)\s*(\d+(?:\.\d+)?)\s*(?:hz|s|ms|db)?\s*$", re.IGNORECASE)
_PLAIN = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*[a-z]*\s*$", re.IGNORECASE)
_BY = re.compile(r"\s*[x*,]\s*", re.IGNORECASE)


def number(key: str, value: Any, low: float, high: float) -> float:
    """One number from ``low`` to ``high``, a unit after it is let pass; InputError otherwise."""
    if isinstance(value, str) and (match := _PLAIN.match(value)):
        value = float(match[1])
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(f"{key} must be a number from {low:g} to {high:g}, not {_shown(value)}.")
    return float(value)


def ends(key: str, value: Any, low: float, high: float) -> tuple[float, float]:
    """A number, or a range ``0.4-0.8`` (or two numbers), as its two ends within ``low`` and ``high``."""
    if isinstance(value, str) and (match := _SPAN.match(value)):
        pair = (float(match[1]), float(match[2]))
    elif isinstance(value, list | tuple) and len(value) == 2:
        pair = (number(key, value[0], low, high), number(key, value[1], low, high))
    else:
        one = number(key, value, low, high)
        pair = (one, one)
    if not low <= pair[0] <= pair[1] <= high:
        raise InputError(f"{key} must be a number or a range such as {low:g}-{high:g}, the smaller first, not {_shown(value)}.")
    return pair


def note_ends(value: Any) -> tuple[float, float]:
    """Hz of a note, or of a range of notes: ``50Hz``, ``G1+7``, ``40-55Hz``, ``G1..A1``, ``G1 to A1``."""
    if isinstance(value, list | tuple) or (isinstance(value, str) and _SPAN.match(value)):
        return ends("note", value, 10.0, 2000.0)
    text = str(value)
    pieces = re.split(r"\s*\.\.\s*|\s+to\s+", text.strip())
    if len(pieces) > 2:
        raise InputError(f"'{text}' is not a note or a range: write 50Hz, G1, 40-55Hz or G1..A1.")
    found = [note_frequency(piece) for piece in pieces]
    if found[-1] < found[0]:
        raise InputError(f"'{text}' runs downwards: write the lower note first.")
    return found[0], found[-1]


def listed(key: str, value: Any, low: float, high: float) -> list[float]:
    """Numbers of a list, a tuple, one number or text with commas; no doubles, in order."""
    parts = value.split(",") if isinstance(value, str) else value if isinstance(value, Sequence) else [value]
    found = sorted({number(key, part, low, high) for part in parts})
    if not found:
        raise InputError(f"{key} is empty: name one or more numbers.")
    return found


def flag(key: str, value: Any) -> bool:
    """True or false, also in words."""
    if isinstance(value, bool):
        return value
    if str(value).lower() in ("true", "yes", "false", "no"):
        return str(value).lower() in ("true", "yes")
    raise InputError(f"{key} must be true or false, not {_shown(value)}.")


def choice(key: str, value: Any, allowed: Sequence[str]) -> str:
    """One of a few words."""
    word = "none" if value is False else str(value).strip().lower()
    if word not in allowed:
        raise InputError(f"{key} must be {', '.join(repr(a) for a in allowed[:-1])} or {allowed[-1]!r}.")
    return word


def level(key: str, value: Any) -> tuple[Literal["most", "least", "range"], float, float]:
    """'loud', 'quiet', or a level or range of levels in dB."""
    word = str(value).strip().lower()
    if word in ("loud", "quiet"):
        return ("most" if word == "loud" else "least"), 0.0, 0.0
    try:
        low, high = ends(key, value, 20.0, 160.0)
    except InputError:
        raise InputError(f"{key} must be loud, quiet, or dB from 20 to 160 for the reference push, not {_shown(value)}.") from None
    return "range", low, high


def boot_of(given: Mapping[str, Any]) -> tuple[tuple[float, float, float] | None, tuple[str, ...]]:
    """Sides [m] of the boot and its words; None when none is named."""
    named = [key for key in ("boot_in", "boot_cm", "car") if key in given]
    if not named:
        return None, ()
    if len(named) > 1:
        raise InputError(f"{named[0]} and {named[1]} both say how large the boot is: keep one.")
    if named[0] == "car":
        car = choice("car", given["car"], tuple(CARS))
        sides = CARS[car]
        words = " x ".join(f"{100 * s:.0f}" for s in sides)
        return sides, (f"boot of a {car} car, about {words} cm with the seats up (common practice, no source)",)
    unit, scale = ("in", INCH) if named[0] == "boot_in" else ("cm", 0.01)
    sides = _three(named[0], given[named[0]], scale, 0.15, 6.0)
    return sides, (f"boot {' x '.join(f'{s / scale:g}' for s in sides)} {unit}",)


def size_of_room(value: Any) -> tuple[float, float, float]:
    """Sides of a room [m] from ``4x3.5x2.4``."""
    try:
        return _three("room", value, 1.0, 1.0, 100.0)
    except InputError:
        raise InputError(f"room must be free, floor, outdoors, or its sides in metres such as 4x3.5x2.4, "
                         f"not {_shown(value)}.") from None


def _three(key: str, value: Any, scale: float, low: float, high: float) -> tuple[float, float, float]:
    parts = _BY.split(value.strip()) if isinstance(value, str) else value
    if not isinstance(parts, list | tuple) or len(parts) != 3:
        raise InputError(f"{key} must be three lengths such as 100 x 80 x 50, not {_shown(value)}.")
    a, b, c = (number(key, part, low / scale, high / scale) * scale for part in parts)
    return a, b, c


def _shown(value: Any) -> str:
    text = str(value)
    return f"'{text[:40]}{'...' if len(text) > 40 else ''}'"
