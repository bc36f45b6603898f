"""A log as plain documents, one a drum and one a state: what an export writes and a merge reads."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import Any

from .state_rows import state_document
from .store import Log

EXPORT_SCHEMA = "bothheads.export/1"
DRUM_SCHEMA = "bothheads.export-drum/1"
STATE_SCHEMA = "bothheads.export-state/1"


def slug(text: str) -> str:
    """A name for a folder: letters a-z, digits and hyphens."""
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", ascii_text.lower()).strip("-")[:40] or "drum"


def drum_folder(uuid: str, name: str) -> str:
    """The folder of a drum in an export."""
    return f"drums/{slug(name)}-{uuid}"


def take_name(sha256: str) -> str:
    """Where a recording lies in an export."""
    return f"takes/{sha256}.flac"


def photograph_name(sha256: str, name: str) -> str:
    """Where a photograph lies in an export; the ending is the one of its name."""
    ending = re.sub(r"[^a-z0-9]", "", PurePosixPath(name).suffix.lower())[:5] or "photo"
    return f"photographs/{sha256}.{ending}"


def drum_rows(log: Log, ids: list[int]) -> list[tuple[int, str, str]]:
    """(id, uuid, name) of drums in an order that does not depend on the log they lie in."""
    rows = log._rows("SELECT id, uuid, name FROM drums WHERE id IN (SELECT value FROM json_each(?)) "
                     "ORDER BY added_at, uuid", (json.dumps(ids),))
    return [(row[0], row[1], row[2]) for row in rows]


def drum_document(log: Log, drum_id: int) -> dict[str, Any]:
    """Everything of a drum but its states."""
    uuid, name, drum, toml, added_at, changed_at = log._row(
        "SELECT uuid, name, drum, toml, added_at, changed_at FROM drums WHERE id = ?", (drum_id,))
    revisions = log._rows("SELECT document, changed_at, replaced_at FROM drum_revisions WHERE drum_id = ? "
                          "ORDER BY changed_at, document", (drum_id,))
    aliases = log._rows("SELECT uuid FROM drum_aliases WHERE drum_id = ? ORDER BY uuid", (drum_id,))
    return {
        "schema": DRUM_SCHEMA, "uuid": uuid, "also": [row[0] for row in aliases], "name": name, "added_at": added_at,
        "changed_at": changed_at, "drum": json.loads(drum), "toml": toml,
        "revisions": [{"changed_at": c, "replaced_at": r, "document": json.loads(d)} for d, c, r in revisions],
        "notes": note_documents(log, drum_id), "head_events": _head_events(log, drum_id),
        "photographs": _photographs(log, drum_id),
    }


def note_documents(log: Log, drum_id: int | None) -> list[dict[str, Any]]:
    """The documents beside a drum (None: beside the log)."""
    rows = log._rows("SELECT key, changed_at, document FROM notes WHERE ifnull(drum_id, 0) = ? ORDER BY key",
                     (drum_id or 0,))
    return [{"key": key, "changed_at": when, "document": json.loads(text)} for key, when, text in rows]


def _head_events(log: Log, drum_id: int) -> list[dict[str, Any]]:
    columns = ("uuid", "head", "what", "happened_at", "kind", "hours", "words")
    rows = log._rows(f"SELECT {', '.join(columns)} FROM head_events WHERE drum_id = ? ORDER BY happened_at, uuid", (drum_id,))
    return [dict(zip(columns, row, strict=True)) for row in rows]


def _photographs(log: Log, drum_id: int) -> list[dict[str, Any]]:
    rows = log._rows(
        "SELECT p.uuid, s.uuid, p.sha256, p.bytes, p.name, p.words, p.taken_at FROM photographs p "
        "LEFT JOIN states s ON s.id = p.state_id WHERE p.drum_id = ? ORDER BY p.taken_at, p.uuid", (drum_id,))
    return [{"uuid": u, "state": s, "file": photograph_name(h, n), "sha256": h, "bytes": b, "name": n, "words": w,
             "taken_at": t} for u, s, h, b, n, w, t in rows]


def state_documents(log: Log, drum_id: int) -> Iterator[dict[str, Any]]:
    """Every state of a drum in order, one after the other so that a long log need not fit into memory."""
    rows = log._rows("SELECT id, uuid, follows, changed_at, number FROM states WHERE drum_id = ? ORDER BY number", (drum_id,))
    for state_id, uuid, follows, changed_at, number in rows:
        revisions = log._rows("SELECT document, changed_at, replaced_at FROM state_revisions WHERE state_id = ? "
                              "ORDER BY changed_at, document", (state_id,))
        yield {
            "schema": STATE_SCHEMA, "uuid": uuid, "number": number, "follows": follows, "changed_at": changed_at,
            **state_document(log.state(drum_id, number)), "takes": _takes(log, state_id),
            "revisions": [{"changed_at": c, "replaced_at": r, "document": json.loads(d)} for d, c, r in revisions],
        }


def _takes(log: Log, state_id: int) -> list[dict[str, Any]]:
    rows = log._rows(
        "SELECT t.uuid, t.sha256, r.bytes, t.channels, t.sample_rate_hz, t.frames, t.recorded_at, t.source_name "
        "FROM takes t JOIN recordings r USING (sha256) WHERE state_id = ? ORDER BY position", (state_id,))
    return [{"uuid": u, "file": take_name(h), "sha256": h, "bytes": b, "channels": json.loads(c), "sample_rate_hz": rate,
             "frames": n, "recorded_at": when, "source_name": name} for u, h, b, c, rate, n, when, name in rows]
