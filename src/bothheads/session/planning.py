"""What the hands do: plans for a drum, for its rods, for a kit, and choices before anything is bought."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from ..records import Drum, HeadName, Plan, Prediction
from ..units import note_frequency
from .drums import Loaded, load_drum, with_changes
from .reading import read_taps

if TYPE_CHECKING:
    from ..log.store import Log


def plan(
    ref: str | Drum | Loaded,
    *,
    note: str | None = None,
    wish: str | None = None,
    state: int | None = None,
    only: HeadName | None = None,
    minutes: float | None = None,
    even: HeadName | None = None,
    taps: str | Path | None = None,
    log: Log | None = None,
) -> Plan:
    """Turns, rod by rod, that lead to what is wished; ``Plan.refused`` says why there are none.

    Raises
    ------
    InputError
        Nothing is wished, a wish is not known, or a state is asked of a drum without history.
    """
    loaded = ref if isinstance(ref, Loaded) else load_drum(ref, log=log)
    if even is not None:
        return _even(loaded, even, taps, log)
    if taps is not None:
        raise InputError("--taps goes with --even: name the head, as in --even batter --taps FILE.")
    if note is None and wish is None and state is None:
        raise InputError("say what is wished: --note 62Hz, --wish shorter-tail,same-note, --state N or --even batter.")
    if minutes is not None and not 1 <= minutes <= 600:
        raise InputError("--minutes must be from 1 to 600.")
    from ..plan.turns import plan_turns
    from ..plan.wish import parse_wish

    target = None
    if state is not None:
        if loaded.entry is None:
            raise InputError("--state needs a drum from the log: name the drum, not its file.")
        target = next((s for s in loaded.states if s.number == state), None)
        if target is None:
            last = loaded.states[-1].number if loaded.states else 0
            raise InputError(f"{loaded.drum.name} has no state {state}: its states are 1 to {last}.")
    return plan_turns(
        loaded.drum,
        states=loaded.states,
        wishes=parse_wish(wish) if wish else (),
        note_hz=note_frequency(note) if note else None,
        target_state=target,
        only=only,
        minutes=minutes,
    )


def _even(loaded: Loaded, head: HeadName, taps: str | Path | None, log: Log | None) -> Plan:
    from .. import wire
    from ..infer.rods import RodState
    from ..plan.rods import even_out

    drum = loaded.drum
    if head == "resonant" and drum.resonant is None:
        raise InputError("this drum has no resonant head to even out.")
    film = drum.head(head)
    if taps is not None:
        round_ = read_taps(taps, rods=film.rods, drum=drum, head=head)
    elif log is not None and loaded.entry is not None and (kept := log.get_note(loaded.entry.id, f"taps/{head}")):
        round_ = wire.taps_from(kept)
    else:
        raise InputError("--even needs a round of taps: record one tap near each rod in order and give --taps FILE.")
    if round_.refused:
        return Plan((), {}, (), round_.refused)
    key = f"rods/{head}"
    kept_state = log.get_note(loaded.entry.id, key) if log is not None and loaded.entry is not None else None
    start = RodState.from_dict(kept_state) if kept_state else RodState.start(
        film, radius=drum.radius, depth=drum.depth, air=drum.air)
    state = start.after_reading(round_)
    if log is not None and loaded.entry is not None and not log.readonly:
        log.set_note(loaded.entry.id, key, state.to_dict())
        log.set_note(loaded.entry.id, f"taps/{head}", wire.taps(round_))
    return even_out(state, head=head)


def sweep(ref: str | Drum, key: str, values: Sequence[float], *, log: Log | None = None
          ) -> tuple[tuple[float, Prediction], ...]:
    """A forecast for each value of one drum-file key."""
    from ..physics.forecast import forecast

    drum = load_drum(ref, log=log).drum
    return tuple((v, forecast(with_changes(drum, [f"{key}={v!r}"]))) for v in values)


def choose(job: dict[str, Any]) -> Any:
    """Sizes, heads, opening and muffling for a job, ranked with reasons and what was not tested."""
    from ..plan.choose import choose as rank

    return rank(job)
