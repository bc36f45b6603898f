"""The verbs below ``log``: add, take, show, state, card, cause, correct, check, export, import."""

from __future__ import annotations

import json
import sys
from argparse import Namespace
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from .. import papers, session
from ..errors import CannotAnswer
from ..records import State
from . import words
from .files import read_bytes, write_bytes

DONE = 0


def log_command(options: Namespace) -> int:
    """Dispatch to the act named after ``log``."""
    return _ACTS[options.act](options)


def _say(options: Namespace, answer: dict[str, Any], lines: Iterable[str]) -> None:
    stream = sys.stderr if options.json else sys.stdout
    for line in lines:
        print(line, file=stream)
    if options.json:
        print(json.dumps(answer, allow_nan=False))


def _add(options: Namespace) -> int:
    with session.open_log(options.log) as log:
        entry = session.add_drum(options.file, log=log)
    _say(options, {"drum": entry.id, "name": entry.name},
         [f"{entry.name} is drum {entry.id} in the log; keep a strike with "
          f"'bothheads log take \"{entry.name}\" FILE'."])
    return DONE


def _take(options: Namespace) -> int:
    with session.open_log(options.log, create=False) as log:
        state, reading, fit = session.take_files(
            options.drum, options.files, log=log, turns=options.turns, sets=options.sets,
            channels=options.channels, place=options.place, remark=options.remark, who=options.who,
            beater=options.beater,
        )
    lines = [f"Kept as state {state.number}.", *words.reading_lines(reading)]
    lines += words.fit_lines(fit) if fit else ["The heads: not fitted, no partial was credible."]
    for warning in (*reading.warnings, *(fit.warnings if fit else ())):
        print(f"Note: {warning}", file=sys.stderr)
    _say(options, session.as_json(state), lines)
    return DONE


def state_line(state: State) -> str:
    """One state in one line: number, date, note, tensions, turns, remark."""
    note = (state.reading or {}).get("note") or {}
    heard = "note refused"
    if note.get("frequency_hz"):
        heard = f"{note['frequency_hz']:.2f} Hz {note.get('name') or ''}"
    fit = state.fit or {}
    heads = ""
    if fit.get("batter") and not fit.get("refused"):
        other = f" / {fit['resonant']['tension']:.0f}" if fit.get("resonant") else ""
        heads = f"  heads {fit['batter']['tension']:.0f}{other} N/m"
    turned = ", ".join(f"{t.head}{'' if t.rod is None else f' rod {t.rod}'} {t.turns:+g}" for t in state.turns)
    turned = f"  turned {turned}" if turned else ""
    return f"{state.number:4d}  {state.made_at[:16]}  {heard}{heads}{turned}  {state.remark}"


def _show(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        if options.drum is None:
            drums = log.drums()
            _say(options, {"schema": "bothheads.drums/1", "drums": [
                {"drum": d.id, "name": d.name, "states": d.states} for d in drums]},
                [f"{d.id:4d}  {d.name}  {d.states} states" for d in drums] or ["The log holds no drum yet."])
            return DONE
        entry = log.find_drum(options.drum)
        states = log.states(entry.id)
    lines = [f"{entry.name} (drum {entry.id})", *(state_line(s) for s in states)]
    _say(options, session.drum_json(entry, states), lines)
    return DONE


def _state(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        state = log.state(log.find_drum(options.drum).id, options.number)
    _say(options, session.as_json(state), [state_line(state), session.drum_text(state.drum)])
    return DONE


def _card(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        kept = session.kept_state(log, options.drum, options.number, other=options.other,
                                  sounds=options.paper in ("lesson", "comparison"))
    sheet = papers.sheet_of(options.paper, kept)
    as_pdf = options.out.lower().endswith(".pdf")
    write_bytes(options.out, papers.pdf(sheet) if as_pdf else papers.html(sheet).encode())
    _say(options, {"file": options.out, "paper": options.paper}, [f"{options.out} is ready to print."])
    return DONE


def _cause(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        causes = session.cause_of_change(options.drum, options.first, options.second, log=log)
    answer = {"schema": "bothheads.cause/1", "causes": [
        {"what": c.what, "odds": c.odds, "words": c.words} for c in causes]}
    lines = [f"{c.odds:5.2f}  {c.what}: {c.words}" for c in causes]
    if causes and causes[0].what == "cannot tell":
        raise CannotAnswer(causes[0].words, {**answer, "refused": causes[0].words})
    _say(options, answer, lines)
    return DONE


def _correct(options: Namespace) -> int:
    changes = {k: v for k in ("place", "remark", "who", "beater") if (v := getattr(options, k)) is not None}
    with session.open_log(options.log, create=False) as log:
        entry = log.find_drum(options.drum)
        log.update_state(entry.id, options.number, **changes)
        state = log.state(entry.id, options.number)
    _say(options, session.as_json(state), [state_line(state), "What was there before is kept."])
    return DONE


def _head(options: Namespace) -> int:
    with session.open_log(options.log, create=False) as log:
        entry = log.find_drum(options.drum)
        event = log.add_head_event(entry.id, options.head, options.what, words=options.words, kind=options.kind,
                                   hours=options.hours, happened_at=options.date)
        now = log.heads_now(entry.id)
    said = now.get(options.head)
    line = f"Noted: {options.head} head, {options.what}."
    if said:
        faults = f"; faults: {', '.join(said['faults'])}" if said["faults"] else ""
        line += f" Now: {said['kind'] or 'type not noted'}, {said['hours']:.0f} hours{faults}."
    _say(options, {"schema": "bothheads.head-event/1", "event": event, "heads": now}, [line])
    return DONE


def _heads(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        answer, lines = session.heads_of(log, options.drum)
    _say(options, answer, lines)
    return DONE


def _recall(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        found = session.recall(options.drum, options.number, log=log)
    lines = [f"From state {found.now.number} back to state {found.then.number}:", *(f"  {d}" for d in found.differences)]
    _say(options, session.recall_json(found), [*lines, *words.plan_lines(found.plan)])
    return DONE


def _photo(options: Namespace) -> int:
    data = read_bytes(options.file)
    with session.open_log(options.log, create=False) as log:
        kept = log.add_photograph(log.find_drum(options.drum).id, data, name=Path(options.file).name,
                                  number=options.state, words=options.words)
    _say(options, {"schema": "bothheads.photograph/1", "sha256": kept.sha256, "name": kept.name, "bytes": kept.bytes},
         [f"{kept.name} is kept ({kept.bytes} bytes)."])
    return DONE


def _check(options: Namespace) -> int:
    answer, lines = session.check_log(options.log, mend=options.mend)
    if not answer["clean"]:
        raise CannotAnswer(lines[0], {**answer, "refused": lines[0]})
    _say(options, answer, lines)
    return DONE


def _export(options: Namespace) -> int:
    with session.open_log(options.log, create=False, readonly=True) as log:
        answer = session.export_to(log, options.out, options.drums)
    lost = [f"A recording is missing and was left out: {name}" for name in answer.get("missing", ())]
    _say(options, answer, [f"{options.out} holds {answer['drums']} drums and {answer['takes']} takes.", *lost])
    return DONE


def _import(options: Namespace) -> int:
    with session.open_log(options.log) as log:
        answer = session.import_from(log, options.file)
    _say(options, answer, [f"Brought in: {answer['states']} new states, {answer['takes']} takes.",
                           *answer.get("warnings", ())])
    return DONE


_ACTS: dict[str, Callable[[Namespace], int]] = {
    "add": _add, "take": _take, "show": _show, "state": _state, "card": _card, "cause": _cause,
    "correct": _correct, "head": _head, "heads": _heads,
    "recall": _recall, "photo": _photo, "check": _check, "export": _export, "import": _import,
}
