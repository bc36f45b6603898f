"""What the sayings ask of the physics, every answer kept: note, forecast, contact, a drum at a wished note."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import replace
from math import exp, log10
from typing import TypeVar

import numpy as np

from ...infer import ladder
from ...physics.beater import FELT, Beater, Contact
from ...physics.feel import ENOUGH_HZ, contact_with
from ...physics.forecast import forecast
from ...physics.stretch import forecast_glide
from ...records import Drum, Note, Prediction
from ..sheet import EARLY_S, figures
from ..tuning import at_note, note_alone
from ..wish import FIGURES

Kept = TypeVar("Kept")
ABOVE = 3.0  # times the note: what lies higher counts as brightness
RING_DB = 30.0


class Model:
    """The physical model with a memory; a new one for every run, so that nothing outlives a change of the physics."""

    def __init__(self) -> None:
        self._kept: dict[Hashable, object] = {}

    def once(self, key: Hashable, make: Callable[[], Kept]) -> Kept:
        """What ``make`` gives, made once a run."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]  # type: ignore[return-value]

    def note(self, drum: Drum) -> Note:
        """The drum note with its decay, from the modes below about twice what the tighter film would do in a vacuum."""
        return self.once(("note", drum), lambda: note_alone(drum))

    def hertz(self, drum: Drum) -> float:
        """The drum note [Hz]."""
        return self.note(drum).frequency_hz or float("nan")

    def tail(self, drum: Drum) -> float:
        """The note's time to fall 60 dB [s]."""
        return self.note(drum).t60_s or float("nan")

    def forecast(self, drum: Drum) -> Prediction:
        """All partials with their levels at the drum's places."""
        return self.once(("forecast", drum), lambda: forecast(drum))

    def figure(self, drum: Drum, name: str) -> float:
        """One of ``wish.FIGURES``: tone [dB], attack [dB], roundness [dB] and so on."""
        found = self.once(("figures", drum), lambda: figures(drum, self.forecast(drum)))
        return float(found[FIGURES.index(name)])

    def contact(self, drum: Drum, beater: Beater = FELT) -> Contact:
        """First contact of a beater."""
        return self.once(("contact", drum, beater), lambda: contact_with(drum, beater=beater, fmax_hz=ENOUGH_HZ))

    def glide(self, drum: Drum) -> float:
        """Start minus rest [cents] of the lowest credible partial."""
        return self.once(("glide", drum), lambda: forecast_glide(drum)) or 0.0

    def at_note(self, drum: Drum, hertz: float, *, ratio: float | None = None) -> Drum | None:
        """The drum with its note at ``hertz`` [Hz]; None out of reach.

        ``ratio`` = (T/sigma of the resonant) / (T/sigma of the batter); None keeps the ratio that the drum has.
        """
        return at_note(drum, hertz, ratio=ratio, note=self.note)

    def level(self, drum: Drum, place: str) -> float:
        """Level [dB] of all partials together at one place at the end of the push (powers added)."""
        return 10.0 * log10(sum(10.0 ** (p.level_db[place] / 10.0) for p in self.forecast(drum).partials))

    def note_level(self, drum: Drum, place: str) -> float:
        """Level [dB] of the note at one place at the end of the push."""
        prediction = self.forecast(drum)
        note = prediction.note.frequency_hz or 0.0
        return min(prediction.partials, key=lambda p: abs(p.frequency_hz - note)).level_db[place]

    def ring(self, drum: Drum, place: str = "front") -> float:
        """Time [s] in which all partials together fall 30 dB at a place: what an ear calls how long it rings."""
        parts = self.forecast(drum).partials
        power = np.array([10.0 ** (p.level_db[place] / 10.0) for p in parts])
        rate = np.array([2.0 / p.decay_s for p in parts])
        low, high, target = 0.0, 60.0, power.sum() * 10.0 ** (-RING_DB / 10.0)
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if float(power @ np.exp(-rate * middle)) > target else (low, middle)
        return high

    def early(self, drum: Drum, place: str = "front") -> float:
        """Level [dB] of the energy of the first 50 ms after the push at a place (re 1 s at 20 uPa)."""
        parts = self.forecast(drum).partials
        energy = [10.0 ** (p.level_db[place] / 10.0) * p.decay_s / 2.0 * (1.0 - exp(-2.0 * EARLY_S / p.decay_s)) for p in parts]
        return 10.0 * log10(max(sum(energy), 1e-30))

    def overtones(self, drum: Drum, place: str = "seat") -> float:
        """Level [dB] of all partials with nodal diameters against the note at a place, end of the push; round drums only."""
        parts = self.forecast(drum).partials
        power = sum(10.0 ** (p.level_db[place] / 10.0) for p in parts if p.m)
        return 10.0 * log10(max(power, 1e-30)) - self.note_level(drum, place)

    def brightness(self, drum: Drum) -> float:
        """Level [dB] of what lies above three times the note against the rest, mean power over the places."""
        prediction = self.forecast(drum)
        above = ABOVE * (prediction.note.frequency_hz or 0.0)
        power = [(p.frequency_hz > above, float(np.mean([10.0 ** (v / 10.0) for v in p.level_db.values()])))
                 for p in prediction.partials]
        high, low = (sum(v for up, v in power if up == side) for side in (True, False))
        return 10.0 * log10(max(high, 1e-30) / max(low, 1e-30))


def percent(now: float, before: float) -> float:
    """Change from ``before`` to ``now`` [%]."""
    return 100.0 * (now / before - 1.0)


def scaled(drum: Drum, *, batter: float = 1.0, resonant: float = 1.0) -> Drum:
    """The drum with its tensions multiplied."""
    known = ladder.known_tensions(drum)
    assert known is not None
    return ladder.with_tensions(drum, known[0] * batter, known[1] * resonant)


def resized(drum: Drum, *, diameter: float | None = None, depth: float | None = None) -> Drum:
    """The drum with another size [m], all else alike."""
    return replace(drum, diameter=diameter or drum.diameter, depth=depth or drum.depth)
