"""The note that the microphone did not hear, from the two heads that explain the partials it did hear."""

from __future__ import annotations

import math
from dataclasses import replace

from ..physics.coupled import is_mixed, solve
from ..physics.forecast import note_of
from ..records import Drum, Fit, HeadFit, Note, Partial
from ..units import note_name

ODDS = 0.75  # 3:1, of all explanations that give the same note together
SAME = 0.03  # relative: two explanations whose notes lie closer give the same note
HEARD = 0.025  # relative: a heard partial this near to the model's note is the note itself
_MODEL_SD = 0.008  # relative: the model's own error where no partial anchors it
_REACH = 1.15  # the lowest partial heard must lie this far above a note that is said to be below the reach


def note_from_heads(drum: Drum, fit: Fit, partials: tuple[Partial, ...]) -> Note | None:
    """The note [Hz] that explains what was heard, marked ``inferred`` unless a heard partial is that note.

    None where the fit is refused, where an opening or a pad mixes the orders (the lowest mode then depends on more than
    both tensions), where explanations with different notes stay within odds of 3:1, or where the note
    would lie among the heard partials without being one of them. Needs a drum with two heads and its size.
    """
    if fit.batter is None or fit.resonant is None or not partials or fit.refused is not None or is_mixed(drum):
        return None
    found = [(fit.odds, _note(drum, fit.batter, fit.resonant))]
    found += [(a.odds, _note(drum, a.batter, a.resonant)) for a in fit.alternatives if a.resonant is not None]
    total = sum(odds for odds, _ in found)
    main = found[0][1]
    if main is None or total <= 0.0:
        return None
    agree = sum(odds for odds, f in found if f is not None and abs(f / main - 1.0) < SAME) / total
    if agree < ODDS:
        return None
    own = min(partials, key=lambda p: abs(p.frequency_hz - main))
    if abs(own.frequency_hz / main - 1.0) < HEARD:
        return Note(own.frequency_hz, own.frequency_sd_hz, own.decay_s, own.t60_s, note_name(own.frequency_hz))
    lowest = min(p.frequency_hz for p in partials)
    if lowest < _REACH * main:
        return None
    return Note(main, main * math.hypot(_MODEL_SD, _spread(drum, fit, main)), None, None, note_name(main), inferred=True)


def _note(drum: Drum, batter: HeadFit, resonant: HeadFit | None) -> float | None:
    here = drum.with_head("batter", tension=batter.tension)
    if resonant is not None:
        here = here.with_head("resonant", tension=resonant.tension)
    # the note is the lowest mode of both films, far below these ends for any tension a head bears
    return note_of(solve(here, fmax_hz=500.0 if drum.diameter < 0.42 else 260.0)).frequency_hz


def _spread(drum: Drum, fit: Fit, f: float) -> float:
    """Relative standard deviation of the note from those of both tensions (0.5 of the mean's, the rest by a step)."""
    assert fit.batter is not None and fit.resonant is not None
    out = 0.0
    for name, head in (("batter", fit.batter), ("resonant", fit.resonant)):
        moved = replace(head, tension=head.tension * 1.02)
        pair = (moved, fit.resonant) if name == "batter" else (fit.batter, moved)
        g = _note(drum, *pair)
        slope = 0.25 if g is None else math.log(g / f) / math.log(1.02)
        out = math.hypot(out, slope * head.tension_sd / head.tension)
    return out
