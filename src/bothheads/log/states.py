"""The states of a drum with their takes: one transaction each; corrections keep what was there before."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from ..errors import LogError
from ..records import Drum, State, Turn
from ..wire import turns_from
from .drums import Drums
from .rows import drum_of, drum_text, moment, now, plain, summary_of, text_of, turns_rows
from .state_rows import (
    STATE_COLUMNS,
    WORDS,
    insert_state,
    insert_take,
    insert_turns,
    merged,
    state_document,
    state_from,
    state_of,
    take_values,
    takes_of_states,
    turns_of_states,
    values_of,
)
from .takes import TakeInput, Vault

CHANGEABLE = (*WORDS, "made_at", "drum", "turns", "reading", "fit", "settings")


class StateSummary(NamedTuple):
    """One line of a listing."""

    number: int
    made_at: str
    note_hz: float | None
    note_name: str | None
    t60_s: float | None
    batter_tension: float | None
    resonant_tension: float | None
    place: str
    remark: str


@dataclass(frozen=True)
class Revision:
    """A state as it stood before a correction."""

    state: State
    changed_at: str  # when this version was written
    replaced_at: str  # when it was put aside


class States(Drums):
    """Part of ``Log``: states and takes."""

    recordings: Vault

    def add_state(
        self, drum_id: int, *, drum: Drum, turns: tuple[Turn, ...] = (), takes: Sequence[TakeInput] = (),
        reading: dict[str, Any] | None = None, fit: dict[str, Any] | None = None,
        place: str = "", remark: str = "", who: str = "", beater: str = "",
        settings: dict[str, str] | None = None, made_at: str | None = None,
    ) -> State:
        """A new state of a drum with its recordings; when this returns, both outlive a kill or a power cut.

        Raises
        ------
        LogError
            Unknown drum, impossible values, or a log that is read-only, busy, or out of room: then
            nothing of the state was kept.
        """
        values = {
            "made_at": moment(made_at) if made_at else now(), "drum": drum_text(drum),
            "reading": None if reading is None else text_of(reading), "fit": None if fit is None else text_of(fit),
            "place": plain(place), "remark": plain(remark), "who": plain(who), "beater": plain(beater),
            "settings": text_of(settings or {}),
        }
        summary, turned = summary_of(reading, drum), turns_rows(turns)
        described = [take_values(take) for take in takes]
        self._refuse_readonly()
        new: list[str] = []
        try:
            with self._disk_faults(), self.recordings.staged([t.flac for t in takes]) as staged, self._writing() as db:
                number, follows = self._next(drum_id)
                for one, take in zip(staged, takes, strict=True):
                    if self.recordings.settle(one, lambda take=take: take.flac):  # type: ignore[misc]
                        new.append(one.sha256)
                state_id = insert_state(db, drum_id, number, follows, values, summary)
                insert_turns(db, state_id, turned)
                for position, row in enumerate(described):
                    insert_take(db, state_id, position, row)
        except BaseException:
            self._forget(new)
            raise
        return self.state(drum_id, number)

    def _next(self, drum_id: int) -> tuple[int, str | None]:
        db = self._connection
        if db.execute("SELECT 1 FROM drums WHERE id = ?", (drum_id,)).fetchone() is None:
            raise self._unknown(str(drum_id))
        last = db.execute("SELECT number, uuid FROM states WHERE drum_id = ? ORDER BY number DESC LIMIT 1",
                          (drum_id,)).fetchone()
        return (last[0] + 1, last[1]) if last else (1, None)

    def _forget(self, hashes: Sequence[str]) -> None:
        """Remove files that were settled in a transaction which failed, unless somebody names them by now."""
        if not hashes:
            return
        with contextlib.suppress(LogError, OSError), self._writing() as db:
            for sha256 in hashes:
                if db.execute("SELECT 1 FROM recordings WHERE sha256 = ?", (sha256,)).fetchone() is None:
                    self.recordings.path(sha256).unlink(missing_ok=True)

    def states(self, drum_id: int, *, limit: int | None = None, offset: int = 0,
               newest_first: bool = False) -> tuple[State, ...]:
        """States of a drum in order of their numbers."""
        self.drum(drum_id)
        order = "DESC" if newest_first else "ASC"
        return self._states(
            f"SELECT {STATE_COLUMNS} FROM states WHERE drum_id = ? ORDER BY number {order} LIMIT ? OFFSET ?",
            (drum_id, -1 if limit is None else limit, offset),
        )

    def state(self, drum_id: int, number: int) -> State:
        """One state; ``LogError`` naming the range when there is none of that number."""
        found = self._states(f"SELECT {STATE_COLUMNS} FROM states WHERE drum_id = ? AND number = ?", (drum_id, number))
        if found:
            return found[0]
        entry = self.drum(drum_id)
        if not entry.states:
            raise LogError(f"{entry.name} has no state yet: keep one with 'bothheads log take \"{entry.name}\" FILE'.")
        raise LogError(f"{entry.name} has no state {number}: its states are 1 to {entry.states}.")

    def last_state(self, drum_id: int) -> State | None:
        """The state with the highest number, or None."""
        found = self._states(f"SELECT {STATE_COLUMNS} FROM states WHERE drum_id = ? ORDER BY number DESC LIMIT 1", (drum_id,))
        return found[0] if found else None

    def state_summaries(self, drum_id: int, limit: int | None = 1000, offset: int = 0, *,
                        newest_first: bool = True) -> tuple[StateSummary, ...]:
        """A page of a quick listing, answered from one index; newest first unless asked otherwise, None = all."""
        order = "DESC" if newest_first else "ASC"
        rows = self._rows(
            "SELECT number, made_at, note_hz, note_name, t60_s, batter_tension, resonant_tension, place, remark "
            f"FROM states INDEXED BY states_listing WHERE drum_id = ? ORDER BY number {order} LIMIT ? OFFSET ?",
            (drum_id, -1 if limit is None else limit, offset),
        )
        return tuple(map(StateSummary._make, rows))

    def _states(self, sql: str, values: tuple[Any, ...]) -> tuple[State, ...]:
        with self._reading() as db:
            rows = db.execute(sql, values).fetchall()
            ids = [row[0] for row in rows]
            turns, takes = turns_of_states(db, ids), takes_of_states(db, ids)
        return tuple(state_of(row, turns.get(row[0], ()), takes.get(row[0], ())) for row in rows)

    def update_state(self, drum_id: int, number: int, **changes: Any) -> State:
        """Correct a state; the version before is kept (``revisions``).

        Raises
        ------
        LogError
            An unknown state, or a field that cannot be corrected.
        """
        wrong = sorted(set(changes) - set(CHANGEABLE))
        if wrong:
            raise LogError(f"'{wrong[0]}' of a state cannot be corrected: choose among {', '.join(CHANGEABLE)}.")
        when = now()
        with self._writing() as db:
            before = self.state(drum_id, number)
            state_id = db.execute("SELECT id FROM states WHERE drum_id = ? AND number = ?", (drum_id, number)).fetchone()[0]
            new = merged(state_document(before), changes)
            self._put_state_aside(state_id, before, when)
            self._write_state(state_id, new, when)
        return self.state(drum_id, number)

    def _put_state_aside(self, state_id: int, before: State, when: str) -> None:
        """Keep a state as it stands now, before it is changed."""
        changed_at = self._connection.execute("SELECT changed_at FROM states WHERE id = ?", (state_id,)).fetchone()[0]
        self._connection.execute(
            "INSERT OR IGNORE INTO state_revisions (state_id, document, changed_at, replaced_at) VALUES (?, ?, ?, ?)",
            (state_id, text_of(state_document(before)), changed_at, when),
        )

    def _write_state(self, state_id: int, document: dict[str, Any], when: str) -> None:
        """Make ``document`` the present version of a state."""
        values = values_of(document)
        drum = drum_of(values["drum"])
        turned = turns_rows(turns_from(document["turns"]))
        names = [*values, "changed_at", "note_hz", "note_name", "t60_s", "batter_tension", "resonant_tension"]
        self._connection.execute(
            f"UPDATE states SET {', '.join(f'{n} = ?' for n in names)} WHERE id = ?",
            (*values.values(), when, *summary_of(document["reading"], drum), state_id),
        )
        self._connection.execute("DELETE FROM turns WHERE state_id = ?", (state_id,))
        insert_turns(self._connection, state_id, turned)

    def revisions(self, drum_id: int, number: int) -> tuple[Revision, ...]:
        """Earlier versions of a state, oldest first; its takes never change."""
        now_state = self.state(drum_id, number)
        rows = self._rows(
            "SELECT document, changed_at, replaced_at FROM state_revisions WHERE state_id = "
            "(SELECT id FROM states WHERE drum_id = ? AND number = ?) ORDER BY changed_at, id", (drum_id, number))
        return tuple(Revision(state_from(json.loads(row[0]), now_state), row[1], row[2]) for row in rows)

    def take_bytes(self, sha256: str) -> bytes:
        """The FLAC bytes of a take, checked against their name; ``LogError`` when missing or damaged."""
        return self.recordings.read(sha256)

    def take_path(self, sha256: str) -> Path:
        """Where the FLAC file of a take lies."""
        return self.recordings.path(sha256)
