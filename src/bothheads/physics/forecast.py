"""The forecast: every partial of a strike with its decay and its level at every place, before a rod is touched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..constants import LN_1000
from ..records import HEADS, Drum, Feel, HeadName, ModelPartial, Note, Prediction
from ..roundness import roundness_db
from ..units import note_name
from .coupled import build, decades, default_fmax, solve, solve_round
from .membrane import Array
from .response import heard
from .system import DEFAULT, ModeSet, Options, System

WEAKEST_DB = 60.0  # partials weaker than this below the loudest at every microphone are left out
OWN_ORDERS = 5  # orders of a head's own modes that are listed
SAFE_NAME = 0.6  # share of one film function above which a mode carries its name


def forecast(drum: Drum, *, fmax_hz: float | None = None, options: Options = DEFAULT) -> Prediction:
    """All partials of ``drum`` to ``fmax_hz`` (default 300 Hz, 600 Hz under 18 in) within 60 dB of the loudest.

    ``level_db`` is the peak amplitude at the end of the push in dB re 20 uPa at each of ``drum.places``.

    Raises
    ------
    InputError
        When a tension is not known, in one sentence that names the head.
    """
    top = default_fmax(drum) if fmax_hz is None else fmax_hz
    modes = solve(drum, fmax_hz=top, options=options)
    levels = _levels(modes)
    loudest = levels.max(initial=-400.0)
    heard = np.nonzero(levels.max(1, initial=-400.0) > loudest - WEAKEST_DB)[0]
    shares = batter_share(modes)
    names = [place.name for place in drum.places]
    partials = tuple(
        ModelPartial(
            frequency_hz=float(modes.frequency_hz[i]), decay_s=float(min(modes.decay_s[i], 1e9)),
            m=int(modes.order[i]) if modes.order[i] >= 0 else None,
            level_db=dict(zip(names, map(float, levels[i]), strict=True)),
            share_batter=float(shares[i]), label=label(modes, int(i)),
        )
        for i in heard
    )
    own = own_modes(drum, top, options)
    pitches = {name: first for name, rows in own.items() if (first := _named(rows, "(0,1)")) is not None}
    return Prediction(
        partials=partials, note=note_of(modes),
        feel=Feel(air_round_trip_ms=2e3 * drum.depth / drum.air.speed_of_sound),
        head_pitch_hz=pitches, own_modes=own, roundness_db=roundness_db(levels), warnings=warnings_of(drum),
    )


def _levels(modes: ModeSet) -> Array:
    places = modes.drum.places
    p = np.abs(heard(modes, modes.drum.strike, places))
    return np.array([[decades(v) for v in row] for row in p]).reshape(len(modes), len(places))


def batter_share(modes: ModeSet) -> Array:
    """Part [0-1] of each mode's pitch that the batter's tension owns: dln f/dln Tb over its sum with dln f/dln Tr."""
    slopes = modes.slopes()[:, :2].imag
    total = slopes.sum(1)
    return np.clip(np.where(np.abs(total) > 0, slopes[:, 0] / np.where(total == 0, 1.0, total), 0.5), 0.0, 1.0)


def label(modes: ModeSet, index: int) -> str | None:
    """'(m,n)' where one film function carries most of the motion of both heads, else None."""
    if modes.mixture is not None:
        return None
    n = modes.system.films
    motion = np.abs(modes.vectors[index]) ** 2
    each = motion[:n] + motion[n:] if modes.drum.resonant is not None else motion[:n]
    best = int(np.argmax(each))
    return f"({modes.order[index]},{best + 1})" if each[best] > SAFE_NAME * each.sum() else None


def note_of(modes: ModeSet) -> Note:
    """The drum note: the partial with the largest share of both films moving together as (0,1)."""
    if not len(modes):
        return Note(refused="no mode below the highest frequency asked for")
    i = int(np.argmax(modes.same_sense))
    f, tau = float(modes.frequency_hz[i]), float(min(modes.decay_s[i], 1e9))
    return Note(frequency_hz=f, decay_s=tau, t60_s=LN_1000 * tau, name=note_name(f))


def own_modes(drum: Drum, fmax_hz: float, options: Options = DEFAULT) -> dict[str, tuple[tuple[float, str], ...]]:
    """Each head's own modes (Hz, '(m,n)'), m = 0..4, the other head held still; openings and pads left out."""
    system = build(drum, fmax_hz, replace(options, orders=OWN_ORDERS))
    out: dict[str, tuple[tuple[float, str], ...]] = {}
    for name in HEADS:
        if name == "resonant" and drum.resonant is None:
            continue
        modes = _alone(system, name, fmax_hz)
        motion = np.abs(modes.vectors) ** 2
        n = system.films
        part = motion[:, :n] if name == "batter" else motion[:, n:]
        rows = []
        for m in range(OWN_ORDERS):
            for count, j in enumerate(np.nonzero(modes.order == m)[0], 1):
                rows.append((float(modes.frequency_hz[j]), f"({m},{count})", float(part[j].sum())))
        out[name] = tuple((f, text) for f, text, _ in sorted(rows))
    return out


def _alone(system: System, name: HeadName, fmax_hz: float) -> ModeSet:
    """Modes of one head; the other is held still, or, where there is none, the shell is open."""
    if system.drum.resonant is None:
        return solve_round(system, fmax_hz)
    return solve_round(system, fmax_hz, held="resonant" if name == "batter" else "batter")


def _named(rows: tuple[tuple[float, str], ...], name: str) -> float | None:
    return next((f for f, text in rows if text == name), None)


def warnings_of(drum: Drum) -> tuple[str, ...]:
    """What a forecast of this drum has to say beside its figures."""
    out = [
        f"loss assumed on the {name} head" for name in HEADS
        if (name == "batter" or drum.resonant is not None) and drum.head(name).resistance is None
    ]
    if drum.wires_on:
        out.append("wires on: the forecast is for the drum with its wires off")
    return tuple(out)


