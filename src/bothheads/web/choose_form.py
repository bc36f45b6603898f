"""The form of a choice: what may be wished, in words and sliders, and the job that it says. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Wish:
    """One row of the form. ``choices`` (value, words) makes it a list, ``span`` (low, high, step) a slider; else text."""

    key: str
    words: str
    choices: tuple[tuple[str, str], ...] = ()
    span: tuple[float, float, float] | None = None
    unit: str = ""
    hint: str = ""


ANY = ("", "no matter")
SOUND = (
    Wish("note", "Drum note", hint="50Hz, G1 or a range: 40-55Hz"),
    Wish("tail_s", "Tail", span=(0.1, 4.0, 0.1), unit="s"),
    Wish("response_ms", "The batter answers within", span=(2.0, 16.0, 0.5), unit="ms"),
    Wish("front", "Out front", (ANY, ("loud", "as loud as can be"), ("quiet", "as quiet as can be"))),
    Wish("seat", "At the seat", (ANY, ("loud", "as loud as can be"), ("quiet", "as quiet as can be"))),
    Wish("round", "All round", (ANY, ("true", "as alike as can be"))),
)
PLACE = (
    Wish("microphones", "Microphones", (ANY, ("none", "none"), ("front", "before it"), ("inside", "inside"))),
    Wish("room", "Where", (ANY, ("outdoors", "outdoors"), ("floor", "on a hard floor"), ("4x3.5x2.4", "a small room"),
                           ("8x6x3", "a larger room"))),
    Wish("opening", "Opening in the front", (ANY, ("false", "none"), ("true", "some opening"))),
)
LIMITS = (
    Wish("car", "It must fit", (ANY, ("small", "a small car"), ("estate", "an estate car"), ("van", "a van"))),
    Wish("weight_kg", "At most", span=(3.0, 25.0, 0.5), unit="kg"),
    Wish("largest_in", "Diameter at most", span=(10.0, 28.0, 1.0), unit="in"),
)
SECOND = (
    Wish("second.note", "Its note", hint="70Hz, or empty: one job only"),
    Wish("second.tail_s", "Its tail", span=(0.1, 4.0, 0.1), unit="s"),
    Wish("second.front", "Out front", (ANY, ("loud", "as loud as can be"), ("quiet", "as quiet as can be"))),
)
WISHES = (("How it sounds", SOUND), ("Where it is played", PLACE), ("What it may be", LIMITS),
          ("A second job for the same drum", SECOND))


def filled(values: Mapping[str, Any]) -> dict[str, str]:
    """What the form holds, by key; a bass drum unless it says otherwise."""
    return {"use": "bass", **{w.key: str(values.get(w.key) or "")[:40] for _, group in WISHES for w in group},
            **({"use": "tom"} if values.get("use") == "tom" else {})}


def job_of(values: Mapping[str, Any]) -> dict[str, str]:
    """The job that the form says; wishes left open are left out."""
    return {k: v.strip() for k, v in filled(values).items() if v.strip()}
