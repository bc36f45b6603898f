"""How a setting takes an eighth of a turn on every rod of one head, and ten degrees: ratios of the model to itself.

What a turn adds is the prior of ``infer.turns`` (300 N/m a turn within a factor of 1.6, below a rigid hoop's bound) or what
the log's drums have taught. Temperature is ``physics.weather`` with a wooden rim, and the head gives way to the film's growth
as it does to the rods: a change of tension is the share turn / rigid bound of what a rigid mount would see, which is told
as the bound it is. Muffling and openings enter by their mean round the axis, which is good enough for a ratio.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from ..constants import ASSUMED_RESISTANCE_FACTOR, TENSION_PER_TURN
from ..physics.hoop import slope_bound
from ..records import HEADS, Drum, HeadName
from ..units import cents
from .design import densities

Array = NDArray[np.float64]

WARMER_C = 10.0
ROOM_C = 20.0


@dataclass(frozen=True)
class Change:
    """What something does to the note [cents], the tail and the batter's answer [per cent]."""

    note_cents: float
    tail_percent: float
    response_percent: float


@dataclass(frozen=True)
class Robust:
    """An eighth tighter and looser on either head, ten degrees either way; None where a head would go slack."""

    batter_eighth: tuple[Change | None, Change | None]  # tighter, looser
    resonant_eighth: tuple[Change | None, Change | None]
    warmer: Change | None
    colder: Change | None
    rigid_cents: tuple[float | None, float | None]  # the note ten degrees warmer, colder, if no hoop or collar gave way
    tail_low: float  # factor on the tail with the assumed loss a standard deviation up
    tail_high: float
    words: tuple[str, ...]


def per_turn(drum: Drum, head: HeadName, slope: float | None = None) -> float:
    """Tension [N/m] that one turn of every rod adds: ``slope``, or the prior's centre, below a rigid hoop's bound."""
    return _felt(drum, head, slope) * slope_bound(drum.head(head).surface_density, drum.radius)


def _felt(drum: Drum, head: HeadName, slope: float | None) -> float:
    from ..physics.weather import share_felt

    return share_felt(drum.head(head).surface_density, drum.radius, per_turn=slope or TENSION_PER_TURN)


def _state(drum: Drum) -> list[float]:
    assert drum.resonant is not None and drum.batter.tension and drum.resonant.tension
    return [drum.batter.tension, drum.resonant.tension, *densities(drum), drum.batter.resistance_used,
            drum.resonant.resistance_used, drum.batter.stiffness_loss_used]


def _note(drum: Drum, rows: Array) -> tuple[Array, Array]:
    """ln of the note's frequency and of its decay time, states (n,)."""
    from ..physics.batch import BatchDrum

    modes = BatchDrum(replace(drum, floor=None, microphones=()), counts=(2,)).modes(rows, rounds=3)
    return np.log(modes.s[:, 0].imag), -np.log(np.maximum(-modes.s[:, 0].real, 1e-4))


def robust(drum: Drum, *, slope: float | None = None) -> Robust:
    """How ``drum`` (tensions known, two heads) takes turning and weather; ``slope`` [N/m per turn] where it is known."""
    base = _state(drum)
    rows, kept = [base], []
    for i, head in enumerate(HEADS):
        for sign in (1.0, -1.0):
            row = base.copy()
            row[i] += sign * per_turn(drum, head, slope) / 8.0
            kept.append(row[i] > 0.2 * base[i])
            rows.append(row if kept[-1] else base)
    assumed = [drum.batter.resistance is None, drum.resonant is not None and drum.resonant.resistance is None]
    for factor in (ASSUMED_RESISTANCE_FACTOR, 1.0 / ASSUMED_RESISTANCE_FACTOR):
        row = base.copy()
        for i in (0, 1):
            row[4 + i] *= factor if assumed[i] else 1.0
        rows.append(row)
    pitch, decay = _note(drum, np.array(rows))
    changes: list[Change | None] = []
    for k, ok in enumerate(kept, 1):
        quicker = -0.5 * log(rows[k][0] / base[0])
        changes.append(_change(pitch[k] - pitch[0], decay[k] - decay[0], quicker) if ok else None)
    warm, cold = (_weather(drum, sign * WARMER_C, slope) for sign in (1.0, -1.0))
    rigid = [c.note_cents if (c := _weather(drum, sign * WARMER_C, None, rigid=True)) else None for sign in (1.0, -1.0)]
    low, high = exp(decay[5] - decay[0]), exp(decay[6] - decay[0])
    return Robust((changes[0], changes[1]), (changes[2], changes[3]), warm, cold, (rigid[0], rigid[1]),
                  low, high, tuple(_words(changes, warm, cold, rigid[0])))


def _change(pitch: float, decay: float, response: float) -> Change:
    return Change(cents(exp(pitch), 1.0), 100.0 * (exp(decay) - 1.0), 100.0 * (exp(response) - 1.0))


def _weather(drum: Drum, warmer: float, slope: float | None, *, rigid: bool = False) -> Change | None:
    from ..physics.air import with_properties
    from ..physics.weather import tension_slope

    still, moved = (replace(drum, air=with_properties(replace(drum.air, temperature_c=ROOM_C + by))) for by in (0.0, warmer))
    for head in HEADS:
        film, share = drum.head(head), 1.0 if rigid else _felt(drum, head, slope)
        tension = (film.tension or 0.0) + share * warmer * tension_slope(film.surface_density)
        if tension <= 0.2 * (film.tension or 0.0):
            return None
        moved = moved.with_head(head, tension=tension)
    (p0,), (d0,) = _note(still, np.array([_state(still)]))
    (p1,), (d1,) = _note(moved, np.array([_state(moved)]))
    return _change(p1 - p0, d1 - d0, -0.5 * log((moved.batter.tension or 1.0) / (drum.batter.tension or 1.0)))


def _words(changes: list[Change | None], warm: Change | None, cold: Change | None, rigid: float | None) -> list[str]:
    out = []
    for name, tighter, looser in (("batter", changes[0], changes[1]), ("resonant", changes[2], changes[3])):
        if tighter is None or looser is None:
            out.append(f"an eighth looser on every rod of the {name} head would leave it slack")
            continue
        out.append(f"an eighth of a turn on every rod of the {name} head: note {tighter.note_cents:+.0f} / "
                   f"{looser.note_cents:+.0f} cents, tail {_percent(tighter)} / {_percent(looser)}")
    for way, change in (("warmer", warm), ("colder", cold)):
        out.append(f"ten degrees {way}: the heads would hang slack" if change is None else
                   f"ten degrees {way}: note {change.note_cents:+.0f} cents, tail {_percent(change)}")
    out[-2] += " (slack, if hoop and collar gave way nowhere)" if rigid is None else \
        f" (up to {rigid:+.0f} if hoop and collar gave way nowhere)"
    worst = max((abs(c.note_cents) for c in [*changes, warm, cold] if c is not None), default=0.0)
    out.append("touchy: one of these moves the note by a semitone or more" if worst > 100.0 else
               "steady: none of these moves the note by a quarter tone" if worst < 50.0 else
               "middling: one of these moves the note by a quarter tone or more")
    return out


def _percent(change: Change) -> str:
    return f"{change.tail_percent + 0.0:+.0f} %" if abs(change.tail_percent) >= 0.5 else "as it is"
