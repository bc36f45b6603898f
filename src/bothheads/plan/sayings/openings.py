"""Sayings about openings of the front head; all on bass drums."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import log, log10

from ...constants import INCH
from ...records import Drum, Opening
from ...units import cents
from . import logged
from .drums import Specimen
from .model import Model, percent
from .record import FEEL_PERCENT, LEVEL_DB, PITCH_CENTS, TAIL_PERCENT, Saying, Trial, alike, less, more, within

MUCH = 25.0  # % of a tail: the floor of what is noticed on struck tones (Tolonen and Jarvelainen, abstract)
LOW_HZ = 80.0
LEAST = 1e-4  # of the whole power: less than this counts as this


def opened(drum: Drum, inches: float, *, centre: bool = False) -> Drum:
    """The drum with an opening in the resonant head: in the middle, or its edge 3 in inside the hoop, at 4 o'clock."""
    radius = inches * INCH / 2
    away = 0.0 if centre else max(drum.radius - radius - 3 * INCH, 0.0)
    return drum.with_head("resonant", opening=Opening(2 * radius, 0.87 * away, -0.5 * away))


def closed_longest(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail of the closed drum over that with an opening."""
    for inches in (4.0, 5.0, 7.0, 10.0):
        yield Trial(percent(model.tail(s.drum), model.tail(opened(s.drum, inches))), {"opening_in": inches})


def small_keeps(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail that is left with 5 and 6 in off centre."""
    for inches in (5.0, 6.0):
        yield Trial(percent(model.tail(opened(s.drum, inches)), model.tail(s.drum)), {"opening_in": inches})


def keeps_note(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note by an opening off centre."""
    for inches in (4.0, 5.0, 7.0, 10.0):
        yield Trial(cents(model.hertz(opened(s.drum, inches)), s.note_hz), {"opening_in": inches})


def as_none(model: Model, s: Specimen) -> Iterator[Trial]:
    """How far of the way from the closed drum to none the opening goes, in the ring of everything in front."""
    none, closed = log(model.ring(replace(s.drum, resonant=None))), log(model.ring(s.drum))
    for inches in (8.0, 10.0):
        if abs(none - closed) > TAIL_PERCENT / 100.0:
            yield Trial((log(model.ring(opened(s.drum, inches))) - closed) / (none - closed), {"opening_in": inches})


def feel_stays(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of a felt beater's contact by 7 in off centre."""
    yield Trial(percent(model.contact(opened(s.drum, 7.0)).contact_s, model.contact(s.drum).contact_s))


def rebound_better(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the rebound by 4 in off centre."""
    before = model.contact(s.drum).rebound
    if before > 0.05:
        yield Trial(percent(model.contact(opened(s.drum, 4.0)).rebound, before))


def centre_kills(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail that is lost by 10 in in the middle."""
    yield Trial(percent(model.tail(opened(s.drum, 10.0, centre=True)), model.tail(s.drum)))


def centre_worse(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail with the opening in the middle against off centre, the same size."""
    for inches in (5.0, 7.0, 10.0):
        there = model.tail(opened(s.drum, inches))
        yield Trial(percent(model.tail(opened(s.drum, inches, centre=True)), there), {"opening_in": inches})


def punchier(model: Model, s: Specimen) -> Iterator[Trial]:
    """Energy of the first 50 ms against the rest, 6 and 8 in off centre against closed."""
    for inches in (6.0, 8.0):
        yield Trial(model.figure(opened(s.drum, inches), "attack") - model.figure(s.drum, "attack"), {"opening_in": inches})


def low_end(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level below 80 Hz in front, 5 in off centre against closed."""
    yield Trial(_lows(model, opened(s.drum, 5.0)) - _lows(model, s.drum))


def _lows(model: Model, drum: Drum) -> float:
    power = [(p.frequency_hz < LOW_HZ, 10.0 ** (p.level_db["front"] / 10.0)) for p in model.forecast(drum).partials]
    return 10.0 * log10(max(sum(v for low, v in power if low), LEAST * sum(v for _, v in power)))


_OFF = "off centre, its edge 3 in inside the hoop"
SAYINGS = (
    Saying("closed-rings-longest", "openings", "A closed front head rings longest.",
           f"tail of the closed drum against 4, 5, 7 and 10 in {_OFF}", more(TAIL_PERCENT, "% of the tail"), closed_longest,
           uses=("bass",), logged=logged.OPENED_SHORTER, left_out="the friction of air at the edge of the opening"),
    Saying("small-opening-keeps-the-ring", "openings", "Five or six inches near the edge keep much of the ring.",
           f"tail with 5 and 6 in {_OFF} against closed; as said when no more than {MUCH:g} % is lost",
           within(-MUCH, 400.0, "% of the tail"), small_keeps, uses=("bass",), logged=logged.OPENED_KEEPS),
    Saying("opening-keeps-the-note", "openings", "An opening leaves the note where it was.",
           f"change of the note by 4, 5, 7 and 10 in {_OFF}", alike(PITCH_CENTS, "cents"), keeps_note, uses=("bass",),
           logged=logged.OPENED_NOTE),
    Saying("large-opening-as-no-head", "openings", "Beyond seven inches the drum acts as if it had no front head.",
           f"how far of the way to the drum without a front head 8 and 10 in {_OFF} go, by the time in which everything in front "
           "falls 30 dB; as said from two thirds on", within(0.667, 1.333, "of the way"), as_none, uses=("bass",)),
    Saying("seven-inches-feel-the-same", "openings", "With seven inches the feel is still that of a closed drum.",
           f"contact time of a felt beater with 7 in {_OFF} against closed", alike(FEEL_PERCENT, "% of the contact time"),
           feel_stays, uses=("bass",)),
    Saying("four-inches-tame-the-rebound", "openings", "Four inches already make the rebound easier to control.",
           f"rebound of a felt beater with 4 in {_OFF} against closed", less(FEEL_PERCENT, "% of the rebound"), rebound_better,
           uses=("bass",)),
    Saying("ten-inches-in-the-middle-kill", "openings", "Ten inches in the middle take nearly all the tone.",
           "tail with 10 in in the middle of the front head against closed; as said when half of it or more is gone",
           within(-100, -50, "% of the tail"), centre_kills, uses=("bass",)),
    Saying("middle-costs-more", "openings", "An opening in the middle costs more ring than the same one near the edge.",
           f"tail with 5, 7 and 10 in in the middle against {_OFF}", less(TAIL_PERCENT, "% of the tail"), centre_worse,
           uses=("bass",)),
    Saying("opening-is-punchier", "openings", "Fifteen to twenty centimetres of opening sound punchier.",
           f"energy of the first 50 ms against the rest with 6 and 8 in {_OFF} against closed", more(LEVEL_DB, "dB"), punchier,
           uses=("bass",), left_out="the blast of air in the opening itself"),
    Saying("opening-tunes-low-end", "openings", "An opening can give a small bass drum more low end.",
           f"level in front of everything below {LOW_HZ:g} Hz with 5 in {_OFF} against closed", more(LEVEL_DB, "dB"), low_end,
           uses=("bass",)),
)
