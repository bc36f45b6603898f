"""A drum tuned in the model: both heads moved together until the note is the wished one."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log, pi, sqrt

from ..infer import ladder
from ..records import Drum, Note

TUNED = 3e-4  # ln f, half a cent
ROUNDS = 8


def note_alone(drum: Drum) -> Note:
    """The drum note with its decay, from the modes below about twice what the tighter film would do in a vacuum."""
    from ..physics.coupled import solve
    from ..physics.forecast import note_of

    return note_of(solve(drum, fmax_hz=highest(drum)))


def highest(drum: Drum) -> float:
    """Up to where modes are solved when only the note is asked [Hz]."""
    from ..physics.bessel import bessel_zeros
    from ..physics.coupled import default_fmax

    heads = [h for h in (drum.batter, drum.resonant) if h is not None and h.tension is not None]
    tightest = max((h.tension or 0.0) / h.surface_density for h in heads)
    alone = bessel_zeros(0, 1)[0] / (2 * pi * drum.radius) * sqrt(tightest)
    return float(min(max(1.8 * alone, 90.0), default_fmax(drum)))


def at_note(drum: Drum, hertz: float, *, ratio: float | None = None, note: Callable[[Drum], Note] = note_alone) -> Drum | None:
    """The drum with its note at ``hertz`` [Hz] to half a cent; None out of reach.

    ``ratio`` = (T/sigma of the resonant) / (T/sigma of the batter); None keeps the ratio that the drum has. ``note`` may
    be a version with a memory.
    """
    known = ladder.known_tensions(drum)
    assert known is not None
    batter, resonant = known
    if drum.resonant is not None and ratio is not None:
        resonant = ratio * batter * drum.resonant.surface_density / drum.batter.surface_density
    for _ in range(ROUNDS):
        at = ladder.with_tensions(drum, batter, resonant)
        now = note(at).frequency_hz
        if now is None or abs(step := log(hertz / now)) > 3.0:
            return None
        if abs(step) < TUNED:
            return at
        batter, resonant = batter * exp(2.05 * step), resonant * exp(2.05 * step)
    return None
