"""Sayings about muffling.

What a towel, a pillow or a strip weighs and loses where it touches was never measured: each is tested over a range.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import pi, sqrt

from ...records import Drum, HeadName, Muffling
from ...units import cents
from . import logged
from .drums import Specimen
from .model import Model, percent
from .record import LEVEL_DB, PITCH_CENTS, TAIL_PERCENT, Saying, Test, Trial, alike, less, more, within

SHARE = 0.175  # of the head's area, the middle of 15 to 20 %
TOUCHES = (0.05, 0.2, 0.8)  # kg/m2 that moves with the film: a loose cloth, a towel, a heavy pillow
TOWEL = TOUCHES[1]
LOSS = 100.0  # N s/m3 where it touches
MOVED_M = 0.05
BOTH: tuple[HeadName, ...] = ("batter", "resonant")


def pad(drum: Drum, touch: float, heads: tuple[HeadName, ...] = ("batter",), *, shift: float = 0.0) -> Drum:
    """The drum with a filler lying against its lower part over ``SHARE`` of the head."""
    radius = drum.radius * sqrt(SHARE)
    mass = touch * pi * radius**2
    return replace(drum, muffling=(Muffling("pad", heads, y=-(drum.radius - radius) * 0.95 + shift, radius=radius, mass=mass,
                                            resistance=LOSS),))


def strip(drum: Drum, width: float) -> Drum:
    """The drum with a felt strip of ``width`` [m] across the batter, a third of the radius off centre; 0.5 kg/m2."""
    y = drum.radius / 3
    area = 2 * width * sqrt(drum.radius**2 - y**2)
    return replace(drum, muffling=(Muffling("strip", ("batter",), y=y, width=width, mass=0.5 * area, resistance=LOSS),))


def ring(drum: Drum) -> Drum:
    """The drum with a ring of film and foam inside the batter's edge, an eighth of the radius wide."""
    width = drum.radius / 8
    area = pi * (drum.radius**2 - (drum.radius - width) ** 2)
    return replace(drum, muffling=(Muffling("ring", ("batter",), width=width, mass=0.3 * area, resistance=LOSS),))


def pad_note(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note by a filler on the batter."""
    for touch in TOUCHES:
        yield Trial(cents(model.hertz(pad(s.drum, touch)), s.note_hz), {"touch": touch})


def batter_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """Energy of the first 50 ms against the rest with a filler on the batter."""
    yield Trial(model.figure(pad(s.drum, TOWEL), "attack") - model.figure(s.drum, "attack"))


def front_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level of the first 50 ms in front with a filler on the front head."""
    yield Trial(model.early(pad(s.drum, TOWEL, ("resonant",))) - model.early(s.drum))


def _tail_change(heads: tuple[HeadName, ...]) -> Test:
    def test(model: Model, s: Specimen) -> Iterator[Trial]:
        for touch in TOUCHES:
            yield Trial(percent(model.tail(pad(s.drum, touch, heads)), model.tail(s.drum)), {"touch": touch})
    return test


def both_quieter(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level in front with a filler against both heads."""
    yield Trial(model.level(pad(s.drum, TOWEL, BOTH), "front") - model.level(s.drum, "front"))


def both_shorter(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail with a filler against both heads over that with the same filler on the batter alone."""
    for touch in TOUCHES[:2]:
        yield Trial(percent(model.tail(pad(s.drum, touch, BOTH)), model.tail(pad(s.drum, touch))), {"touch": touch})


def strip_shortens(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail with a felt strip."""
    for width in (0.05, 0.075):
        yield Trial(percent(model.tail(strip(s.drum, width)), model.tail(s.drum)), {"width_cm": 100 * width})


def strip_width(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail with a strip half again as wide over that with the narrow one."""
    yield Trial(percent(model.tail(strip(s.drum, 0.075)), model.tail(strip(s.drum, 0.05))))


def strip_note(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note by a felt strip."""
    yield Trial(cents(model.hertz(strip(s.drum, 0.075)), s.note_hz))


def ring_overtones(model: Model, s: Specimen) -> Iterator[Trial]:
    """Share of the note in what rings, with a ring."""
    yield Trial(model.figure(ring(s.drum), "tone") - model.figure(s.drum, "tone"))


def all_shorten(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tails with a pad, a strip and a ring, against none."""
    for muffled in (pad(s.drum, TOUCHES[0]), strip(s.drum, 0.05), ring(s.drum)):
        yield Trial(percent(model.tail(muffled), model.tail(s.drum)))


def filling_moves(model: Model, s: Specimen) -> Iterator[Trial]:
    """A filler moved by 5 cm: the largest of the changes of note, tail and balance, in audible steps."""
    a, b = pad(s.drum, TOWEL), pad(s.drum, TOWEL, shift=MOVED_M)
    yield Trial(max(abs(cents(model.hertz(b), model.hertz(a))) / PITCH_CENTS,
                    abs(percent(model.tail(b), model.tail(a))) / TAIL_PERCENT,
                    abs(model.figure(b, "tone") - model.figure(a, "tone")) / LEVEL_DB))


_SIXTH = f"a filler over {100 * SHARE:.3g} % of the"
_RANGE = f", {TOUCHES[0]:g}, {TOUCHES[1]:g} and {TOUCHES[2]:g} kg/m2 moving with the film, {LOSS:g} N s/m3"
_TOWEL = f", {TOWEL:g} kg/m2 moving with the film, {LOSS:g} N s/m3"
_BASS = ("bass",)
_LEFT = "how much of a real filler moves with the film and what it loses: not measured"
SAYINGS = (
    Saying("filler-on-batter-keeps-note", "muffling", "A filler against a sixth of the batter leaves the note unchanged.",
           f"change of the note by {_SIXTH} batter{_RANGE}", alike(PITCH_CENTS, "cents"), pad_note,
           uses=_BASS, left_out=_LEFT, logged=logged.MUFFLED_BATTER_NOTE),
    Saying("filler-on-batter-more-attack", "muffling", "A filler against the batter brings out the attack.",
           f"energy of the first 50 ms against the rest, {_SIXTH} batter{_TOWEL}", more(LEVEL_DB, "dB"), batter_attack,
           uses=_BASS, left_out=_LEFT),
    Saying("filler-on-front-shortens", "muffling", "A filler against a sixth of the front head makes a short note.",
           f"tail of the note, {_SIXTH} front head{_RANGE}", less(TAIL_PERCENT, "% of the tail"),
           _tail_change(("resonant",)), uses=_BASS, left_out=_LEFT, logged=logged.MUFFLED_RESONANT),
    Saying("filler-on-front-less-attack", "muffling", "A filler against the front head takes attack away.",
           f"level of the first 50 ms in front, {_SIXTH} front head{_TOWEL}", less(LEVEL_DB, "dB"), front_attack,
           uses=_BASS, left_out=_LEFT),
    Saying("filler-on-both-quieter", "muffling", "A filler against both heads makes the drum a little quieter.",
           f"level in front at the end of the push, {_SIXTH} two heads{_TOWEL}", less(LEVEL_DB, "dB"), both_quieter,
           uses=_BASS, left_out=_LEFT),
    Saying("both-heads-muffle-more", "muffling", "What touches both heads muffles more than what touches one.",
           "tail with the filler against both heads over that on the batter alone", less(TAIL_PERCENT, "% of the tail"),
           both_shorter, uses=_BASS, left_out=_LEFT, logged=logged.MUFFLED_BOTH),
    Saying("felt-strip-shortens", "muffling", "A felt strip shortens the ring.",
           f"tail with a strip of 5 or 7.5 cm across the batter, 0.5 kg/m2, {LOSS:g} N s/m3", less(TAIL_PERCENT, "% of the tail"),
           strip_shortens, uses=_BASS, left_out=_LEFT, logged=logged.MUFFLED_BATTER),
    Saying("strip-width-is-fine", "muffling", "The width of a felt strip is a fine control: a little wider is heard.",
           "tail with a strip of 7.5 cm against 5 cm", less(TAIL_PERCENT, "% of the tail"), strip_width,
           uses=_BASS, left_out=_LEFT),
    Saying("felt-strip-lowers", "muffling", "A felt strip lets the drum speak lower.",
           "change of the note by a strip of 7.5 cm, tensions alike", less(PITCH_CENTS, "cents"), strip_note,
           uses=_BASS, left_out=_LEFT),
    Saying("ring-takes-overtones", "muffling", "A ring inside the edge takes the overtones and leaves the note.",
           "share of the note in what rings, with a ring an eighth of the radius wide", more(LEVEL_DB, "dB"), ring_overtones,
           left_out=_LEFT),
    Saying("filling-that-moves", "muffling", "Filling that moves during a take changes the sound.",
           f"{_SIXTH} batter moved by {100 * MOVED_M:g} cm: largest change of note ({PITCH_CENTS:g} cents), tail "
           f"({TAIL_PERCENT:g} %) or balance ({LEVEL_DB:g} dB)", more(1.0, "audible steps"), filling_moves,
           uses=_BASS, left_out=_LEFT),
    Saying("ring-cannot-be-added", "muffling", "Ring can be taken away with muffling, but never added.",
           "tails with pad, strip and ring against none; as said when none is longer by more than 1 %",
           within(-100.0, 1.0, "% of the tail"), all_shorten, left_out=_LEFT, logged=logged.MUFFLED_ANY),
)
