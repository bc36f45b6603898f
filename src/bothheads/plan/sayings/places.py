"""Sayings about where a drum is heard: seat, front, all round, inside, over a floor; all in the free field."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import cos, log10, pi, sin

import numpy as np

from ...constants import INCH
from ...records import Drum, Floor, Microphone
from .drums import Specimen
from .model import ABOVE, Model
from .record import LEVEL_DB, Saying, Trial, more

ROUND_M, ROUND = 1.5, 8  # a ring of places in the horizontal plane round the middle of the drum
COUNTS_DB = 25.0  # partials within this of the loudest
DEEPEST_DB = 45.0


def _low_share(model: Model, drum: Drum, place: str) -> float:
    """Level of the note against all other partials at a place [dB]."""
    note = model.note_level(drum, place)
    all_ = 10.0 ** (model.level(drum, place) / 10.0)
    rest = max(all_ - 10.0 ** (note / 10.0), 1e-12 * all_)
    return note - 10.0 * log10(rest)


def front_lower(model: Model, s: Specimen) -> Iterator[Trial]:
    """Note against the rest, in front over at the seat."""
    yield Trial(_low_share(model, s.drum, "front") - _low_share(model, s.drum, "seat"))


def front_differs(model: Model, s: Specimen) -> Iterator[Trial]:
    """The same either way, for the lowest octave's balance."""
    yield Trial(abs(_low_share(model, s.drum, "front") - _low_share(model, s.drum, "seat")))


def lows_all_round(model: Model, s: Specimen) -> Iterator[Trial]:
    """Spread over a ring of places of the partials above three times the note, less the note's own spread."""
    angles = [2 * pi * i / ROUND for i in range(ROUND)]
    ring = tuple(Microphone(f"r{i}", ROUND_M * sin(a), 0.0, s.drum.depth / 2 + ROUND_M * cos(a)) for i, a in enumerate(angles))
    prediction = model.forecast(replace(s.drum, microphones=ring))
    levels = np.array([[p.level_db[m.name] for m in ring] for p in prediction.partials])
    spread = np.minimum(levels.max(1) - levels.min(1), DEEPEST_DB)
    hertz = np.array([p.frequency_hz for p in prediction.partials])
    note = int(np.argmin(abs(hertz - s.note_hz)))
    high = (hertz > ABOVE * s.note_hz) & (levels.max(1) > levels.max() - COUNTS_DB)
    if high.any():
        yield Trial(float(spread[high].mean() - spread[note]))


def _moved(model: Model, drum: Drum, a: Microphone, b: Microphone) -> float:
    """Rms change [dB] of the partials that count when a microphone goes from a to b, the overall level taken out."""
    prediction = model.forecast(replace(drum, microphones=(replace(a, name="a"), replace(b, name="b"))))
    rows = np.array([[p.level_db["a"], p.level_db["b"]] for p in prediction.partials])
    rows = rows[rows.max(1) > rows.max() - COUNTS_DB]
    change = np.clip(rows[:, 1] - rows[:, 0], -DEEPEST_DB, DEEPEST_DB)
    return float(np.std(change))


def inch_inside(model: Model, s: Specimen) -> Iterator[Trial]:
    """Balance inside the shell, a third of the way in and off the axis, moved by an inch across."""
    at = Microphone("a", 0.35 * s.drum.radius, 0.0, s.drum.depth / 3)
    yield Trial(_moved(model, s.drum, at, replace(at, x=at.x + INCH)))


def inch_outside(model: Model, s: Specimen) -> Iterator[Trial]:
    """Balance a hand's breadth in front of the front head, off the axis, moved by an inch across."""
    at = Microphone("a", 0.35 * s.drum.radius, 0.0, s.drum.depth + 0.1)
    yield Trial(_moved(model, s.drum, at, replace(at, x=at.x + INCH)))


def near_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """What lies above three times the note against the rest, inside near the batter over in front."""
    inside = Microphone("in", 0.05, 0.0, 0.05)
    front = Microphone("out", 0.0, 0.0, s.drum.depth + 0.6)
    prediction = model.forecast(replace(s.drum, microphones=(inside, front)))

    def balance(name: str) -> float:
        power = [(p.frequency_hz > ABOVE * s.note_hz, 10.0 ** (p.level_db[name] / 10.0)) for p in prediction.partials]
        high, low = (sum(v for up, v in power if up == side) for side in (True, False))
        return 10.0 * log10(max(high, 1e-30) / max(low, 1e-30))
    yield Trial(balance("in") - balance("out"))


def rug(model: Model, s: Specimen) -> Iterator[Trial]:
    """Balance at the seat over a rug against over a hard floor."""
    seat = tuple(p for p in s.drum.places if p.name == "seat")
    hard, soft = (model.forecast(replace(s.drum, microphones=seat, floor=Floor(0.02, r))) for r in (0.95, 0.4))
    rows = np.array([[p.level_db["seat"], q.level_db["seat"]] for p in hard.partials for q in soft.partials
                     if abs(p.frequency_hz - q.frequency_hz) < 1e-6])
    rows = rows[rows.max(1) > rows.max() - COUNTS_DB]
    yield Trial(float(np.sqrt(np.mean((rows[:, 1] - rows[:, 0]) ** 2))))


_RANGE = "everything above 300 Hz, where an inch is a larger part of the wave"
SAYINGS = (
    Saying("front-and-seat-differ-low", "places", "Seat and front differ at low frequencies, not only in the click.",
           "level of the note against all other partials in front and at the seat, the difference either way",
           more(LEVEL_DB, "dB"), front_differs),
    Saying("front-has-the-lows", "places", "Out in front there is more low end than at the stool.",
           "level of the note against all other partials, in front less at the seat", more(LEVEL_DB, "dB"), front_lower,
           left_out="the room, which holds lows longest"),
    Saying("lows-spread-all-round", "places", "Lows spread all round, highs beam.",
           f"spread of the level over {ROUND} places {ROUND_M:g} m round the drum: partials above three times the note, less "
           "the note's own", more(LEVEL_DB, "dB"), lows_all_round,
           left_out="highs above the forecast's range, which do beam; the room, which fills the gaps of the lows"),
    Saying("inch-inside-matters", "places", "Inside the drum an inch of microphone matters.",
           "rms change of the balance of the partials a third of the way in, off the axis, moved by 1 in across",
           more(LEVEL_DB, "dB"), inch_inside, left_out=_RANGE, uses=("bass",)),
    Saying("inch-outside-matters", "places", "Close in front of the drum an inch matters as well.",
           "rms change of the balance of the partials 10 cm in front of the front head, off the axis, moved by 1 in across",
           more(LEVEL_DB, "dB"), inch_outside, left_out=_RANGE, uses=("bass",)),
    Saying("inside-has-the-attack", "places", "Inside, near the batter, there is the most attack; in front it is rounder.",
           "what lies above three times the note against the rest, inside 5 cm from the batter less 60 cm in front",
           more(LEVEL_DB, "dB"), near_attack, uses=("bass",)),
    Saying("rug-changes-everything", "places", "The rug changes everything.",
           "rms change of the partials' levels at the seat, floor of 0.4 reflection against 0.95, drum 2 cm above it",
           more(LEVEL_DB, "dB"), rug, uses=("bass",),
           left_out="what the floor does to the drum's own frequencies and decays, and every further wall"),
)
