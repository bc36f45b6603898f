"""Back to a night: what differs between now and then, and the plan back; what the heads have been through."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from .. import wire
from ..drumfile import to_dict
from ..errors import CannotAnswer
from ..records import HEADS, Plan, State
from ..units import cents

if TYPE_CHECKING:
    from ..log.store import Log


@dataclass(frozen=True)
class Recall:
    """The way back to a state: what differs, in words, and the plan for the hands."""

    then: State
    now: State
    differences: tuple[str, ...]
    plan: Plan


def recall(ref: str, number: int, *, log: Log) -> Recall:
    """This drum as in state ``number``: heads, muffling, opening, beater, air and place against now, and the plan back.

    Raises
    ------
    LogError
        No such drum or state.
    CannotAnswer
        The drum has no later state to start from.
    """
    from .planning import plan

    entry = log.find_drum(ref)
    then, now = log.state(entry.id, number), log.last_state(entry.id)
    if now is None or now.number <= then.number:
        raise CannotAnswer(f"state {number} is the newest one: keep a take of the drum as it is now, then ask again.")
    return Recall(then, now, tuple(_differences(then, now)), plan(str(entry.id), state=number, log=log))


def _differences(then: State, now: State) -> list[str]:
    out = []
    a, b = _note(then), _note(now)
    if a and b:
        out.append(f"drum note {a:.1f} Hz then, {b:.1f} Hz now ({cents(b, a):+.0f} cents)")
    for name in HEADS:
        old, new = (_tension(s, name) for s in (then, now))
        if old and new:
            out.append(f"{name} head {old:.0f} N/m then, {new:.0f} N/m now ({100 * (new / old - 1):+.0f} %)")
    one, other = to_dict(then.drum), to_dict(now.drum)
    for key, words in (("muffling", "muffling"), ("strike", "place of the strike"), ("microphone", "microphones")):
        if one.get(key) != other.get(key):
            out.append(f"{words} differs: put it back as on the card of state {then.number}")
    for name in HEADS:
        old_film, new_film = (s.drum.batter if name == "batter" else s.drum.resonant for s in (then, now))
        if (old_film is None) != (new_film is None):
            out.append(f"{name} head {'off then, on' if old_film is None else 'on then, off'} now")
        elif old_film and new_film and old_film.opening != new_film.opening:
            out.append(f"the opening of the {name} head differs")
    for label, x, y in (("beater", then.beater, now.beater), ("place", then.place, now.place)):
        if x != y and (x or y):
            out.append(f"{label}: {x or 'not noted'} then, {y or 'not noted'} now")
    warm, cold = then.drum.air.temperature_c, now.drum.air.temperature_c
    if warm is not None and cold is not None and abs(warm - cold) >= 1.0:
        out.append(f"air {warm:.0f} C then, {cold:.0f} C now: film and note move with it, so read before turning")
    return out


def _note(state: State) -> float | None:
    hertz = ((state.reading or {}).get("note") or {}).get("frequency_hz")
    return float(hertz) if hertz else None


def _tension(state: State, name: str) -> float | None:
    fit = state.fit or {}
    found = None if fit.get("refused") else fit.get(name)
    return float(found["tension"]) if found else None


def recall_json(found: Recall) -> dict[str, Any]:
    """``bothheads.recall/1``."""
    return {"schema": "bothheads.recall/1", "then": found.then.number, "now": found.now.number,
            "differences": list(found.differences), "plan": wire.plan(found.plan)}


def heads_of(log: Log, ref: str) -> tuple[dict[str, Any], list[str]]:
    """Type, age in days, hours played and open faults of each head: said when asked, never by itself."""
    entry = log.find_drum(ref)
    now = log.heads_now(entry.id)
    lines = []
    answer: dict[str, Any] = {}
    for name in HEADS:
        head = now.get(name)
        if head is None:
            lines.append(f"{name}: nothing noted; write down a new one with 'bothheads log head \"{entry.name}\" {name} fitted'.")
            continue
        days = None
        if head["fitted_at"]:
            fitted = datetime.fromisoformat(head["fitted_at"])
            days = (datetime.now(UTC) - (fitted if fitted.tzinfo else fitted.replace(tzinfo=UTC))).days
        faults = f"; faults: {', '.join(head['faults'])}" if head["faults"] else ""
        age = "date not noted" if days is None else f"fitted {days} days ago"
        lines.append(f"{name}: {head['kind'] or 'type not noted'}, {age}, {head['hours']:.0f} hours{faults}")
        answer[name] = {**head, "days": days}
    return {"schema": "bothheads.heads/1", "drum": entry.id, "heads": answer}, lines
