"""What is kept beside the states: documents, what happened to the heads, photographs, and a cache."""

from __future__ import annotations

import contextlib
import json
import math
import sqlite3
from dataclasses import dataclass
from typing import Any

from ..errors import LogError
from ..records import HEADS
from .rows import moment, new_uuid, now, plain, text_of
from .states import States
from .takes import Vault, digest

HAPPENINGS = ("fitted", "played", "fault", "mended", "taken off", "checked")
CACHE_BYTES = 256_000_000  # the cache is emptied from its oldest end beyond this


@dataclass(frozen=True)
class Photograph:
    """A photograph of a drum, or of one of its states; ``sha256`` names its file."""

    id: int
    state: int | None  # number of the state
    sha256: str
    name: str
    words: str
    taken_at: str
    bytes: int


class Beside(States):
    """Part of ``Log``: everything that is not a state."""

    photographs_folder: Vault

    # -- a cache: set-ups of a fit, and other things that can be made anew
    def keep(self, key: str, value: bytes) -> None:
        """Put ``value`` into the cache; the oldest entries leave when it grows beyond 256 MB."""
        with self._writing() as db:
            db.execute("INSERT OR REPLACE INTO kept (key, kept_at, value) VALUES (?, ?, ?)", (plain(key), now(), value))
            db.execute(
                "DELETE FROM kept WHERE key IN (SELECT key FROM (SELECT key, sum(length(value)) OVER "
                "(ORDER BY kept_at DESC, key) AS so_far FROM kept) WHERE so_far > ?) AND key <> ?",
                (CACHE_BYTES, plain(key)),
            )

    def kept(self, key: str) -> bytes | None:
        """What was kept under ``key``, or None."""
        row = self._row("SELECT value FROM kept WHERE key = ?", (plain(key),))
        return None if row is None else bytes(row[0])

    # -- documents: taps, state of the rods, learned turns, listening tests, records of a learner
    def set_note(self, drum_id: int | None, key: str, document: Any) -> None:
        """Keep a JSON document beside a drum (None: beside the log), in place of the one under this key."""
        text = text_of(document)
        with self._writing() as db:
            if drum_id is not None:
                self.drum(drum_id)
            db.execute("DELETE FROM notes WHERE ifnull(drum_id, 0) = ? AND key = ?", (drum_id or 0, plain(key)))
            db.execute("INSERT INTO notes (drum_id, key, document, changed_at) VALUES (?, ?, ?, ?)",
                       (drum_id, plain(key), text, now()))

    def get_note(self, drum_id: int | None, key: str) -> Any:
        """The document under ``key``, or None."""
        row = self._row("SELECT document FROM notes WHERE ifnull(drum_id, 0) = ? AND key = ?", (drum_id or 0, plain(key)))
        return None if row is None else json.loads(row[0])

    def notes(self, drum_id: int | None, prefix: str = "") -> dict[str, Any]:
        """All documents beside a drum whose key begins with ``prefix``, by key."""
        rows = self._rows("SELECT key, document FROM notes WHERE ifnull(drum_id, 0) = ? ORDER BY key", (drum_id or 0,))
        return {key: json.loads(document) for key, document in rows if key.startswith(prefix)}

    # -- heads: type, date fitted, hours played, faults
    def add_head_event(self, drum_id: int, head: str, what: str, *, words: str = "", happened_at: str | None = None,
                       kind: str = "", hours: float | None = None) -> dict[str, Any]:
        """Note what happened to a head: fitted (with its ``kind``), played (``hours``), a fault, and so on.

        Raises
        ------
        LogError
            When drum, head, happening, date or hours make no sense.
        """
        if head not in HEADS:
            raise LogError(f"'{head}' is no head: name batter or resonant.")
        if what not in HAPPENINGS:
            raise LogError(f"'{what}' does not happen to a head: choose among {', '.join(HAPPENINGS)}.")
        if hours is not None and not (math.isfinite(hours) and 0 <= hours <= 100_000):
            raise LogError("the hours that a head was played are a number from 0 on.")
        row = (new_uuid(), drum_id, head, what, moment(happened_at) if happened_at else now(), plain(kind), hours,
               plain(words))
        with self._writing() as db:
            self.drum(drum_id)
            db.execute("INSERT INTO head_events (uuid, drum_id, head, what, happened_at, kind, hours, words) "
                       "VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
        return _event(row[2:])

    def head_events(self, drum_id: int) -> tuple[dict[str, Any], ...]:
        """What happened to the heads of a drum, oldest first: head, what, happened_at, kind, hours, words."""
        rows = self._rows("SELECT head, what, happened_at, kind, hours, words FROM head_events WHERE drum_id = ? "
                          "ORDER BY happened_at, id", (drum_id,))
        return tuple(_event(row) for row in rows)

    def heads_now(self, drum_id: int) -> dict[str, dict[str, Any]]:
        """Per head: kind, fitted_at, hours played since, and its faults that were not mended."""
        out: dict[str, dict[str, Any]] = {}
        for event in self.head_events(drum_id):
            if event["what"] == "fitted":
                out[event["head"]] = {"kind": event["kind"], "fitted_at": event["happened_at"],
                                      "hours": event["hours"] or 0.0, "faults": []}
                continue
            head = out.setdefault(event["head"], {"kind": "", "fitted_at": None, "hours": 0.0, "faults": []})
            head["hours"] += event["hours"] or 0.0
            if event["what"] == "fault":
                head["faults"].append(event["words"])
            elif event["what"] == "mended":
                head["faults"] = [f for f in head["faults"] if event["words"] and f != event["words"]]
            elif event["what"] == "taken off":
                del out[event["head"]]
        return out

    # -- photographs
    def add_photograph(self, drum_id: int, data: bytes, *, name: str, number: int | None = None, words: str = "",
                       taken_at: str | None = None) -> Photograph:
        """Keep a photograph (opaque bytes) of a drum, or of its state ``number``; raises ``LogError``."""
        if not data:
            raise LogError(f"the photograph {name} is empty: choose another file.")
        when, sha256 = moment(taken_at) if taken_at else now(), digest(data)
        self._refuse_readonly()
        settled = False
        try:
            with self._disk_faults(), self.photographs_folder.staged([data]) as staged, self._writing() as db:
                self.drum(drum_id)
                state_id = None if number is None else self._state_id(db, drum_id, number)
                settled = self.photographs_folder.settle(staged[0], lambda: data)
                done = db.execute(
                    "INSERT INTO photographs (uuid, drum_id, state_id, sha256, bytes, name, words, taken_at) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (new_uuid(), drum_id, state_id, sha256, len(data), plain(name), plain(words), when),
                )
        except BaseException:
            if settled:
                self._forget_photograph(sha256)
            raise
        return Photograph(int(done.lastrowid or 0), number, sha256, plain(name), plain(words), when, len(data))

    def _forget_photograph(self, sha256: str) -> None:
        with contextlib.suppress(LogError, OSError), self._writing() as db:
            if db.execute("SELECT 1 FROM photographs WHERE sha256 = ?", (sha256,)).fetchone() is None:
                self.photographs_folder.path(sha256).unlink(missing_ok=True)

    def _state_id(self, db: sqlite3.Connection, drum_id: int, number: int) -> int:
        self.state(drum_id, number)  # says what there is when it is unknown
        return int(db.execute("SELECT id FROM states WHERE drum_id = ? AND number = ?", (drum_id, number)).fetchone()[0])

    def photographs(self, drum_id: int, number: int | None = None) -> tuple[Photograph, ...]:
        """Photographs of a drum, all or those of one state."""
        rows = self._rows(
            "SELECT p.id, s.number, p.sha256, p.name, p.words, p.taken_at, p.bytes FROM photographs p "
            "LEFT JOIN states s ON s.id = p.state_id WHERE p.drum_id = ? ORDER BY p.taken_at, p.id", (drum_id,))
        return tuple(Photograph(*row) for row in rows if number is None or row[1] == number)

    def photograph_bytes(self, sha256: str) -> bytes:
        """A photograph, checked against its name; ``LogError`` when missing or damaged."""
        return self.photographs_folder.read(sha256)


def _event(row: Any) -> dict[str, Any]:
    return dict(zip(("head", "what", "happened_at", "kind", "hours", "words"), row, strict=True))
