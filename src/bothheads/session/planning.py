"""What the hands do: plans for a drum, for its rods, for a kit, and choices before anything is bought."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError
from ..records import HEADS, Drum, HeadName, Plan, Prediction, State
from ..units import note_frequency
from .drums import Loaded, load_drum, with_changes
from .reading import read_taps

if TYPE_CHECKING:
    from ..infer.rods import RodState
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
        target = next((s for s in loaded.states if s.number == state), None) or _older(loaded, state, log)
    return plan_turns(
        loaded.drum,
        states=loaded.states,
        wishes=parse_wish(wish) if wish else (),
        note_hz=note_frequency(note) if note else None,
        target_state=target,
        only=only,
        minutes=minutes,
        others=_others(loaded, log),
    )


def _older(loaded: Loaded, number: int, log: Log | None) -> State:
    """A state further back than the newest ones; raises ``LogError`` naming the range when there is none."""
    if loaded.entry is None:
        raise InputError("--state needs a drum from the log: name the drum, not its file.")
    if log is not None:
        return log.state(loaded.entry.id, number)
    from .logbook import open_log

    with open_log(create=False, readonly=True) as opened:
        return opened.state(loaded.entry.id, number)


def _others(loaded: Loaded, log: Log | None) -> list[tuple[State, ...]]:
    """Histories of the other drums in the log: what their turns did makes the prior of a new drum narrower."""
    if log is None or loaded.entry is None or len(loaded.states) > 5:
        return []
    return [log.states(d.id, limit=20) for d in log.drums()[:12] if d.id != loaded.entry.id and d.states > 2]


def _even(loaded: Loaded, head: HeadName, taps: str | Path | None, log: Log | None) -> Plan:
    from .. import wire
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
    state = _rods_before(loaded, head, log).after_reading(round_)
    if log is not None and loaded.entry is not None and not log.readonly:
        seen = loaded.states[-1].number if loaded.states else 0
        log.set_note(loaded.entry.id, f"rods/{head}", {"rods": state.to_dict(), "state": seen})
        log.set_note(loaded.entry.id, f"taps/{head}", wire.taps(round_))
    return even_out(state, head=head)


def _rods_before(loaded: Loaded, head: HeadName, log: Log | None) -> RodState:
    """What is known of a head's rods before this round: the last round, moved by the turns logged since."""
    from ..infer.history import new_heads
    from ..infer.rods import RodState

    drum, film = loaded.drum, loaded.drum.head(head)
    fresh = RodState.start(film, radius=drum.radius, depth=drum.depth if drum.resonant is not None else None, air=drum.air)
    kept = log.get_note(loaded.entry.id, f"rods/{head}") if log is not None and loaded.entry is not None else None
    if not kept:
        return fresh
    later = [s for s in loaded.states if s.number > kept["state"]]
    if any(new_heads(s)[HEADS.index(head)] for s in later):
        return fresh
    rods = RodState.from_dict(kept["rods"])
    for s in later:
        eighths = {r: 0.0 for r in range(1, film.rods + 1)}
        for turn in s.turns:
            if turn.head == head:
                for rod in eighths if turn.rod is None else (turn.rod,):
                    eighths[rod] += 8.0 * turn.turns
        if any(eighths.values()):
            rods = rods.after_turns(eighths)
    return rods


def sweep(ref: str | Drum, key: str, values: Sequence[float], *, log: Log | None = None
          ) -> tuple[tuple[float, Prediction], ...]:
    """A forecast for each value of one drum-file key."""
    from ..physics.forecast import forecast

    drum = load_drum(ref, log=log).drum
    return tuple((v, forecast(with_changes(drum, [f"{key}={v!r}"]))) for v in values)


def plan_kit(
    refs: Sequence[str], *, notes: str | None = None, interval: str | None = None, log: Log | None = None
) -> tuple[dict[str, Any], list[str]]:
    """Target notes of a kit with the turning they cost; each drum's note now is read from the log or forecast.

    Raises
    ------
    InputError
        Fewer than two drums, notes that do not fit them, an unknown interval, a drum without note or tension.
    """
    from dataclasses import asdict

    from .. import wire
    from ..plan.kit import KitDrum
    from ..plan.kit import plan_kit as plan_notes

    drums = [load_drum(ref, log=log) for ref in refs]
    wished = None
    if notes is not None:
        named = [part.strip() for part in notes.split(",")]
        if len(named) != len(drums):
            raise InputError(f"{len(named)} notes for {len(drums)} drums: name one note for each drum, in order.")
        wished = {d.drum.name: note_frequency(text) for d, text in zip(drums, named, strict=True) if text}
    kit = plan_notes([KitDrum(d.drum, _note_now(d), ends_hz=_ends(d)) for d in drums], interval=interval, notes=wished)
    answer = wire.clean({"schema": "bothheads.kit/1", **asdict(kit)})
    lines = [f"Kit: {kit.words}"]
    for row in kit.rows:
        turns = "" if row.turns_about is None else f", about {8 * row.turns_about:+.1f} eighths on every rod of both heads"
        lines.append(f"  {row.name}: {row.now_hz:.1f} Hz to {row.target_hz:.1f} Hz ({row.target_name}), "
                     f"{row.cents:+.0f} cents{turns}")
        lines += [f"    {text}" for text in row.warnings]
    lines += [f"Cannot be met: {text}" for text in kit.cannot] + [f"Caution: {text}" for text in kit.cautions]
    return answer, lines


def _note_now(loaded: Loaded) -> float:
    for state in reversed(loaded.states):
        hertz = ((state.reading or {}).get("note") or {}).get("frequency_hz")
        if hertz:
            return float(hertz)
    from .forecast import predict

    forecast = predict(loaded).note
    return forecast.frequency_hz or 0.0


def _ends(loaded: Loaded) -> tuple[float, float] | None:
    """The lowest and highest note that this drum's own log has shown; two states at least."""
    heard = [float(hertz) for s in loaded.states if (hertz := ((s.reading or {}).get("note") or {}).get("frequency_hz"))]
    return (min(heard), max(heard)) if len(heard) >= 4 and max(heard) > 1.2 * min(heard) else None
