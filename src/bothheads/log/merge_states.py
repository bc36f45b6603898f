"""The states of one drum from two logs: known ones compared, new ones added, all numbered in time."""

from __future__ import annotations

import json
import sqlite3
import uuid as uuids
from typing import TYPE_CHECKING, Any

from ..wire import turns_from
from .archive import Archive
from .order import interleave
from .rows import drum_of, drum_text, moment, plain, summary_of, text_of, turns_rows
from .state_rows import WORDS, insert_state, insert_take, insert_turns, state_document, values_of
from .store import Log

if TYPE_CHECKING:
    from .merge import ImportReport

_PARKED = 1_000_000_000  # added to numbers while they are being exchanged


def merge_states(log: Log, db: sqlite3.Connection, archive: Archive, report: ImportReport, drum_id: int, drum: str,
                 names: list[str]) -> None:
    """States of an export into a drum of the log; raises like any broken document would."""
    ours = db.execute("SELECT uuid, made_at FROM states WHERE drum_id = ? ORDER BY number", (drum_id,)).fetchall()
    theirs: list[tuple[int, str]] = []
    new: list[str] = []
    for name in names:
        d = archive.state(name)
        uuid = _uuid(d["uuid"])
        row = db.execute("SELECT id, drum_id FROM states WHERE uuid = ?", (uuid,)).fetchone()
        if row is None:
            _add(db, archive, report, drum_id, len(ours) + len(new) + 1, d)
            new.append(uuid)
        elif row[1] != drum_id:
            report.warnings.append(f"a state of {drum} stands under another drum here already: it was left there.")
            continue
        else:
            _correct(log, db, report, row[0], d)
        _revisions(db, report, uuid, d["revisions"])
        theirs.append((_whole(d["number"]), uuid))
    _number(db, report, drum_id, drum, [row[0] for row in ours], [uuid for _, uuid in sorted(theirs)])
    _warn_of_turns(db, report, drum_id, drum, new)


def _uuid(value: Any) -> str:
    if not isinstance(value, str) or str(uuids.UUID(value)) != value:
        raise ValueError("a state's name is no UUID")
    return value


def _whole(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError("a whole number is missing")
    return value


def _document(d: dict[str, Any]) -> dict[str, Any]:
    """The part of a state's document that can be corrected, checked and written as this log writes it."""
    for key in WORDS:
        if not isinstance(d[key], str):
            raise TypeError(f"{key} is no text")
    for key in ("reading", "fit"):
        if d[key] is not None and not isinstance(d[key], dict):
            raise TypeError(f"{key} is no table")
    settings = d["settings"]
    if not isinstance(settings, dict) or not all(isinstance(v, str) for v in settings.values()):
        raise TypeError("settings are no table of texts")
    turns_rows(turns_from(d["turns"]))
    return {
        "made_at": moment(d["made_at"]), "drum": json.loads(drum_text(drum_of(text_of(d["drum"])))), "turns": d["turns"],
        "reading": d["reading"], "fit": d["fit"], **{key: plain(d[key]) for key in WORDS}, "settings": settings,
    }


def _add(db: sqlite3.Connection, archive: Archive, report: ImportReport, drum_id: int, number: int,
         d: dict[str, Any]) -> None:
    document = _document(d)
    values = values_of(document)
    follows = None if d["follows"] is None else _uuid(d["follows"])
    state_id = insert_state(db, drum_id, number, follows, values,
                            summary_of(document["reading"], drum_of(values["drum"])),
                            uuid=d["uuid"], changed_at=moment(d["changed_at"]))
    insert_turns(db, state_id, turns_rows(turns_from(document["turns"])))
    for position, take in enumerate(d["takes"]):
        archive.must_hold(take["file"], take["sha256"])
        channels = take["channels"]
        if not isinstance(channels, list) or not all(isinstance(c, str) for c in channels):
            raise TypeError("a take's channels are no list of texts")
        insert_take(db, state_id, position, {
            "uuid": _uuid(take["uuid"]), "sha256": take["sha256"], "bytes": _whole(take["bytes"]),
            "channels": text_of(channels), "sample_rate_hz": _whole(take["sample_rate_hz"]),
            "frames": _whole(take["frames"]), "recorded_at": moment(take["recorded_at"]),
            "source_name": plain(take["source_name"]),
        })
        report.takes += 1
    report.states += 1


def _correct(log: Log, db: sqlite3.Connection, report: ImportReport, state_id: int, d: dict[str, Any]) -> None:
    """Two versions of one state: the later one stands, the other is kept."""
    number, drum_id, ours_at = db.execute("SELECT number, drum_id, changed_at FROM states WHERE id = ?", (state_id,)).fetchone()
    before = log.state(drum_id, number)
    ours, document, theirs_at = text_of(state_document(before)), _document(d), moment(d["changed_at"])
    theirs = text_of(document)
    known = db.execute("SELECT 1 FROM state_revisions WHERE state_id = ? AND changed_at = ? AND document = ?",
                       (state_id, theirs_at, theirs)).fetchone()
    if ours == theirs or known:
        return
    if (theirs_at, theirs) < (ours_at, ours):
        report.kept_aside += _aside(db, state_id, theirs, theirs_at, ours_at)
        return
    log._put_state_aside(state_id, before, theirs_at)
    log._write_state(state_id, document, theirs_at)
    report.corrected += 1


def _aside(db: sqlite3.Connection, state_id: int, document: str, changed_at: str, replaced_at: str) -> int:
    """Keep a version that does not stand; of two moments at which it was put aside the earlier one counts."""
    key = (state_id, changed_at, document)
    done = db.execute(
        "INSERT INTO state_revisions (state_id, changed_at, document, replaced_at) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (state_id, changed_at, document) DO NOTHING", (*key, replaced_at))
    db.execute("UPDATE state_revisions SET replaced_at = min(replaced_at, ?) "
               "WHERE state_id = ? AND changed_at = ? AND document = ?", (replaced_at, *key))
    return done.rowcount


def _revisions(db: sqlite3.Connection, report: ImportReport, uuid: str, revisions: list[dict[str, Any]]) -> None:
    state_id = db.execute("SELECT id FROM states WHERE uuid = ?", (uuid,)).fetchone()[0]
    for r in revisions:
        _aside(db, state_id, text_of(_document(r["document"])), moment(r["changed_at"]), moment(r["replaced_at"]))


def _number(db: sqlite3.Connection, report: ImportReport, drum_id: int, drum: str, ours: list[str],
            theirs: list[str]) -> None:
    """Number the states in time: the turns of a state count from the one before it, so their order is physics."""
    made = dict(db.execute("SELECT uuid, made_at FROM states WHERE drum_id = ?", (drum_id,)).fetchall())
    order = interleave([(u, made[u]) for u in ours], [(u, made[u]) for u in theirs])
    now = dict(db.execute("SELECT uuid, number FROM states WHERE drum_id = ?", (drum_id,)).fetchall())
    moved = [(number, uuid) for number, uuid in enumerate(order, 1) if now[uuid] != number]
    db.executemany("UPDATE states SET number = number + ? WHERE uuid = ?", [(_PARKED, uuid) for _, uuid in moved])
    db.executemany("UPDATE states SET number = ? WHERE uuid = ?", moved)
    known = set(ours)
    renamed = [f"{now[uuid]} is now {number}" for number, uuid in moved if uuid in known]
    if renamed:
        more = f" and {len(renamed) - 8} more" if len(renamed) > 8 else ""
        report.warnings.append(f"states of {drum} were numbered anew in time: {', '.join(renamed[:8])}{more}; "
                               "papers printed before carry the old numbers.")


def _warn_of_turns(db: sqlite3.Connection, report: ImportReport, drum_id: int, drum: str, new: list[str]) -> None:
    """Say where the turns of a state no longer start from the state before it."""
    rows = db.execute(
        "SELECT number, uuid, follows, lag(uuid) OVER (ORDER BY number), "
        "EXISTS (SELECT 1 FROM turns WHERE state_id = states.id) FROM states WHERE drum_id = ? ORDER BY number",
        (drum_id,)).fetchall()
    if not new:
        return
    numbers = {row[1]: row[0] for row in rows}
    for number, _, follows, before, turned in rows:
        if turned and follows is not None and follows != before and follows in numbers:
            report.warnings.append(f"the turns of state {number} of {drum} were noted since state {numbers[follows]}, "
                                   "not since the state before it: look at them.")
