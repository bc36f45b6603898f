"""All that is said of a setting once it is chosen: tone, attack, head pitches, feel, and how it takes turns and weather."""

from __future__ import annotations

from dataclasses import dataclass
from math import log10

import numpy as np

from ..records import Feel
from .design import Figures
from .robust import Robust, robust
from .sheet import early_late


@dataclass(frozen=True)
class Portrait:
    """``tone_db``: the note's share of the energy; ``attack_db``: energy before 50 ms over the rest; both at the four places."""

    tone_db: float | None
    attack_db: float | None
    head_pitch_hz: dict[str, float]
    feel: Feel
    robust: Robust


def portrait(figures: Figures, *, slope: float | None = None) -> Portrait:
    """The portrait of a drum whose figures are known; ``slope`` [N/m per turn] where it is known."""
    from ..physics.coupled import default_fmax, solve
    from ..physics.feel import contact_of, feel_of, rests_on_hz
    from ..physics.forecast import own_modes
    from ..physics.response import heard

    drum = figures.drum
    top = default_fmax(drum)
    wide = rests_on_hz(drum)
    modes = figures.modes if wide == top else solve(drum, fmax_hz=wide)
    pressures = heard(modes, drum.strike, drum.places)
    power = np.where(modes.frequency_hz <= top, (np.abs(pressures) ** 2).mean(1), 0.0)
    early, late = early_late(power, modes.decay_s)
    whole, first = float((early + late).sum()), float(early.sum())
    tone = attack = None
    if whole > 0.0 and len(modes):
        tone = 10.0 * log10(max(float((early + late)[int(np.argmax(modes.same_sense))]), 1e-30) / whole)
        attack = 10.0 * log10(max(first, 1e-30) / max(whole - first, 1e-30))
    own = own_modes(drum, top)
    pitches = {name: hz for name, rows in own.items() if (hz := next((f for f, text in rows if text == "(0,1)"), None))}
    return Portrait(tone, attack, pitches, feel_of(drum, contact_of(modes, fmax_hz=wide)), robust(drum, slope=slope))


def room_words(sides: tuple[float, float, float], note_hz: float, *, speed: float = 343.2, near: float = 0.04) -> list[str]:
    """Where the note falls among a rigid box's lowest modes f = c/2 sqrt((p/L)^2 + (q/W)^2 + (r/H)^2) [Hz]."""
    p, q, r = (x.ravel() for x in np.meshgrid(*[np.arange(5)] * 3, indexing="ij"))
    each = speed / 2.0 * np.sqrt((p / sides[0]) ** 2 + (q / sides[1]) ** 2 + (r / sides[2]) ** 2)
    modes = np.unique(np.round(each[each > 1.0], 1))
    lowest, nearest = float(modes[0]), float(modes[np.argmin(np.abs(np.log(modes / note_hz)))])
    if note_hz < 0.9 * lowest:
        return [f"the note lies below this room's lowest mode of its own ({lowest:.0f} Hz): the room does not carry it"]
    if abs(nearest / note_hz - 1.0) < near:
        return [f"the note falls on the room's own {nearest:.0f} Hz: it booms in the corners and is weak at that mode's middle"]
    return [f"the room's own modes nearest to the note are at {nearest:.0f} Hz (rigid walls; the lowest at {lowest:.0f} Hz)"]
