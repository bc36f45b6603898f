"""A small kept story for the papers' tests: two states of one drum with readings, fits and a round of taps."""

from __future__ import annotations

from dataclasses import replace

from bothheads import wire
from bothheads.physics.forecast import forecast
from bothheads.records import (
    Alternative,
    Drum,
    DrumEntry,
    Fit,
    FitPair,
    Head,
    HeadFit,
    Muffling,
    Note,
    Partial,
    Reading,
    State,
    StrikeReading,
    Take,
    Tap,
    TapReading,
    Turn,
)
from bothheads.session.kept import Kept

FILM = Head(surface_density=0.35306, rods=8, tension=620.0, resistance=5.0)
DRUM = Drum("Dance-hall <bass> & drum", 0.508, 0.3556, FILM, replace(FILM, tension=470.0),
            muffling=(Muffling("strip", ("batter",), y=-0.1, width=0.06, mass=0.01, resistance=40.0),))


def state(number: int, shift: float) -> State:
    drum = DRUM.with_head("batter", tension=620.0 * shift)
    prediction = forecast(replace(drum, muffling=()))
    partials = tuple(
        Partial(p.frequency_hz * 1.001, 0.02, p.decay_s, 0.01 * p.decay_s, (p.level_db["seat"] - 115.0, None),
                (p.level_db["seat"] - 140.0, None), 3)
        for p in prediction.partials if p.level_db["seat"] > 70.0
    )
    f = prediction.note.frequency_hz or 0.0
    note = Note(f, 0.05, prediction.note.decay_s, prediction.note.t60_s, "E1+26")
    strikes = (StrikeReading(0.4, (-3.0, -9.0), 24.0), StrikeReading(2.4, (-6.0, -12.0), 11.0))
    reading = Reading(48000, ("seat", "front"), strikes, partials, note)
    fit = Fit(HeadFit(620.0 * shift, 9.0, 98.6), HeadFit(470.0, 8.0, 90.1), 0.97,
              (Alternative(HeadFit(470.0, 9.0), HeadFit(620.0, 9.0), 0.03),),
              (FitPair(f, f, 0.0, 0),), True, None)
    return State(1, number, f"2026-04-1{number}T19:30:00+00:00", drum, (Turn("batter", 0.25), Turn("resonant", -0.125, 3)),
                 wire.reading(reading), wire.fit(fit),
                 (Take(number, f"{number}" * 64, ("seat", "front"), 48000, 96000, "2026-04-11T19:31:00+00:00", "hall.wav"),),
                 "dance hall", "before <doors>", "the house", "felt, let off")


def kept(*, compare: bool = False) -> Kept:
    states = (state(1, 1.0), state(2, 1.15))
    taps = TapReading(tuple(Tap(i, 78.0 + 0.3 * (-1) ** i, 0.1, 0.8, ((78.0, 0.0),)) for i in range(1, 9)), 13.0, (77.6, 78.4))
    entry = DrumEntry(1, DRUM.name, DRUM, "", "2026-04-01T10:00:00+00:00", 2)
    made = [Kept(entry, s, states, forecast(replace(s.drum, muffling=())), None, {"batter": taps},
                 ({"happened_at": "2026-03-30", "head": "batter", "what": "fitted", "words": "10 mil, single ply"},),
                 (("state", b"RIFF0000WAVE"),)) for s in states]
    return replace(made[1], other=made[0]) if compare else made[1]
