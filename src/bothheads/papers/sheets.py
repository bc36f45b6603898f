"""Records of a drum: passport, head change, inspection, condition, order."""

from __future__ import annotations

from collections.abc import Callable

from ..records import HEADS
from ..session.kept import Kept
from ..units import note_name
from . import words
from .sheet import Block, Sheet, checks, facts, hand, steps, table, text

BOX = "☐"


def passport(kept: Kept) -> Sheet:
    """Drum passport: what it is, its heads, its history."""
    drum, state = kept.entry.drum, kept.state
    events = [
        (e.get("happened_at", "")[:10], e.get("head", ""), e.get("what", ""), e.get("words", ""))
        for e in kept.head_events
    ]
    history = [
        (str(s.number), s.made_at[:10], _note_of(s.reading), words.turned_words(s.turns, "batter"),
         words.turned_words(s.turns, "resonant"), s.remark or s.place)
        for s in kept.states[-14:]
    ]
    blocks: list[Block] = [
        facts(
            ("sizes", words.size_words(drum)),
            ("batter", words.film_words(drum.batter)),
            ("resonant", words.film_words(drum.resonant) if drum.resonant else "no resonant head"),
            ("opening", words.opening_words(drum)),
            ("in the log since", kept.entry.added_at[:10]),
            ("drum number", str(kept.entry.id)),
            title="The drum",
        ),
        hand("To fill in", "shell, plies, edges", "hoops, hardware", "owner", "kept at", "receipt, value", wide=False),
        table("Heads fitted, hours, faults", ("date", "head", "what", "words"), events) if events else
        hand("Heads fitted, hours, faults", "batter: type, date", "resonant: type, date", "faults"),
        table("States, newest last", ("state", "date", "drum note", "batter turned", "resonant turned", "remark"),
              history),
    ]
    return Sheet(drum.name, "drum passport", words.meta(kept), tuple(blocks),
                 (f"Drum note: both heads free, struck {words.struck_words(state.drum)}, heard at "
                  f"{words.heard_words(kept)}.", *words.FOOT[:1]), size="A4")


def _note_of(reading: object) -> str:
    note = reading.get("note") if isinstance(reading, dict) else None
    hertz = note.get("frequency_hz") if isinstance(note, dict) else None
    if not isinstance(hertz, int | float):
        return "refused" if note else "not read"
    return f"{hertz:.1f} Hz {note_name(float(hertz))}"


def head_change(kept: Kept) -> Sheet:
    """Head-change record: old head, new head, readings before and after."""
    before = kept.other or kept
    after = kept if kept.other else None
    rows = []
    for head in HEADS:
        rows.append((f"{head}: head pitch, other held", words.pitch_words(before, head) or "not known",
                     words.pitch_words(after, head) if after else ""))
        rows.append((f"{head}: tension", words.tension_words(before.fit, head, before.state.drum),
                     words.tension_words(after.fit, head, after.state.drum) if after else ""))
    rows.append(("drum note, both free", _note_of(before.state.reading), _note_of(after.state.reading) if after else ""))
    blocks = [
        table("Readings", ("", "old head", "new head"), rows),
        hand("The new head", "which head", "film, plies, coating", "date fitted", "by", "reason", wide=False),
        hand("Seen with the head off", "edge", "shell inside", "hoop flat", "rods, inserts, threads", wide=False),
        steps("Fitting", [
            "Drum on a flat floor, never on its stand. Wipe the edge; touch no edge with the key.",
            "Head on, hoop centred, rods finger-tight in opposite pairs: count turns from here.",
            "Half turns, opposite rods in turn, until the creases are gone; then eighths.",
            "Press the centre gently by hand, let it rest, even out, read. A new head settles for days: read again then.",
        ]),
    ]
    return Sheet(kept.state.drum.name, "head-change record", words.meta(kept), tuple(blocks), words.FOOT, size="A4")


def inspection(kept: Kept) -> Sheet:
    """Inspection sheet: what to look at, pass, fix or refer."""
    drum = kept.state.drum
    looked = ["batter film: creases, dents, coating, pulls from its ring", "resonant film: creases, nick at the opening",
              "bearing edge, batter side: flat, no chips", "bearing edge, resonant side: flat, no chips",
              "shell: round (two diameters within 3 mm), no cracks at lugs", "hoops: flat on a table, not touching lugs",
              f"rods, batter ({drum.batter.rods}): straight, none binding, none missing",
              "rods, resonant: straight, none binding, none missing", "lugs and inserts: tight, no rattle",
              "spurs, legs, mounts: hold, no rattle", "muffling where it belongs", "buzz hunt: tap shell, listen"]
    blocks = [
        checks("", [(item, BOX, BOX, BOX, "") for item in looked], ("looked at", "pass", "fix", "refer", "words")),
        facts(("drum note, both heads free", _note_of(kept.state.reading)), ("heard at", words.heard_words(kept)),
              ("struck", words.struck_words(drum)), title="Last reading", wide=True),
        hand("Signed", "by", "date", "photographs"),
    ]
    return Sheet(drum.name, "inspection sheet", words.meta(kept), tuple(blocks),
                 ("An edge or a shell out of true is work for a specialist: do not bend or sand it yourself.",
                  words.FOOT[2]), size="A4")


def condition(kept: Kept) -> Sheet:
    """Condition report: out and in again, for a loan or a hire."""
    drum = kept.state.drum
    parts = ["shell and finish", "edges", "batter head", "resonant head", "hoops", "rods, lugs", "spurs, legs", "case"]
    muffling = "; ".join(words.muffling_words(m) for m in drum.muffling) or "none"
    blocks = [
        facts(("drum note, both heads free", _note_of(kept.state.reading)),
              ("tail", words.tail_words(kept.reading.note) if kept.reading else ""),
              ("muffling", muffling), ("opening", words.opening_words(drum)),
              ("recording", ", ".join(t.sha256[:16] for t in kept.state.takes)), title="As it left", wide=True),
        checks("", [(p, "", "", BOX) for p in parts], ("part", "going out", "coming back", "same")),
        hand("Going out", "to whom", "date", "signed", wide=False),
        hand("Coming back", "from whom", "date", "signed", wide=False),
        text("", "Strike once, centre, same place for the microphone, going out and coming back: the two recordings "
             "are compared level-matched, and the reading says what moved."),
    ]
    return Sheet(drum.name, "condition report", words.meta(kept), tuple(blocks), words.FOOT[1:], size="A4")


def order(kept: Kept) -> Sheet:
    """Order sheet: a new drum that must do what this state does, and its acceptance test."""
    drum, reading = kept.state.drum, kept.reading
    note = reading.note if reading else None
    rows = [("diameter", words.inches(drum.diameter), "± 1/16 in"), ("depth", words.inches(drum.depth), "± 1/16 in"),
            ("rods, batter / resonant", f"{drum.batter.rods} / {drum.resonant.rods if drum.resonant else 'none'}", "agree hoops "
             "and rods before drilling"), ("films", f"{words.film_words(drum.batter)} / "
             f"{words.film_words(drum.resonant) if drum.resonant else 'none'}", ""),
            ("opening", words.opening_words(drum), "")]
    tests = []
    if note is not None and note.frequency_hz:
        low, high = note.frequency_hz * 0.97, note.frequency_hz * 1.03
        tests.append(("drum note, both heads free, as in this state", f"{low:.1f} to {high:.1f} Hz", "", BOX))
        if note.t60_s:
            tests.append(("tail to fall 60 dB, unmuffled as in this state", f"{0.75 * note.t60_s:.2f} to "
                          f"{1.4 * note.t60_s:.2f} s", "", BOX))
    tests += [("each head even as heard, within", "17 cents (1 %)", "", BOX),
              ("edges flat on a flat table, gap under", "0.1 mm", "", BOX),
              ("roundness of the shell, two diameters within", "1.5 mm", "", BOX),
              ("no rattle at any strength", "none", "", BOX)]
    blocks = [
        table("What is ordered", ("", "", "tolerance"), rows),
        hand("Left to the maker or to be agreed", "wood, plies, thickness", "edge shape", "hoops", "finish, mounts",
             "vent", "date, price"),
        checks("Acceptance test", tests, ("measured with a microphone at the seat", "must be", "found", "met")),
        text("", "The tail's tolerance is what an ear just notices (about -25 % to +40 %, Tolonen & Jarvelainen); the "
             "note's is half a semitone, which turning mends. Sizes and films decide both more than the wood does."),
    ]
    return Sheet(drum.name, "order sheet for a drum that does this", words.meta(kept), tuple(blocks), words.FOOT[1:],
                 size="A4")


MAKERS: dict[str, Callable[[Kept], Sheet]] = {
    "passport": passport, "head-change": head_change, "inspection": inspection, "condition": condition, "order": order,
}
