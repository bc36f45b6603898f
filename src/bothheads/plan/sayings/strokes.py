"""Sayings about beaters, strokes and the feel under the foot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import log10, pi

import numpy as np

from ...physics.beater import FELT, WOOD, Beater
from ...physics.response import push
from ...records import Drum
from .drums import Specimen
from .model import Model, percent, scaled
from .record import FEEL_PERCENT, LEVEL_DB, Saying, Trial, less, more, within

CLICK_HZ = 400.0  # where the drives of two beaters are compared; higher the felt's is next to nothing
NEAR, OFF = 0.1, 0.4  # of the radius
TIGHTER = 1.5


def _struck(drum: Drum, share: float) -> Drum:
    return replace(drum, strike=replace(drum.strike, x=0.0, y=share * drum.radius))


def off_centre(model: Model, s: Specimen) -> Iterator[Trial]:
    """Partials with nodal diameters against the note at the seat, struck off centre against near the middle."""
    yield Trial(model.overtones(_struck(s.drum, OFF)) - model.overtones(_struck(s.drum, NEAR)))


def stroke_power(model: Model, drum: Drum, beater: Beater) -> list[tuple[float, float]]:
    """(frequency [Hz], power in front) of every partial when ``beater`` strikes instead of the drum file's push.

    A partial's drive is the force's transform at its pole, int F exp(-s t) dt, in place of the push's own.
    """
    contact = model.contact(drum, beater)
    t = np.arange(len(contact.force)) * contact.step_s
    out = []
    for p in model.forecast(drum).partials:
        s = complex(-1.0 / p.decay_s, 2 * pi * p.frequency_hz)
        pushed = push(np.array([s]), drum.strike)[0] * np.exp(-s * drum.strike.duration)
        struck = np.sum(contact.force * np.exp(-s * t)) * contact.step_s
        out.append((p.frequency_hz, 10.0 ** (p.level_db["front"] / 10.0) * float(abs(struck / pushed)) ** 2))
    return out


def heavier_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level in front, a beater half again as heavy at the same speed."""
    heavy, usual = (sum(v for _, v in stroke_power(model, s.drum, b)) for b in (replace(FELT, mass=1.5 * FELT.mass), FELT))
    yield Trial(10.0 * log10(heavy / usual))


def faster_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level in front, the beater half again as fast."""
    fast, usual = (sum(v for _, v in stroke_power(model, s.drum, b)) for b in (replace(FELT, speed=1.5 * FELT.speed), FELT))
    yield Trial(10.0 * log10(fast / usual))


def hard_attack(model: Model, s: Specimen) -> Iterator[Trial]:
    """Drive at 400 Hz against the drive at the note, wood over felt."""
    def balance(beater: Beater) -> float:
        contact = model.contact(s.drum, beater)
        t = np.arange(len(contact.force)) * contact.step_s
        high, low = (abs(np.sum(contact.force * np.exp(-2j * pi * f * t))) for f in (CLICK_HZ, s.note_hz))
        return float(20.0 * np.log10(high / low))
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
           f"{_FELT} against half again as heavy at the same speed: level of all partials in front", more(LEVEL_DB, "dB"),
           heavier_louder, uses=("bass",), left_out=_LEFT),
    Saying("faster-is-louder", "strokes", "A faster stroke is louder.",
           f"{_FELT} against half again as fast: level of all partials in front", more(LEVEL_DB, "dB"), faster_louder,
           uses=("bass",), left_out=_LEFT + "; the stiffening of heads under hard strokes"),
    Saying("hard-has-attack", "strokes", "A hard beater has more attack than a felt one.",
           f"how strongly the force drives {CLICK_HZ:g} Hz against the note, wood over felt", more(LEVEL_DB, "dB"), hard_attack,
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
