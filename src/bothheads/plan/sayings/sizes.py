"""Sayings about diameter and depth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from ...constants import INCH
from ...records import Drum, Microphone
from ...units import cents
from . import logged
from .drums import Specimen
from .model import Model, percent, resized
from .record import FEEL_PERCENT, LEVEL_DB, TAIL_PERCENT, Saying, Trial, less, more, within

STEP_M = 2 * INCH  # one size step
DEEPER = 1.5
FAR_M = 3.0  # a listener in front, without a room


def _tuned(model: Model, s: Specimen, *, diameter: float | None = None, depth: float | None = None) -> Drum | None:
    """The drum in another size, tuned back to its note by both heads alike."""
    return model.at_note(resized(s.drum, diameter=diameter, depth=depth), s.note_hz)


def size_step(model: Model, s: Specimen) -> Iterator[Trial]:
    """Fall of the note in semitones by two inches more diameter, films and tensions alike."""
    yield Trial(cents(s.note_hz, model.hertz(resized(s.drum, diameter=s.drum.diameter + STEP_M))) / 100.0)


def short_longer(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail at half the depth, tuned back to the note."""
    short = _tuned(model, s, depth=s.drum.depth / 2)
    if short is not None:
        yield Trial(percent(model.tail(short), model.tail(s.drum)))


def deep_lower(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note with half more depth, tensions alike."""
    yield Trial(cents(model.hertz(resized(s.drum, depth=s.drum.depth * DEEPER)), s.note_hz))


def _far(drum: Drum) -> Drum:
    return replace(drum, microphones=(Microphone("far", 0.0, 0.0, drum.depth + FAR_M),))


def depth_throws(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level of the note three metres in front of the front head, half more depth, tuned back to the note."""
    deep = _tuned(model, s, depth=s.drum.depth * DEEPER)
    if deep is not None:
        yield Trial(model.note_level(_far(deep), "far") - model.note_level(_far(s.drum), "far"))


def deep_thin(model: Model, s: Specimen) -> Iterator[Trial]:
    """Share of the note in what rings, half more depth, tuned back to the note."""
    deep = _tuned(model, s, depth=s.drum.depth * DEEPER)
    if deep is not None:
        yield Trial(model.figure(deep, "tone") - model.figure(s.drum, "tone"))


def large_tighter(model: Model, s: Specimen) -> Iterator[Trial]:
    """Batter tension two inches larger, at one note."""
    large = _tuned(model, s, diameter=s.drum.diameter + STEP_M)
    if large is not None:
        yield Trial(percent(large.batter.tension or 0.0, s.drum.batter.tension or 1.0))


def large_quicker(model: Model, s: Specimen) -> Iterator[Trial]:
    """Contact of a felt beater two inches larger, at one note."""
    large = _tuned(model, s, diameter=s.drum.diameter + STEP_M)
    if large is not None:
        yield Trial(percent(model.contact(large).contact_s, model.contact(s.drum).contact_s))


def deep_slow(model: Model, s: Specimen) -> Iterator[Trial]:
    """Contact of a felt beater with half more depth, tuned back to the note."""
    deep = _tuned(model, s, depth=s.drum.depth * DEEPER)
    if deep is not None:
        yield Trial(percent(model.contact(deep).contact_s, model.contact(s.drum).contact_s))


def large_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level of all partials three metres in front, two inches larger, at one note, same push."""
    large = _tuned(model, s, diameter=s.drum.diameter + STEP_M)
    if large is not None:
        yield Trial(model.level(_far(large), "far") - model.level(_far(s.drum), "far"))


SAYINGS = (
    Saying("size-step", "sizes", "One size step, two inches of diameter, is worth one and a half to three semitones.",
           "fall of the note with 2 in more diameter, films, tensions and depth alike", within(1.5, 3.0, "semitones"), size_step),
    Saying("short-rings-longer", "sizes", "Short drums ring longer than deep ones.",
           "tail at half the depth, both heads tuned back to the note", more(TAIL_PERCENT, "% of the tail"), short_longer,
           logged=logged.SHORTER, left_out="the weight and the losses of a longer shell"),
    Saying("deeper-is-lower", "sizes", "A deeper drum has a lower note.",
           f"change of the note with {DEEPER:g} times the depth, tensions alike", less(10, "cents"), deep_lower),
    Saying("depth-throws-lows", "sizes", "Depth throws the lows further into the room.",
           f"level of the note {FAR_M:g} m in front with {DEEPER:g} times the depth, tuned back to the note, same push",
           more(LEVEL_DB, "dB"), depth_throws, left_out="the room"),
    Saying("deep-sounds-thin", "sizes", "A deep drum sounds thin, because its front head is further away.",
           f"share of the note in what rings with {DEEPER:g} times the depth, tuned back to the note", less(LEVEL_DB, "dB"),
           deep_thin),
    Saying("large-is-tighter", "sizes", "At the same note the larger drum has the tighter heads.",
           "batter tension with 2 in more diameter, tuned back to the note", more(FEEL_PERCENT, "% of the tension"), large_tighter,
           logged=logged.LARGER),
    Saying("large-answers-quicker", "sizes", "... and so answers the foot more quickly.",
           "contact time of a felt beater with 2 in more diameter, tuned back to the note",
           less(FEEL_PERCENT, "% of the contact time"), large_quicker, uses=("bass",),
           left_out="pedal, spring and leg"),
    Saying("deep-feels-slow", "sizes", "A deep bass drum feels slow, because its air answers later.",
           f"contact time of a felt beater with {DEEPER:g} times the depth, tuned back to the note",
           more(FEEL_PERCENT, "% of the contact time"), deep_slow, uses=("bass",),
           left_out="what a foot feels after the beater has left"),
    Saying("large-is-louder", "sizes", "Without microphones a larger drum carries further.",
           f"level of all partials {FAR_M:g} m in front with 2 in more diameter, tuned back to the note, same push",
           more(LEVEL_DB, "dB"), large_louder, left_out="how hard one plays a larger drum, and the room"),
)
