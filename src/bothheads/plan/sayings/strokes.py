"""Sayings about beaters, strokes and the feel under the foot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import pi

import numpy as np

from ...physics.beater import FELT, WOOD, Beater, Contact
from ...records import Drum
from .drums import Specimen
from .model import Model, percent, scaled
from .record import FEEL_PERCENT, LEVEL_DB, Saying, Trial, less, more, within

CLICK_HZ = 400.0  # the beater's push is compared here; higher the force is below its own noise
NEAR, OFF = 0.1, 0.4  # of the radius
TIGHTER = 1.5


def _struck(drum: Drum, share: float) -> Drum:
    return replace(drum, strike=replace(drum.strike, x=share * drum.radius, y=0.0))


def off_centre(model: Model, s: Specimen) -> Iterator[Trial]:
    """Partials with nodal diameters against the note at the seat, struck off centre against near the middle."""
    yield Trial(model.overtones(_struck(s.drum, OFF)) - model.overtones(_struck(s.drum, NEAR)))


def push_db(contact: Contact, hertz: float) -> float:
    """How strongly the contact's force drives a partial at ``hertz`` [dB re 1 N s]."""
    t = np.arange(len(contact.force)) * contact.step_s
    return float(20.0 * np.log10(abs(np.sum(contact.force * np.exp(-2j * pi * hertz * t))) * contact.step_s + 1e-12))


def heavier_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Push at the note, a beater half again as heavy at the same speed."""
    heavy = replace(FELT, mass=1.5 * FELT.mass)
    yield Trial(push_db(model.contact(s.drum, heavy), s.note_hz) - push_db(model.contact(s.drum), s.note_hz))


def hard_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """Push at 400 Hz against the push at the note, wood over felt."""
    def balance(beater: Beater) -> float:
        contact = model.contact(s.drum, beater)
        return push_db(contact, CLICK_HZ) - push_db(contact, s.note_hz)
    yield Trial(balance(WOOD) - balance(FELT))


def ten_ms(model: Model, s: Specimen) -> Iterator[Trial]:
    """Contact time of a felt beater in ms."""
    yield Trial(1e3 * model.contact(s.drum).contact_s)


def slack_rebound(model: Model, s: Specimen) -> Iterator[Trial]:
    """Rebound of a felt beater on a batter half as tight."""
    before = model.contact(s.drum).rebound
    if before > 0.05:
        yield Trial(percent(model.contact(scaled(s.drum, batter=0.5)).rebound, before))


def wide_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level in front with a striking face twice as wide, same push."""
    small, large = (replace(s.drum, strike=replace(s.drum.strike, radius_sd=r)) for r in (0.02, 0.04))
    yield Trial(model.level(large, "front") - model.level(small, "front"))


def wide_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """Brightness with a striking face twice as wide, same push."""
    small, large = (replace(s.drum, strike=replace(s.drum.strike, radius_sd=r)) for r in (0.02, 0.04))
    yield Trial(model.brightness(large) - model.brightness(small))


def tight_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """Energy of the first 50 ms against the rest, batter tighter, same push."""
    yield Trial(model.figure(scaled(s.drum, batter=TIGHTER), "attack") - model.figure(s.drum, "attack"))


_FELT = f"felt beater of {1000 * FELT.mass:g} g at {FELT.speed:g} m/s"
_LEFT = "the felt of a real beater, its shaft, the pedal and the leg"
SAYINGS = (
    Saying("off-centre-overtones", "strokes", "Struck off centre the overtones come out.",
           f"partials with nodal diameters against the note at the seat, struck {OFF:g} against {NEAR:g} of the radius off centre",
           more(LEVEL_DB, "dB"), off_centre),
    Saying("heavier-is-louder", "strokes", "A heavier beater is louder.",
           f"{_FELT} against half again as heavy at the same speed: push at the note", more(LEVEL_DB, "dB"), heavier_louder,
           uses=("bass",), left_out=_LEFT),
    Saying("hard-has-attack", "strokes", "A hard beater has more attack than a felt one.",
           f"push at {CLICK_HZ:g} Hz against the push at the note, wood over felt", more(LEVEL_DB, "dB"), hard_attack,
           uses=("bass",), left_out=_LEFT + "; the click of the face itself"),
    Saying("contact-ten-ms", "strokes", "A bass drum beater stays on the head for about ten milliseconds.",
           f"contact time of a {_FELT}; as said from 7 to 14 ms", within(7.0, 14.0, "ms"), ten_ms, uses=("bass",),
           left_out=_LEFT + "; sticks on toms stay 3 to 6 ms (Wagner 2006, a thesis), no bass drum was measured"),
    Saying("slack-rebounds-less", "strokes", "A slack batter gives less rebound.",
           f"speed at which a {_FELT} comes back from a batter half as tight", less(FEEL_PERCENT, "% of the rebound"),
           slack_rebound, uses=("bass",), left_out=_LEFT + "; what a foot calls rebound may be the time it takes, not the speed"),
    Saying("large-face-louder", "strokes", "A beater with a large face is louder.",
           "level in front with a face twice as wide, the same push", more(LEVEL_DB, "dB"), wide_louder, uses=("bass",),
           left_out="that a larger beater is usually a heavier one"),
    Saying("large-face-attack", "strokes", "A large flat face has more attack.",
           "what lies above three times the note, face twice as wide, the same push", more(LEVEL_DB, "dB"), wide_attack,
           uses=("bass",), left_out="the click of a flat face, which closes on the film at once"),
    Saying("tight-batter-attack", "strokes", "A tighter batter has more attack.",
           f"energy of the first 50 ms against the rest, batter {TIGHTER:g} times tighter, the same push", more(LEVEL_DB, "dB"),
           tight_attack),
)
