"""What the pages show, as plain dicts from records. Pure: no request, no log, no clock."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from ..errors import InputError
from ..papers.ladder_layout import note_words
from ..records import Drum, DrumEntry, State, Turn
from ..units import inches_from_metres, turns_in_words

NAV = (  # key, name, address, what it is for
    ("ladder", "Ladder", "", "where the drum is, and where a turn would take it"),
    ("listen", "Listen", "/listen", "strike it and keep what was heard"),
    ("rods", "Rods", "/rods", "is one head even all round"),
    ("microphones", "Microphones", "/microphones", "is it the same from every side"),
    ("walk", "Walk-round", "/walk", "the same with one microphone, moved"),
    ("plan", "Plan", "/plan", "from a wish to turns"),
    ("turn", "Turn", "/turn", "one rod at a time, in large type"),
    ("history", "History", "/history", "all states in a line"),
    ("blind", "Blind pair", "/blind", "do you hear the difference"),
    ("muffling", "Muffling", "/muffling", "how little is enough"),
    ("ear", "Ear", "/ear", "lessons from your own takes"),
    ("cards", "Cards", "/cards", "papers to print"),
)
MAIN = ("ladder", "listen")  # shown on a narrow page too; the rest stands at its foot


def frame(entry: DrumEntry, drum: Drum, current: str) -> dict[str, Any]:
    """What every view of a drum shows: the drum, its heads, the links to its views."""
    return {
        "drum": {"id": entry.id, "name": entry.name, "sizes": sizes(drum),
                 "heads": ["batter", "resonant"] if drum.resonant is not None else ["batter"]},
        "nav": [{"href": f"/drums/{entry.id}{tail}", "text": text, "words": words,
                 "current": key == current, "main": key in MAIN} for key, text, tail, words in NAV],
    }


def inches(metres: float) -> str:
    """A length as drummers write it: ``20 in``, ``13.5 in``."""
    value = inches_from_metres(metres)
    return f"{round(value, 1):g} in"


def sizes(drum: Drum) -> str:
    """Diameter and depth, both named."""
    head = "" if drum.resonant is not None else ", no resonant head"
    return f"diameter {inches(drum.diameter)}, depth {inches(drum.depth)}{head}"


def day(moment: str) -> str:
    """A date for people from ISO 8601: ``25 Nov 2026``."""
    try:
        at = datetime.fromisoformat(moment)
    except ValueError:
        return moment
    return f"{at.day} {at:%b %Y}"


def turned_words(turns: Sequence[Turn]) -> str:
    """What was turned since the state before, in words."""
    whole = [f"{t.head} {turns_in_words(8 * t.turns)}" for t in turns if t.rod is None and t.turns]
    single = [t for t in turns if t.rod is not None and t.turns]
    if single:
        heads = list(dict.fromkeys(t.head for t in single))
        whole += [f"{h} rods " + ", ".join(f"{t.rod} {turns_in_words(8 * t.turns)}" for t in single if t.head == h)
                  for h in heads]
    return ", ".join(whole) or "nothing turned"


def note_line(note: dict[str, Any] | None) -> str:
    """A note object in a line: ``41.8 Hz, E1 +27, tail 5.4 s``, or its refusal."""
    if not note:
        return "nothing read"
    if note.get("frequency_hz") is None:
        return "note refused"
    tail = note.get("t60_s")
    return f"{note['frequency_hz']:.1f} Hz, {note_words(note['frequency_hz'])}" + (
        f", tail {tail:.1f} s" if tail else "")


def drum_rows(entries: Sequence[DrumEntry], notes: dict[int, dict[str, Any] | None]) -> list[dict[str, Any]]:
    """The list of drums; ``notes`` holds the last note object of each."""
    return [{"id": e.id, "name": e.name, "sizes": sizes(e.drum), "states": e.states,
             "note": note_line(notes.get(e.id)) if e.states else "nothing read yet"} for e in entries]


def state_rows(states: Sequence[State]) -> list[dict[str, Any]]:
    """States of a drum, newest first, with the takes that can be played."""
    return [
        {"number": s.number, "day": day(s.made_at), "turned": turned_words(s.turns), "place": s.place,
         "remark": s.remark, "note": note_line((s.reading or {}).get("note")),
         "takes": [{"sha256": t.sha256, "name": t.source_name or "take", "channels": ", ".join(t.channels)}
                   for t in s.takes]}
        for s in sorted(states, key=lambda s: -s.number)
    ]


def state_line(drum: Drum, state: State | None) -> str:
    """The line under a drum's name."""
    if state is None:
        return f"{sizes(drum)} · no state yet"
    strikes = len((state.reading or {}).get("strikes") or ())
    how = "nothing read" if not strikes else "one strike" if strikes == 1 else f"{strikes} strikes"
    return f"{sizes(drum)} · state {state.number}, {day(state.made_at)} · {how}"


def turn_choices(most: int = 8) -> list[dict[str, Any]]:
    """Choices of eighths for a form, loosest first."""
    return [{"value": n, "words": turns_in_words(n) if n else "not turned"} for n in range(-most, most + 1)]


def drum_toml(typed: dict[str, str]) -> str:
    """A drum file from a form: name, diameter, depth, and per head film and rods; checked when it is added."""
    def number(key: str) -> str:
        value = typed.get(key, "").strip().replace(",", ".")
        try:
            return repr(float(value))
        except ValueError:
            raise InputError(f"{key.replace('_', ' ')} is missing or no number: give it in the form.") from None

    name = typed.get("name", "").strip().replace("\x7f", "") or "Drum"
    lines = [f"name = {json.dumps(name, ensure_ascii=False)}", f"diameter_in = {number('diameter_in')}",
             f"depth_in = {number('depth_in')}"]
    for head in ("batter", "resonant"):
        lines.append(f"[{head}]")
        if head == "resonant" and typed.get("resonant_absent"):
            lines.append("absent = true")
            continue
        lines.append(f"rods = {int(float(number(f'{head}_rods')))}")
        if typed.get(f"{head}_film_mil", "").strip():
            lines.append(f"film_mil = {number(f'{head}_film_mil')}")
    return "\n".join(lines) + "\n"
