"""From what is known of one head's rods to rows of the strip: as heard, in the film, what to do, where it lands."""

from __future__ import annotations

from typing import Any

from ..errors import InputError
from ..infer.rods import RodState
from ..records import Plan
from ..units import cents
from .strip import RodRow


def rod_state(kept: dict[str, Any] | None) -> RodState | None:
    """The state of the rods that the log keeps; None when there is none that can be read."""
    if not kept:
        return None
    try:
        return RodState.from_dict(kept)
    except (InputError, KeyError, TypeError):
        return None


def rod_rows(taps: dict[str, Any] | None, state: RodState | None, plan: Plan | None) -> list[RodRow]:
    """Rows of the strip from the last round of taps, the rods' state after it, and a plan to even them out."""
    if not taps or not taps.get("taps"):
        return []
    pitches = [t.get("rod_pitch_hz") for t in taps["taps"]]
    known = [p for p in pitches if p]
    if not known:
        return []
    mean = float(sum(known)) / len(known)
    step = next((s for s in plan.steps if s.rods), None) if plan else None
    turns = {r.rod: r.eighths for r in step.rods} if step else {}
    film = state.film_cents() if state is not None and state.x else None
    after = state.after_turns(turns) if state is not None and turns else None
    lands = (after.film_cents() if film else after.heard_cents()) if after else None
    rows = []
    for i, tap in enumerate(taps["taps"]):
        rod, pitch, sd = tap["rod"], tap.get("rod_pitch_hz"), tap.get("sd_hz")
        rows.append(RodRow(
            rod, cents(pitch, mean) if pitch else None, 1731.2 * sd / pitch if pitch and sd else None,
            film.cents[i] if film and i < len(film.cents) else None, film.sd[i] if film and i < len(film.sd) else None,
            turns.get(rod, 0.0), step.order.index(rod) + 1 if step and rod in step.order else None,
            lands.cents[i] if lands and rod in turns and i < len(lands.cents) else None,
        ))
    return rows
