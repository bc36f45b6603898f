"""Cards that travel with the drum: recall, show, changeover."""

from __future__ import annotations

from collections.abc import Callable

from ..records import HEADS
from ..session.kept import Kept
from ..units import cents, note_name
from . import words
from .card_ladder import state_ladder
from .sheet import Block, Sheet, drawing, facts, hand, steps, table


def recall(kept: Kept) -> Sheet:
    """Recall card: how to get back to this state."""
    state, reading = kept.state, kept.reading
    drum = state.drum
    blocks: list[Block] = []
    picture = state_ladder(kept.prediction, reading)
    if picture:
        blocks.append(drawing("", picture, "Left rail: the batter head alone; right rail: the resonant head alone; "
                              "between them what is heard. Lengths are tails.", wide=False))
    blocks.append(_note_facts(kept))
    blocks.append(table("The two heads", ("", "Batter, solid", "Resonant, broken"), list(words.heads_table(kept))))
    rows = words.rod_rows(kept)
    if rows:
        count = max(len(r) for r in rows) - 1
        blocks.append(table("Rods as heard, cents from the head's mean; 1 at the top, clockwise",
                            ("rod", *(str(i) for i in range(1, count + 1))), rows))
    blocks.append(steps("To get back here", _way_back(kept)))
    if state.remark:
        blocks.append(facts(("remark", state.remark), wide=True))
    return Sheet(drum.name, f"recall card, state {state.number}", words.meta(kept), tuple(blocks), words.FOOT)


def _note_facts(kept: Kept) -> Block:
    state, reading = kept.state, kept.reading
    drum = state.drum
    lead, said = words.note_words(reading.note) if reading else ("not read", "no take in this state")
    muffling = "; ".join(words.muffling_words(m) for m in drum.muffling) or "none"
    return facts(
        ("that is", said),
        ("tail", words.tail_words(reading.note) if reading else ""),
        ("glide", words.glide_words(reading)),
        ("strikes", f"{len(reading.strikes)} in {len(state.takes)} recordings" if reading else ""),
        ("struck", words.struck_words(drum)),
        ("beater", state.beater or "not noted"),
        ("muffling", muffling),
        ("opening", words.opening_words(drum)),
        ("heard at", words.heard_words(kept)),
        ("recording", ", ".join(t.source_name or t.sha256[:12] for t in state.takes)),
        title="Drum note, both heads free", lead=lead,
    )


def _way_back(kept: Kept) -> list[str]:
    note = kept.reading.note if kept.reading else None
    first = ["Same beater, same place to strike, same muffling, same microphone. Three strikes; read the drum note."]
    for head, other in zip(reversed(HEADS), HEADS, strict=True):
        pitch = words.pitch_words(kept, head)
        if pitch:
            first.append(f"Hold the {other} head still with a palm: bring the {head} head to {pitch}, "
                         "in eighths, opposite rods in turn.")
    if note is not None and note.frequency_hz:
        first.append(f"Read again with both heads free. Within 15 cents of {note.frequency_hz:.1f} Hz is the same note; "
                     "then compare the tails.")
    else:
        first.append("Read again with both heads free; the note of this state was refused, so go by the head pitches.")
    return first


def show(kept: Kept) -> Sheet:
    """Show card: one night, this state, what to watch."""
    state = kept.state
    drift = _drift(kept)
    blocks = [
        _note_facts(kept),
        facts(*drift, title="Since the states before") if drift else hand("Since the last show", "what moved"),
        table("The two heads", ("", "Batter, solid", "Resonant, broken"), list(words.heads_table(kept))),
        hand("Tonight", "room, audience", "temperature, humidity", "first reading", "last reading", "touched up",
             "spares used"),
    ]
    return Sheet(state.drum.name, f"show card, state {state.number}", words.meta(kept), tuple(blocks), words.FOOT)


def _drift(kept: Kept) -> list[tuple[str, str]]:
    now = kept.reading
    out: list[tuple[str, str]] = []
    if now is None or now.note.frequency_hz is None:
        return out
    for state in reversed([s for s in kept.states if s.number < kept.state.number][-4:]):
        note = (state.reading or {}).get("note") or {}
        if note.get("frequency_hz"):
            moved = cents(now.note.frequency_hz, note["frequency_hz"])
            moves = ((h, words.turned_words(state.turns, h)) for h in HEADS)
            turned = ", ".join(f"{h} {said}" for h, said in moves if said != "nothing")
            out.append((f"state {state.number}", f"{note['frequency_hz']:.1f} Hz, now {moved:+.0f} cents"
                        + (f"; turned before it: {turned}" if turned else "")))
    return out


def changeover(kept: Kept) -> Sheet:
    """Changeover card: five steps, readable in the dark."""
    note = kept.reading.note if kept.reading else None
    target = "the note of this card"
    if note is not None and note.frequency_hz:
        target = f"{note.frequency_hz:.0f} Hz, {note_name(note.frequency_hz)} cents"
    muffling = "; ".join(words.muffling_words(m) for m in kept.state.drum.muffling) or "nothing"
    blocks = [
        facts(title="Aim", lead=target, wide=True),
        steps("Five steps", [
            "Ask whose drum it is. Plugs in. Look: creases, cracks, a hoop touching its lugs, loose feet.",
            f"Muffling: {muffling}.",
            "Batter: opposite rods in turn, eighths, until no rod is slack and no crease is left.",
            f"Strike the centre three times and read. Aim: {target}.",
            "Stop here when: it is within 35 cents, or two minutes are left, or a rod binds.",
        ]),
    ]
    return Sheet(kept.state.drum.name, f"changeover card, from state {kept.state.number}", words.meta(kept),
                 tuple(blocks), words.FOOT[1:], dark=True)


MAKERS: dict[str, Callable[[Kept], Sheet]] = {"recall": recall, "show": show, "changeover": changeover}
