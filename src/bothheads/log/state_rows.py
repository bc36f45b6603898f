"""Rows of states, turns and takes, and a state as one JSON document."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from ..errors import LogError
from ..records import State, Take, Turn
from ..wire import turns as turns_json
from ..wire import turns_from
from .rows import drum_of, drum_text, moment, new_uuid, now, plain, text_of
from .takes import TakeInput, digest

STATE_COLUMNS = "id, drum_id, number, made_at, drum, reading, fit, place, remark, who, beater, settings"
WORDS = ("place", "remark", "who", "beater")
_SUMMARY = ("note_hz", "note_name", "t60_s", "batter_tension", "resonant_tension")


def state_document(state: State) -> dict[str, Any]:
    """Everything of a state that can be corrected, as a plain object."""
    return {
        "made_at": state.made_at, "drum": json.loads(drum_text(state.drum)), "turns": turns_json(state.turns),
        "reading": state.reading, "fit": state.fit, "place": state.place, "remark": state.remark, "who": state.who,
        "beater": state.beater, "settings": state.settings,
    }


def state_from(document: dict[str, Any], like: State) -> State:
    """The state of a document, with number and takes of ``like``."""
    return State(
        like.drum_id, like.number, document["made_at"], drum_of(text_of(document["drum"])),
        turns_from(document["turns"]), document["reading"], document["fit"], like.takes, document["place"],
        document["remark"], document["who"], document["beater"], document["settings"],
    )


def merged(document: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    new = dict(document)
    for key, value in changes.items():
        if key == "drum":
            new[key] = json.loads(drum_text(value))
        elif key == "turns":
            new[key] = turns_json(tuple(value))
        elif key == "made_at":
            new[key] = moment(value)
        elif key in WORDS:
            new[key] = plain(value)
        else:
            new[key] = {} if value is None and key == "settings" else value
    return new


def values_of(document: dict[str, Any]) -> dict[str, Any]:
    """The columns of a state's row."""
    out: dict[str, Any] = {key: document[key] for key in ("made_at", *WORDS)}
    for key in ("drum", "settings"):
        out[key] = text_of(document[key])
    for key in ("reading", "fit"):
        out[key] = None if document[key] is None else text_of(document[key])
    return out


# ------------------------------------------------------------------ rows
def insert_state(db: sqlite3.Connection, drum_id: int, number: int, follows: str | None, values: dict[str, Any],
                  summary: tuple[Any, ...], *, uuid: str | None = None, changed_at: str | None = None) -> int:
    row = {"uuid": uuid or new_uuid(), "drum_id": drum_id, "number": number, "follows": follows, **values,
           "changed_at": changed_at or now(),
           **dict(zip(_SUMMARY, summary, strict=True))}
    done = db.execute(f"INSERT INTO states ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", tuple(row.values()))
    return int(done.lastrowid or 0)


def insert_turns(db: sqlite3.Connection, state_id: int, turned: list[tuple[int, str, int | None, float]]) -> None:
    db.executemany("INSERT INTO turns (state_id, position, head, rod, turns) VALUES (?, ?, ?, ?, ?)",
                   [(state_id, *row) for row in turned])


def take_values(take: TakeInput) -> dict[str, Any]:
    if not take.flac:
        raise LogError("a take without sound cannot be kept: record again.")
    if take.sample_rate_hz <= 0 or take.frames < 0:
        raise LogError("a take needs its sample rate and its number of frames: record again.")
    return {
        "uuid": new_uuid(), "sha256": digest(take.flac), "bytes": len(take.flac), "channels": text_of(list(take.channels)),
        "sample_rate_hz": int(take.sample_rate_hz), "frames": int(take.frames), "recorded_at": moment(take.recorded_at),
        "source_name": plain(take.source_name),
    }


def insert_take(db: sqlite3.Connection, state_id: int, position: int, row: dict[str, Any]) -> None:
    db.execute("INSERT OR IGNORE INTO recordings (sha256, bytes) VALUES (?, ?)", (row["sha256"], row["bytes"]))
    db.execute(
        "INSERT INTO takes (uuid, state_id, position, sha256, channels, sample_rate_hz, frames, recorded_at, source_name) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (row["uuid"], state_id, position, row["sha256"], row["channels"], row["sample_rate_hz"], row["frames"],
         row["recorded_at"], row["source_name"]),
    )


def turns_of_states(db: sqlite3.Connection, ids: list[int]) -> dict[int, tuple[Turn, ...]]:
    out: dict[int, tuple[Turn, ...]] = {}
    for state_id, head, rod, turned in db.execute(
            "SELECT state_id, head, rod, turns FROM turns WHERE state_id IN (SELECT value FROM json_each(?)) "
            "ORDER BY state_id, position", (json.dumps(ids),)):
        out[state_id] = (*out.get(state_id, ()), Turn(head, turned, rod))
    return out


def takes_of_states(db: sqlite3.Connection, ids: list[int]) -> dict[int, tuple[Take, ...]]:
    out: dict[int, tuple[Take, ...]] = {}
    for state_id, take_id, sha256, channels, rate, frames, recorded_at, name in db.execute(
            "SELECT state_id, id, sha256, channels, sample_rate_hz, frames, recorded_at, source_name FROM takes "
            "WHERE state_id IN (SELECT value FROM json_each(?)) ORDER BY state_id, position", (json.dumps(ids),)):
        take = Take(take_id, sha256, tuple(json.loads(channels)), rate, frames, recorded_at, name)
        out[state_id] = (*out.get(state_id, ()), take)
    return out


def state_of(row: Any, turns: tuple[Turn, ...], takes: tuple[Take, ...]) -> State:
    _, drum_id, number, made_at, drum, reading, fit, place, remark, who, beater, settings = row
    return State(
        drum_id, number, made_at, drum_of(drum), turns, json.loads(reading) if reading else None,
        json.loads(fit) if fit else None, takes, place, remark, who, beater, json.loads(settings),
    )
