"""Which size, depth, heads, opening and muffling for a job, by what the model says of each, and what it cannot say.

Every option is tuned in the model (both heads to one pitch) until its note is the wished one, then judged by
figures a person named: tail, level in front, roundness, feel, what fits the car. Nothing here was played.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log
from typing import Any

import numpy as np

from .. import units
from ..constants import LN_1000
from ..drumfile import changed
from ..errors import BothheadsError, InputError
from ..infer import ladder
from ..records import Drum, Head, Muffling, Opening, Prediction
from .kit import good_range
from .safety import film_bounds
from .sheet import exact_model, figures
from .wish import FIGURES, parse_note

_JOB_KEYS = {
    "use": "'bass' or 'tom'", "note": "a note or Hz", "tail_s": "seconds", "diameters_in": "a list of inches",
    "depths_in": "a list of inches", "films_mil": "a list of mil", "largest_in": "inches that fit the car",
    "unamplified": "true or false", "round": "true or false", "opening": "true or false", "quick": "true or false",
}
_BASS = ((18, 20, 22, 24, 26), (12, 14, 16, 18))
_TOM = ((10, 12, 13, 14, 16, 18), (8, 10, 12, 14, 16))
NOT_TESTED = (
    "wood, shell thickness and bearing edges", "beater or stick and who plays", "the room and the microphones",
    "weight and looks", "how the film's own damping differs from maker to maker",
)
KEPT = 6  # options returned


@dataclass(frozen=True)
class Option:
    """One drum for the job: lower ``cost`` is better; ``reasons`` for and ``against`` in words."""

    drum: Drum
    cost: float
    note_hz: float
    tail_s: float
    tension: float  # N/m, both heads to one pitch
    figures: dict[str, float]
    reasons: tuple[str, ...]
    against: tuple[str, ...]


@dataclass(frozen=True)
class Choice:
    """Ranked options, best first, what was assumed and what was not tested."""

    options: tuple[Option, ...]
    assumed: tuple[str, ...]
    not_tested: tuple[str, ...]


def _checked(job: Mapping[str, Any]) -> dict[str, Any]:
    unknown = sorted(set(job) - set(_JOB_KEYS))
    if unknown:
        known = ", ".join(f"{k} ({v})" for k, v in _JOB_KEYS.items())
        raise InputError(f"'{unknown[0]}' is not part of a job: use {known}.")
    out = dict(job)
    if out.get("use", "bass") not in ("bass", "tom"):
        raise InputError("use must be 'bass' or 'tom'.")
    for key in ("tail_s", "largest_in"):
        if key in out and not (isinstance(out[key], int | float) and 0.05 <= out[key] <= 60):
            raise InputError(f"{key} must be a number from 0.05 to 60.")
    return out


def _sizes(job: Mapping[str, Any]) -> list[tuple[float, float]]:
    diameters, depths = _BASS if job.get("use", "bass") == "bass" else _TOM
    diameters, depths = job.get("diameters_in", diameters), job.get("depths_in", depths)
    largest = job.get("largest_in", 60)
    found = [(float(d), float(h)) for d in diameters for h in depths if d <= largest and 0.35 <= h / d <= 1.1]
    if not found:
        raise InputError("no size is left: widen diameters_in, depths_in or largest_in.")
    return found


def tuned(drum: Drum, note_hz: float) -> Drum | None:
    """The drum with both heads at one pitch (T / sigma alike) so that its note is ``note_hz``; None out of reach.

    Newton in ln T with the exact slope of the note; the bounds are the film's own.
    """
    low, high = film_bounds(drum.batter.surface_density)
    ratio = 1.0 if drum.resonant is None else drum.resonant.surface_density / drum.batter.surface_density
    tension = 600.0 * drum.batter.surface_density / 0.353
    for _ in range(6):
        at = ladder.with_tensions(drum, tension, tension * ratio)
        from ..physics.coupled import default_fmax, solve
        from ..physics.forecast import note_of

        now = note_of(solve(at, fmax_hz=max(2.5 * note_hz, 0.5 * default_fmax(drum)))).frequency_hz
        if now is None:
            return None
        step = log(note_hz / now)
        if abs(step) < 2e-4:
            break
        tension *= exp(2.05 * step)
        if not 0.3 * low < tension < 3.0 * high:
            return None
    return ladder.with_tensions(drum, tension, tension * ratio)


def _judge(drum: Drum, prediction: Prediction, job: Mapping[str, Any], note_hz: float) -> Option | None:
    note = prediction.note
    if note.frequency_hz is None or note.decay_s is None:
        return None
    tail = LN_1000 * note.decay_s
    values = dict(zip(FIGURES, map(float, figures(drum, prediction)), strict=True))
    mine = min(prediction.partials, key=lambda p: abs(p.frequency_hz - (note.frequency_hz or 0.0)))
    values["front_db"] = float(mine.level_db.get("front", max(mine.level_db.values(), default=-200.0)))
    cost, reasons, against = 0.0, [], []
    low, high = film_bounds(drum.batter.surface_density)
    tension = drum.batter.tension or 0.0
    size = f"{units.inches_from_metres(drum.diameter):.0f} x {units.inches_from_metres(drum.depth):.0f} in"
    reasons.append(f"{size} (diameter x depth) at {note.frequency_hz:.1f} Hz takes {tension:.0f} N/m")
    if tension < 1.2 * low:
        cost += 4.0 + 10.0 * max(log(1.2 * low / max(tension, 1.0)), 0.0)
        against.append("the note needs film near or below its creases")
    if tension > 0.8 * high:
        cost += 6.0
        against.append("the note needs film near its working limit")
    kind = str(job.get("use", "bass"))
    ends = good_range(drum.diameter, kind)
    if not ends[0] <= note_hz <= ends[1]:
        cost += 1.0
        against.append(f"common practice keeps this size between {ends[0]:.0f} and {ends[1]:.0f} Hz")
    if "tail_s" in job:
        off = abs(log(tail / float(job["tail_s"])))
        cost += 3.0 * off
        (reasons if off < 0.25 else against).append(f"tail {tail:.2f} s, wanted {float(job['tail_s']):.2f}")
    if job.get("unamplified"):
        cost -= (values["front_db"] - 100.0) / 6.0
        reasons.append(f"the note in front at {values['front_db']:.0f} dB for the reference push (model)")
    if job.get("round"):
        cost += values["roundness"] / 6.0
        reasons.append(f"levels differ by {values['roundness']:.1f} dB rms round the drum")
    if job.get("quick"):
        cost += 80.0 * exp(values["response"])
        reasons.append(f"the batter's wave is back in {1e3 * exp(values['response']):.1f} ms")
    return Option(drum, cost, note.frequency_hz, tail, tension, values, tuple(reasons), tuple(against))


def choose(job: Mapping[str, Any]) -> Choice:
    """Ranked drums for a job, best first.

    ``job`` keys: use (bass, tom), note, tail_s, diameters_in, depths_in, films_mil, largest_in, and the wishes
    unamplified, round, opening, quick (true or false).

    Raises
    ------
    InputError
        For unknown keys and for sizes that leave nothing to choose from.
    """
    job = _checked(job)
    sizes = _sizes(job)
    kind = str(job.get("use", "bass"))
    assumed = ["both heads to one pitch", "losses assumed, not measured"]
    if "note" in job:
        note_hz = parse_note(str(job["note"]))
    else:
        ends = good_range(units.metres_from_inches(float(np.median([d for d, _ in sizes]))), kind)
        note_hz = (ends[0] * ends[1]) ** 0.5
        assumed.append(f"note {note_hz:.0f} Hz, the middle of the range of a middle size")
    found = []
    for diameter, depth in sizes:
        for film in job.get("films_mil", (10.0,) if kind == "bass" else (10.0, 14.0)):
            option = _option(diameter, depth, float(film), job, note_hz)
            if option is not None:
                found.append(option)
    if not found:
        raise InputError(f"no size reaches {note_hz:.0f} Hz within its film: widen the sizes or change the note.")
    found.sort(key=lambda o: o.cost)
    best = _with_extras(found[:3], job, note_hz) + found
    best.sort(key=lambda o: o.cost)
    return Choice(tuple(best[:KEPT]), tuple(assumed), NOT_TESTED)


def _option(diameter: float, depth: float, film: float, job: Mapping[str, Any], note_hz: float) -> Option | None:
    rods = 6 if diameter < 14 else 8 if diameter < 24 else 10
    head = Head(units.surface_density_from_mil(film), rods)
    name = f"{diameter:g} x {depth:g}, {film:g} mil"
    bare = Drum(name, units.metres_from_inches(diameter), units.metres_from_inches(depth), head, head)
    drum = tuned(bare, note_hz)
    return None if drum is None else _judge(drum, exact_model(drum), job, note_hz)


def _with_extras(best: Sequence[Option], job: Mapping[str, Any], note_hz: float) -> list[Option]:
    """The best options again with a ring when their tail is too long, and with an opening when one is wished."""
    out = []
    for option in best:
        variants: list[tuple[Drum, str]] = []
        width = 0.12 * option.drum.radius
        if "tail_s" in job and option.tail_s > 1.15 * float(job["tail_s"]):
            area = np.pi * (option.drum.radius**2 - (option.drum.radius - width) ** 2)
            ring = Muffling("ring", ("batter",), width=width, mass=0.25 * float(area), resistance=40.0)
            variants.append((replace(option.drum, muffling=(ring,)), f"with a {100 * width:.0f} cm ring on the batter"))
        if job.get("opening") and option.drum.resonant is not None:
            hole = Opening(units.metres_from_inches(5.0), 0.55 * option.drum.radius, 0.0)
            variants.append((option.drum.with_head("resonant", opening=hole), "with a 5 in opening off centre"))
        for drum, words in variants:
            judged = _judge(replace(drum, name=f"{drum.name}, {words}"), exact_model(drum), job, note_hz)
            if judged is not None:
                cost = judged.cost - (0.5 if job.get("opening") and "opening" in words else 0.0)
                out.append(replace(judged, cost=cost, reasons=(*judged.reasons, words)))
    return out


def sweep(drum: Drum, key: str, values: Sequence[str]) -> tuple[dict[str, Any], ...]:
    """What one drum-file key does: a row per value with note, tail and the figures of ``plan.wish``.

    ``key`` and ``values`` as in ``--set KEY=VALUE``. A value that cannot be is a row with its ``error``.
    """
    rows: list[dict[str, Any]] = []
    for value in values:
        try:
            prediction = exact_model(changed(drum, key, value))
            found = figures(changed(drum, key, value), prediction)
        except BothheadsError as error:
            rows.append({"value": value, "error": str(error)})
            continue
        note = prediction.note
        rows.append({
            "value": value, "note_hz": note.frequency_hz, "note": note.name, "tail_s": note.t60_s,
            "tone_db": float(found[2]), "attack_db": float(found[3]), "response_ms": 1e3 * exp(float(found[4])),
            "roundness_db": prediction.roundness_db, "head_pitch_hz": prediction.head_pitch_hz,
        })
    return tuple(rows)
