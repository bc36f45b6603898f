"""Diameter by depth: note, tail, contact, roundness over sizes, at one note or at one tension per film mass.

Both heads carry the same film and the same tension; losses are the assumed ones (a prior, not measured), the drum is
closed and unmuffled in the free field. At one note every size is tuned to it; at one tension every size has it.
Contact is a bass drum beater's: a stick on a tom touches more than once in the model, so that its time jumps from size to
size and makes no map.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import cos, pi, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .. import units
from ..errors import InputError
from ..records import Drum, Head, Microphone
from .safety import film_bounds
from .sheet import exact_model
from .tuning import at_note

Array = NDArray[np.float64]
Use = Literal["bass", "tom"]
Progress = Callable[[int, int], None]

DIAMETERS: dict[str, tuple[float, ...]] = {"bass": tuple(range(16, 29)), "tom": tuple(range(8, 19))}
DEPTHS: dict[str, tuple[float, ...]] = {"bass": tuple(range(8, 23, 2)), "tom": tuple(range(6, 19, 2))}
NOTES = {"bass": (20.0, 150.0), "tom": (40.0, 400.0)}  # Hz that may be asked for
TENSIONS = (100.0, 8000.0)  # N/m that may be asked for
RING_M, RING = 1.5, 8  # places of the roundness map: level with the axis, turned so that none lies on a nodal line
UNITS = {"note": "Hz", "tension": "N/m", "tail": "s", "contact": "ms", "roundness": "dB"}
WORDS = {
    "note": "drum note", "tension": "tension of both heads", "tail": "time for the note to fall 60 dB",
    "contact": "contact time of a felt beater",
    "roundness": f"difference of levels between {RING} places {RING_M:g} m round the drum, 0 = the same everywhere",
}


@dataclass(frozen=True, eq=False)
class Maps:
    """Figures over sizes. ``values[name]`` is (depths, diameters), nan out of reach; names as in ``UNITS``."""

    use: Use
    fixed: Literal["note", "tension"]
    value: float  # Hz or N/m
    film_mil: float
    diameters_in: tuple[float, ...]
    depths_in: tuple[float, ...]
    values: dict[str, Array]
    slack: NDArray[np.bool_]  # the films would lie below their creases
    tight: NDArray[np.bool_]  # ... above their working stress

    def at(self, name: str, diameter_in: float, depth_in: float) -> float:
        """Figure at one size, linear between the sizes that were solved."""
        columns = np.array([np.interp(diameter_in, self.diameters_in, row) for row in self.values[name]])
        return float(np.interp(depth_in, self.depths_in, columns))


def maps(*, use: Use = "bass", note_hz: float | None = None, tension: float | None = None, film_mil: float = 10.0,
         diameters_in: Sequence[float] | None = None, depths_in: Sequence[float] | None = None,
         progress: Progress | None = None) -> Maps:
    """Maps at ``note_hz`` [Hz] or at ``tension`` [N/m] on both heads; exactly one of them.

    Raises
    ------
    InputError
        Both or neither given, or a value outside what a drum can have.
    """
    if use not in DIAMETERS:
        raise InputError(f"'{use}' has no maps: say bass or tom.")
    if (note_hz is None) == (tension is None):
        raise InputError("maps are drawn at one note or at one tension: give --note 50Hz or --tension 600.")
    if note_hz is not None and not NOTES[use][0] <= note_hz <= NOTES[use][1]:
        raise InputError(f"{note_hz:g} Hz is no note for a map of {use} drums: give {NOTES[use][0]:g} to {NOTES[use][1]:g} Hz.")
    if tension is not None and not TENSIONS[0] <= tension <= TENSIONS[1]:
        raise InputError(f"{tension:g} N/m is no tension for a map: give {TENSIONS[0]:g} to {TENSIONS[1]:g} N/m.")
    if not 2.0 <= film_mil <= 30.0:
        raise InputError(f"{film_mil:g} mil is no film for a map: give 2 to 30 mil.")
    across, deep = tuple(diameters_in or DIAMETERS[use]), tuple(depths_in or DEPTHS[use])
    if len(across) < 2 or len(deep) < 2:
        raise InputError("a map needs two diameters and two depths or more.")
    values = {name: np.full((len(deep), len(across)), np.nan) for name in UNITS if name != "contact" or use == "bass"}
    for i, depth in enumerate(deep):
        for j, diameter in enumerate(across):
            found = _figures(_drum(use, diameter, depth, film_mil, tension), use, note_hz)
            for name, value in found.items():
                values[name][i, j] = value
            if progress is not None:
                progress(i * len(across) + j + 1, len(deep) * len(across))
    low, high = film_bounds(units.surface_density_from_mil(film_mil))
    with np.errstate(invalid="ignore"):
        slack, tight = values["tension"] < low, values["tension"] > high
    return Maps(use, "note" if note_hz is not None else "tension", float(note_hz or tension or 0.0), film_mil, across, deep,
                values, slack, tight)


def _drum(use: Use, diameter: float, depth: float, film_mil: float, tension: float | None) -> Drum:
    head = Head(units.surface_density_from_mil(film_mil), tension=tension or (600.0 if use == "bass" else 1500.0))
    return Drum(f"{diameter:g} x {depth:g}", units.metres_from_inches(diameter), units.metres_from_inches(depth), head, head)


def _figures(drum: Drum, use: Use, note_hz: float | None) -> dict[str, float]:
    """The five figures of one size, tuned to the note where there is one; empty out of reach."""
    from ..physics.feel import ENOUGH_HZ, contact_with

    tuned = drum if note_hz is None else at_note(drum, note_hz)
    if tuned is None:
        return {}
    prediction = exact_model(replace(tuned, microphones=ring(tuned)))
    figures = {
        "note": prediction.note.frequency_hz, "tension": tuned.batter.tension, "tail": prediction.note.t60_s,
        "roundness": prediction.roundness_db,
        "contact": 1e3 * contact_with(tuned, fmax_hz=ENOUGH_HZ).contact_s if use == "bass" else None,
    }
    return {name: float(value) for name, value in figures.items() if value is not None}


def ring(drum: Drum) -> tuple[Microphone, ...]:
    """The places of the roundness map, half a step off the axis."""
    angles = [2 * pi * (i + 0.5) / RING for i in range(RING)]
    return tuple(Microphone(f"{i + 1}", RING_M * sin(a), 0.0, drum.depth / 2 + RING_M * cos(a)) for i, a in enumerate(angles))
