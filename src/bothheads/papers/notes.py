"""Papers for another person: a pupil's lesson, a note to an engineer, two states compared."""

from __future__ import annotations

import base64
from collections.abc import Callable

from ..errors import InputError
from ..records import HEADS, ModelPartial
from ..session.kept import Kept
from ..units import cents, note_name
from . import words
from .card_ladder import state_ladder, state_ladders
from .sheet import Block, Sheet, drawing, facts, hand, steps, table, text


def _sounds(kept: Kept) -> list[Block]:
    return [Block("sound", "", name, items=(base64.b64encode(wav).decode(),)) for name, wav in kept.sounds]


def lesson(kept: Kept) -> Sheet:
    """Lesson sheet: listen, guess, turn, read, on the pupil's own drum."""
    reading = kept.reading
    note = reading.note if reading else None
    said = f"{note.frequency_hz:.1f} Hz, {note_name(note.frequency_hz)} cents" if note and note.frequency_hz else \
        "refused by the reading: say why"
    picture = state_ladder(kept.prediction, reading)
    blocks: list[Block] = [
        text("What the pupil hears", "One drum, three pitches. The drum note: centre strike, both heads free. The head "
             "pitch: one head, a palm on the other. The rod pitch: a light tap 28 mm inside the hoop, a palm on the "
             "other head."),
        *_sounds(kept),
        steps("Exercises", [
            "Sing the drum note before you read it. Write down what you sang.",
            "Palm on the resonant head, strike the batter: does it sound higher or lower than the drum note? Why?",
            "Turn every rod of one head an eighth tighter, opposite rods in turn. Guess how far the note moves, then read.",
            "Turn it back. Is the note back? Read, and say how sure the reading is.",
            "A strip of cloth on the batter: what goes, what stays? Compare the tails.",
        ]),
        facts(("drum note as read", said), ("tail", words.tail_words(note) if note else ""),
              ("heard at", words.heard_words(kept)), ("struck", words.struck_words(kept.state.drum)),
              title="Answers (fold back)", wide=not picture),
    ]
    if picture:
        blocks.append(drawing("", picture, "A rung hangs on the rail whose rods move it.", wide=False))
    blocks.append(hand("The pupil", "name", "date", "guess 1 / read", "guess 2 / read", "guess 3 / read"))
    return Sheet(kept.state.drum.name, "lesson sheet", words.meta(kept), tuple(blocks), words.FOOT, size="A4")


def engineer(kept: Kept) -> Sheet:
    """Note to an engineer: what the drum does in the bands that matter, and what may be changed."""
    reading, prediction = kept.reading, kept.prediction
    rows = []
    for p in (reading.partials if reading else ())[:9]:
        levels = ", ".join("-" if x is None else f"{x:.0f}" for x in p.level_db)
        rows.append((f"{p.frequency_hz:.1f} Hz", note_name(p.frequency_hz), f"{p.t60_s:.2f} s", levels))
    muffling = "; ".join(words.muffling_words(m) for m in kept.state.drum.muffling) or "none"
    blocks: list[Block] = [
        facts(("drum note", " ".join(words.note_words(reading.note)) if reading else "not read"),
              ("tail", words.tail_words(reading.note) if reading else ""), ("glide", words.glide_words(reading)),
              ("muffling", muffling), ("opening", words.opening_words(kept.state.drum)),
              ("beater", kept.state.beater), ("heard at", words.heard_words(kept)), title="The drum tonight", wide=True),
        table("What rings", ("partial", "note", "to fall 60 dB", "dB under the strongest: "
              + ", ".join(reading.channels if reading else ())), rows),
    ]
    if prediction and prediction.roundness_db is not None:
        blocks.append(_places(prediction.partials, prediction.roundness_db))
    blocks.append(text("What can be done", "Damping can be added later, resonance cannot: take the open drum first. A narrow cut "
                       "at a partial above takes the ring and leaves the note. If less tail is wanted, say so before "
                       "the set: a small pad on both heads keeps the note and shortens the rest."))
    blocks += _sounds(kept)
    return Sheet(kept.state.drum.name, "note to the engineer", words.meta(kept), tuple(blocks), words.FOOT[1:2], size="A4")


def _under(level_db: float) -> str:
    return f"{level_db:.0f}" if level_db > -60.0 else "silent"


def _places(partials: tuple[ModelPartial, ...], roundness: float) -> Block:
    names = list(partials[0].level_db)
    loudest = max(max(p.level_db.values()) for p in partials)
    rows = [(f"{p.frequency_hz:.0f} Hz", *(_under(p.level_db[n] - loudest) for n in names)) for p in partials[:8]]
    return table(f"The same strike at other places, from the model, dB under the loudest (roundness {roundness:.1f} dB, "
                 "0 = the same everywhere)", ("partial", *names), rows)


def comparison(kept: Kept) -> Sheet:
    """Comparison of two states, with their sound when it is kept in the file."""
    if kept.other is None:
        raise InputError("a comparison needs a second state: add --with M.")
    a, b = kept.other, kept
    named = [f"{x.state.number}, {x.state.made_at[:10]}" for x in (a, b)]
    rows: list[tuple[str, ...]] = [("state", *named, "")]
    rows.append(_pair("drum note, both heads free, Hz", _hertz(a), _hertz(b), pitch=True))
    rows.append(_pair("tail, s to fall 60 dB", _tail(a), _tail(b)))
    for head in HEADS:
        ta, tb = (words.tension_words(x.fit, head, x.state.drum) for x in (a, b))
        rows.append((f"{head} tension", ta, tb, ""))
        rows.append((f"{head} head pitch, other held", words.pitch_words(a, head), words.pitch_words(b, head), ""))
        rows.append((f"{head} turned in between", "", words.turned_words(b.state.turns, head), ""))
    rows.append(("muffling", *("; ".join(words.muffling_words(m) for m in x.state.drum.muffling) or "none"
                               for x in (a, b)), ""))
    rows.append(("heard at", words.heard_words(a), words.heard_words(b), ""))
    rows.append(("surroundings", words.surroundings_words(a.state), words.surroundings_words(b.state), ""))
    blocks: list[Block] = [table("", ("", "first", "second", "second minus first"), rows)]
    pictures = state_ladders([(x.prediction, x.reading) for x in (a, b)])
    blocks += [drawing(name, picture, "", wide=False) for name, picture in zip(("first", "second"), pictures, strict=True)
               if picture]
    blocks += [*_sounds(a), *_sounds(b)]
    blocks.append(text("", "Listen level-matched: a louder take sounds better whatever it is."))
    return Sheet(kept.state.drum.name, f"states {a.state.number} and {b.state.number} compared", words.meta(kept),
                 tuple(blocks), words.FOOT[1:2], size="A4")


def _hertz(kept: Kept) -> float | None:
    return kept.reading.note.frequency_hz if kept.reading else None


def _tail(kept: Kept) -> float | None:
    return kept.reading.note.t60_s if kept.reading else None


def _pair(label: str, a: float | None, b: float | None, *, pitch: bool = False) -> tuple[str, ...]:
    shown = [("refused" if x is None else f"{x:.2f}") for x in (a, b)]
    if a is None or b is None:
        return label, *shown, ""
    return label, *shown, f"{cents(b, a):+.0f} cents" if pitch else f"{b - a:+.2f} ({100 * (b / a - 1):+.0f} %)"


MAKERS: dict[str, Callable[[Kept], Sheet]] = {"lesson": lesson, "engineer": engineer, "comparison": comparison}
