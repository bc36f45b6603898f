"""Two logs become one: nothing twice, nothing lost, the later correction stands and the other one is kept."""

from __future__ import annotations

import json
import sqlite3
import uuid as uuids
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from ..errors import DrumFileError, LogError
from .archive import Archive
from .drums import checked_name, drum_document
from .merge_states import merge_states
from .rows import drum_of, drum_text, moment, name_key, plain, text_of
from .store import Log
from .takes import Staged, Vault

T = TypeVar("T")


@dataclass
class ImportReport:
    """What an import brought."""

    drums: int = 0  # new ones
    states: int = 0  # new ones
    takes: int = 0  # new ones
    photographs: int = 0  # new ones
    corrected: int = 0  # drums and states whose present version is now the other log's
    kept_aside: int = 0  # versions of the other log that were older than ours, kept as revisions
    warnings: list[str] = field(default_factory=list)  # drums joined or renamed, states renumbered, in sentences


def merge(log: Log, archive: Archive, sounds: Sequence[Staged], pictures: Sequence[Staged]) -> ImportReport:
    """Everything of ``archive`` into ``log`` in one transaction; its staged files get their names in it.

    Raises
    ------
    LogError
        Anything in the archive is not as an export writes it: then nothing was changed.
    """
    report = ImportReport()
    new: list[str] = []
    pictured: list[str] = []
    try:
        with log._writing() as db:
            try:
                new += _settle(archive, log.recordings, "takes/", sounds)
                pictured += _settle(archive, log.photographs_folder, "photographs/", pictures)
                work = _Merge(log, db, archive, report)
                for document, states in archive.drums():
                    work.drum(document, states)
                work.notes(None, archive.notes())
            except (KeyError, TypeError, ValueError, AttributeError, OverflowError, DrumFileError,
                    sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError) as error:
                raise archive.wrong(f"its documents are not whole: {plain(str(error))[:120]}") from error
    except BaseException:
        log._forget(new)
        for sha256 in pictured:
            log._forget_photograph(sha256)
        raise
    return report


def _settle(archive: Archive, vault: Vault, folder: str, staged: Sequence[Staged]) -> list[str]:
    names = {name.removeprefix(folder)[:64]: name for name in archive.names(folder)}
    return [one.sha256 for one in staged if vault.settle(one, lambda one=one: archive.bytes_of(names[one.sha256]))]  # type: ignore[misc]


def a_uuid(value: Any) -> str:
    """``value`` when it is a UUID in its usual form; ``ValueError`` otherwise."""
    if not isinstance(value, str) or str(uuids.UUID(value)) != value:
        raise ValueError("a name that is no UUID")
    return value


def a(kind: type[T], value: Any) -> T:
    """``value`` when it is of this type; ``TypeError`` otherwise."""
    if not isinstance(value, kind) or (kind is not bool and isinstance(value, bool)):
        raise TypeError(f"a {kind.__name__} is missing")
    return value


class _Merge:
    """One import under way."""

    def __init__(self, log: Log, db: sqlite3.Connection, archive: Archive, report: ImportReport) -> None:
        self.log = log
        self.db = db
        self.archive = archive
        self.report = report

    def drum(self, d: dict[str, Any], state_names: list[str]) -> None:
        """One drum with all that belongs to it."""
        name = checked_name(a(str, d["name"]))
        drum_id = self._known(d)
        if drum_id is None:
            drum_id = self._add(d, name)
        else:
            self._correct(drum_id, d, name)
        for other in (d["uuid"], *d["also"]):
            self._alias(a_uuid(other), drum_id)
        for revision in d["revisions"]:
            v = revision["document"]
            self._aside(drum_id, drum_document(a(str, v["name"]), _drum_text(v["drum"]), a(str, v["toml"])),
                        moment(a(str, revision["changed_at"])), moment(a(str, revision["replaced_at"])))
        self.notes(drum_id, d["notes"])
        self._head_events(drum_id, d["head_events"])
        entry_name = self.db.execute("SELECT name FROM drums WHERE id = ?", (drum_id,)).fetchone()[0]
        merge_states(self.log, self.db, self.archive, self.report, drum_id, entry_name, state_names)
        self._photographs(drum_id, d["photographs"])

    def _known(self, d: dict[str, Any]) -> int | None:
        """Our number of this drum: by its own name, by one it was merged under, or the same name and sizes."""
        for uuid in (d["uuid"], *d["also"]):
            row = self.db.execute("SELECT id FROM drums WHERE uuid = ? UNION SELECT drum_id FROM drum_aliases WHERE uuid = ?",
                                  (a_uuid(uuid), uuid)).fetchone()
            if row:
                return int(row[0])
        row = self.db.execute("SELECT id, name, drum FROM drums WHERE name_key = ?", (name_key(a(str, d["name"])),)).fetchone()
        if row is None or not _same_sizes(json.loads(row[2]), d["drum"]):
            return None
        self.report.warnings.append(f"{row[1]} is in both logs with the same name and sizes: their states were put together.")
        return int(row[0])

    def _alias(self, uuid: str, drum_id: int) -> None:
        if self.db.execute("SELECT 1 FROM drums WHERE uuid = ?", (uuid,)).fetchone() is None:
            self.db.execute("INSERT INTO drum_aliases (uuid, drum_id) VALUES (?, ?) ON CONFLICT (uuid) DO NOTHING",
                            (uuid, drum_id))

    def _free_name(self, name: str, drum_id: int | None) -> str:
        free, count = name, 1
        while (taken := self.db.execute("SELECT id FROM drums WHERE name_key = ?", (name_key(free),)).fetchone()) and \
                taken[0] != drum_id:
            count += 1
            free = f"{name} ({count})"
        if free != name:
            self.report.warnings.append(f"another drum is called {name} here: the one brought in is now {free}.")
        return free

    def _add(self, d: dict[str, Any], name: str) -> int:
        free = self._free_name(name, None)
        added_at, changed_at = moment(a(str, d["added_at"])), moment(a(str, d["changed_at"]))
        text = _drum_text({**d["drum"], "name": free} if free != name else d["drum"])
        done = self.db.execute(
            "INSERT INTO drums (uuid, name, name_key, drum, toml, added_at, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (d["uuid"], free, name_key(free), text, a(str, d["toml"]), added_at, changed_at))
        self.report.drums += 1
        drum_id = int(done.lastrowid or 0)
        if free != name:
            self._aside(drum_id, drum_document(name, _drum_text(d["drum"]), d["toml"]), changed_at, changed_at)
        return drum_id

    def _correct(self, drum_id: int, d: dict[str, Any], name: str) -> None:
        """Two descriptions of one drum: the later one stands, the other is kept."""
        row = self.db.execute("SELECT name, drum, toml, changed_at FROM drums WHERE id = ?", (drum_id,)).fetchone()
        ours, theirs = drum_document(*row[:3]), drum_document(name, _drum_text(d["drum"]), a(str, d["toml"]))
        changed_at = moment(a(str, d["changed_at"]))
        known = self.db.execute("SELECT 1 FROM drum_revisions WHERE drum_id = ? AND changed_at = ? AND document = ?",
                                (drum_id, changed_at, theirs)).fetchone()
        if ours == theirs or known:
            return
        if (changed_at, theirs) < (row[3], ours):
            self._aside(drum_id, theirs, changed_at, row[3])
            return
        free = self._free_name(name, drum_id)
        self._aside(drum_id, ours, row[3], changed_at)
        text = _drum_text({**d["drum"], "name": free} if free != name else d["drum"])
        self.db.execute("UPDATE drums SET name = ?, name_key = ?, drum = ?, toml = ?, changed_at = ? WHERE id = ?",
                        (free, name_key(free), text, d["toml"], changed_at, drum_id))
        self.report.corrected += 1

    def _aside(self, drum_id: int, document: str, changed_at: str, replaced_at: str) -> None:
        """Keep a version that does not stand; of two moments at which it was put aside the earlier one counts."""
        key = (drum_id, changed_at, document)
        done = self.db.execute(
            "INSERT INTO drum_revisions (drum_id, changed_at, document, replaced_at) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (drum_id, changed_at, document) DO NOTHING", (*key, replaced_at))
        self.db.execute("UPDATE drum_revisions SET replaced_at = min(replaced_at, ?) "
                        "WHERE drum_id = ? AND changed_at = ? AND document = ?", (replaced_at, *key))
        self.report.kept_aside += done.rowcount

    def notes(self, drum_id: int | None, documents: Any) -> None:
        """Documents beside a drum: the later one stands, the other stays under a name of its own."""
        for entry in a(list, documents):
            key, when, text = a(str, entry["key"]), moment(a(str, entry["changed_at"])), text_of(entry["document"])
            row = self.db.execute("SELECT document, changed_at FROM notes WHERE ifnull(drum_id, 0) = ? AND key = ?",
                                  (drum_id or 0, key)).fetchone()
            if row and row[0] == text:
                continue
            if row and (when, text) < (row[1], row[0]):
                self._put_note(drum_id, f"before-merge/{when}/{key}", text, when)
                continue
            if row:
                self._put_note(drum_id, f"before-merge/{row[1]}/{key}", row[0], row[1])
            self._put_note(drum_id, key, text, when)

    def _put_note(self, drum_id: int | None, key: str, text: str, when: str) -> None:
        self.db.execute("DELETE FROM notes WHERE ifnull(drum_id, 0) = ? AND key = ?", (drum_id or 0, key))
        self.db.execute("INSERT INTO notes (drum_id, key, document, changed_at) VALUES (?, ?, ?, ?)",
                        (drum_id, key, text, when))

    def _head_events(self, drum_id: int, events: Any) -> None:
        for e in a(list, events):
            hours = e["hours"]
            self.db.execute(
                "INSERT INTO head_events (uuid, drum_id, head, what, happened_at, kind, hours, words) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (uuid) DO NOTHING",
                (a_uuid(e["uuid"]), drum_id, a(str, e["head"]), a(str, e["what"]), moment(a(str, e["happened_at"])),
                 a(str, e["kind"]), None if hours is None else float(hours), a(str, e["words"])))

    def _photographs(self, drum_id: int, photographs: Any) -> None:
        for p in a(list, photographs):
            self.archive.must_hold(a(str, p["file"]), a(str, p["sha256"]))
            state_id = None
            if p["state"] is not None:
                state_id = self.db.execute("SELECT id FROM states WHERE uuid = ?", (a_uuid(p["state"]),)).fetchone()[0]
            done = self.db.execute(
                "INSERT INTO photographs (uuid, drum_id, state_id, sha256, bytes, name, words, taken_at) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (uuid) DO NOTHING",
                (a_uuid(p["uuid"]), drum_id, state_id, p["sha256"], a(int, p["bytes"]), a(str, p["name"]),
                 a(str, p["words"]), moment(a(str, p["taken_at"]))))
            self.report.photographs += done.rowcount


def _drum_text(tables: Any) -> str:
    """A drum's tables as the log writes them; refused when they are no drum."""
    try:
        return drum_text(drum_of(text_of(a(dict, tables))))
    except LogError as error:
        raise ValueError(str(error)) from None


def _same_sizes(ours: dict[str, Any], theirs: dict[str, Any]) -> bool:
    def sizes(d: dict[str, Any]) -> tuple[Any, ...]:
        return (round(float(d["diameter_m"]), 3), round(float(d["depth_m"]), 3), d["batter"].get("rods"),
                d["resonant"].get("rods"))

    return sizes(ours) == sizes(theirs)
