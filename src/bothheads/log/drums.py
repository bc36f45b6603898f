"""The drums of a log: added, found, corrected; what stood before a correction is kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ..errors import LogError
from ..records import Drum, DrumEntry
from .connection import Connected
from .rows import drum_of, drum_text, name_key, new_uuid, now, plain, text_of

_COLUMNS = "id, name, drum, toml, added_at, (SELECT count(*) FROM states WHERE drum_id = drums.id)"


@dataclass(frozen=True)
class DrumRevision:
    """A drum's description as it stood before a correction."""

    name: str
    drum: Drum
    toml: str
    changed_at: str  # when this version was written
    replaced_at: str  # when it was put aside


def checked_name(name: str) -> str:
    """A drum's name ready to be stored; ``LogError`` when it reads like a drum's number or is empty."""
    name = " ".join(plain(name).split())
    if not name or name.isdigit():
        raise LogError(f"'{name}' cannot be a drum's name: give it a name with a letter, numbers are given by the log.")
    return name


class Drums(Connected):
    """Part of ``Log``: its drums."""

    def add_drum(self, drum: Drum, toml: str = "") -> DrumEntry:
        """A new drum; ``toml`` is its drum file as written by hand. ``LogError`` when the name is taken."""
        name, text, when = checked_name(drum.name), drum_text(drum), now()
        with self._writing() as db:
            self._name_free(name, None)
            row = db.execute(
                "INSERT INTO drums (uuid, name, name_key, drum, toml, added_at, changed_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (new_uuid(), name, name_key(name), text, plain(toml), when, when),
            )
            drum_id = int(row.lastrowid or 0)
        return self.drum(drum_id)

    def _name_free(self, name: str, drum_id: int | None) -> None:
        taken = self._connection.execute("SELECT id, name FROM drums WHERE name_key = ?", (name_key(name),)).fetchone()
        if taken and taken[0] != drum_id:
            raise LogError(
                f"the log already holds a drum called {taken[1]} (drum {taken[0]}): change the name in the drum file, "
                "or keep takes of that one."
            )

    def drums(self) -> tuple[DrumEntry, ...]:
        """All drums, in the order in which they came."""
        return tuple(_entry(row) for row in self._rows(f"SELECT {_COLUMNS} FROM drums ORDER BY id"))

    def drum(self, drum_id: int) -> DrumEntry:
        """The drum with this number; ``LogError`` when there is none."""
        row = self._row(f"SELECT {_COLUMNS} FROM drums WHERE id = ?", (drum_id,))
        if row is None:
            raise self._unknown(str(drum_id))
        return _entry(row)

    def find_drum(self, name_or_id: str | int) -> DrumEntry:
        """The drum of this name (case and spacing do not matter) or number; ``LogError`` listing what there is."""
        if isinstance(name_or_id, int):
            return self.drum(name_or_id)
        row = self._row(f"SELECT {_COLUMNS} FROM drums WHERE name_key = ?", (name_key(plain(name_or_id)),))
        if row is not None:
            return _entry(row)
        bare = name_or_id.strip()
        if bare.isascii() and bare.isdigit() and len(bare) < 18:
            return self.drum(int(bare))
        raise self._unknown(plain(bare))

    def _unknown(self, asked: str) -> LogError:
        known = [f"{row[1]} ({row[0]})" for row in self._rows("SELECT id, name FROM drums ORDER BY id LIMIT 13")]
        if not known:
            return LogError(f"the log {self.path} holds no drum yet: add one with 'bothheads log add DRUM.toml'.")
        there = ", ".join(known[:12]) + (", ..." if len(known) > 12 else "")
        return LogError(f"the log has no drum '{asked}': it holds {there}.")

    def correct_drum(self, drum_id: int, drum: Drum, toml: str = "") -> DrumEntry:
        """Another description of a drum; the one before is kept (``drum_revisions``)."""
        name, text, when = checked_name(drum.name), drum_text(drum), now()
        with self._writing() as db:
            self._name_free(name, drum_id)
            self._put_drum_aside(drum_id, when)
            db.execute(
                "UPDATE drums SET name = ?, name_key = ?, drum = ?, toml = ?, changed_at = ? WHERE id = ?",
                (name, name_key(name), text, plain(toml), when, drum_id),
            )
        return self.drum(drum_id)

    def _put_drum_aside(self, drum_id: int, when: str) -> None:
        """Keep the description as it stands now, before it is changed."""
        row = self._connection.execute(
            "SELECT name, drum, toml, changed_at FROM drums WHERE id = ?", (drum_id,)).fetchone()
        if row is None:
            raise self._unknown(str(drum_id))
        self._connection.execute(
            "INSERT OR IGNORE INTO drum_revisions (drum_id, document, changed_at, replaced_at) VALUES (?, ?, ?, ?)",
            (drum_id, drum_document(*row[:3]), row[3], when),
        )

    def drum_revisions(self, drum_id: int) -> tuple[DrumRevision, ...]:
        """Earlier descriptions of a drum, oldest first."""
        import json

        rows = self._rows("SELECT document, changed_at, replaced_at FROM drum_revisions WHERE drum_id = ? "
                          "ORDER BY changed_at, id", (drum_id,))
        out = []
        for document, changed_at, replaced_at in rows:
            d = json.loads(document)
            out.append(DrumRevision(d["name"], drum_of(text_of(d["drum"])), d["toml"], changed_at, replaced_at))
        return tuple(out)


def drum_document(name: str, drum: str, toml: str) -> str:
    """One version of a drum's description as JSON text."""
    import json

    return text_of({"name": name, "drum": json.loads(drum), "toml": toml})


def _entry(row: Any) -> DrumEntry:
    return DrumEntry(row[0], row[1], drum_of(row[2]), row[3], row[4], row[5])
