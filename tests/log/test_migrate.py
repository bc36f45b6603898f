"""Schemas: forwards, in one transaction, after a copy was made."""

from __future__ import annotations

import re
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from bothheads.errors import LogError
from bothheads.log import migrate
from bothheads.log.check import check
from bothheads.log.store import Log, open_log
from bothheads.records import Drum


def schema(db: sqlite3.Connection) -> list[tuple[str, str]]:
    return [tuple(row) for row in db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name")]


@pytest.fixture
def old(tmp_path: Path, drum: Drum, keep: Any) -> Path:
    """A log of schema 1 with its recordings, rows taken from one of today."""
    new, path = tmp_path / "new.sqlite", tmp_path / "old.sqlite"
    with open_log(new) as log:
        entry = log.add_drum(drum, "by hand")
        for seed in range(4):
            keep(log, entry.id, drum, seed)
        log.add_state(entry.id, drum=drum, reading=None, fit=None)
        log.update_state(entry.id, 2, remark="corrected")
    db = sqlite3.connect(path, isolation_level=None)
    migrate.migrate(db, path, to=1)
    db.execute("ATTACH ? AS n", (str(new),))
    for table in ("drums", "states", "turns", "recordings", "takes", "state_revisions"):
        names = ", ".join(row[1] for row in db.execute(f"PRAGMA main.table_info({table})"))
        db.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM n.{table}")
    db.close()
    new.with_name("new.sqlite.files").rename(path.with_name("old.sqlite.files"))
    return path


def test_every_table_is_strict_and_checks() -> None:
    text = "\n".join(migrate.scripts())
    tables = re.findall(r"CREATE TABLE \w+ \(.*?\n\)([^;]*);", text, re.DOTALL)
    assert len(tables) == text.count("CREATE TABLE") >= 10
    assert all("STRICT" in options for options in tables)


def test_an_old_log_becomes_a_new_one(old: Path, tmp_path: Path) -> None:
    with open_log(tmp_path / "new.sqlite") as log:
        expected, listed = log.states(1), log.state_summaries(1)
    with open_log(old) as log:
        assert migrate.version_of(log._connection) == migrate.newest()
        assert log.states(1) == expected
        assert log.state_summaries(1) == listed and listed[1].note_hz is not None
        assert len(log.revisions(1, 2)) == 1
    assert check(old).clean
    with sqlite3.connect(old) as a, sqlite3.connect(tmp_path / "new.sqlite") as b:
        assert schema(a) == schema(b)
    a.close()
    b.close()


def test_a_copy_of_the_old_schema_is_left(old: Path) -> None:
    open_log(old, readonly=True).close()  # reading an old log brings it up to date too
    copy = migrate.copy_path(old, 1)
    assert copy.name == "old.sqlite.schema-1.copy"
    with sqlite3.connect(copy) as db:
        assert migrate.version_of(db) == 1
        assert db.execute("SELECT count(*) FROM states").fetchone()[0] == 5
        assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    db.close()
    assert not list(old.parent.glob("*.part"))


def test_an_earlier_copy_is_not_lost(old: Path) -> None:
    copy = migrate.copy_path(old, 1)
    copy.write_bytes(b"an earlier copy")
    open_log(old).close()
    assert copy.read_bytes() == b"an earlier copy"
    with sqlite3.connect(copy.with_name(copy.name + "-2")) as db:
        assert migrate.version_of(db) == 1
    db.close()


def test_a_new_log_needs_no_copy(tmp_path: Path) -> None:
    open_log(tmp_path / "log.sqlite").close()
    assert [p.name for p in tmp_path.iterdir()] == ["log.sqlite"]


def test_a_migration_that_fails_changes_nothing(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = migrate.scripts()
    monkeypatch.setattr(migrate, "scripts", lambda: (first, second + "\nINSERT INTO no_such_table VALUES (1);\n"))
    with pytest.raises(LogError, match=r"cannot do this \(no such table"):
        open_log(old)
    with sqlite3.connect(old) as db:
        assert migrate.version_of(db) == 1
        assert "note_hz" not in [row[1] for row in db.execute("PRAGMA table_info(states)")]
    db.close()


def test_no_room_for_the_copy(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("bothheads.log.migrate.os.replace", fail)
        with pytest.raises(LogError, match=r"the disk with .*copy is full: nothing was changed"):
            open_log(old)
    with sqlite3.connect(old) as db:
        assert migrate.version_of(db) == 1
    db.close()
    assert not list(old.parent.glob("*.part"))


def test_rows_that_point_nowhere_stop_a_migration(old: Path) -> None:
    with sqlite3.connect(old) as db:
        db.execute("UPDATE takes SET state_id = 999 WHERE id = 1")
    db.close()
    with pytest.raises(LogError, match=r"rows that point nowhere \(table takes\): it was left as it was"):
        open_log(old)


def test_two_that_open_an_old_log_at_once(old: Path) -> None:
    def work(_: int) -> int:
        with open_log(old) as log:
            return len(log.states(1))

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(work, range(4))) == [5] * 4


def test_statements_are_split_where_they_end() -> None:
    assert migrate.statements("-- words; more\nCREATE TABLE a (b TEXT);  \nINSERT INTO a VALUES ('x;y\n;');\n") == [
        "CREATE TABLE a (b TEXT);", "INSERT INTO a VALUES ('x;y\n;');"]
    with pytest.raises(RuntimeError, match=r"ends within a statement"):
        migrate.statements("CREATE TABLE a (b TEXT")


@pytest.mark.parametrize("sql", [
    "UPDATE states SET number = 0 WHERE number = 1",
    "UPDATE states SET reading = '{'",
    "UPDATE states SET drum_id = 55",
    "UPDATE states SET number = 1",
    "UPDATE states SET made_at = 'yesterday'",
    "UPDATE takes SET sha256 = 'short'",
    "UPDATE recordings SET sha256 = 'Z' || substr(sha256, 2)",
    "UPDATE turns SET head = 'side'",
    "UPDATE takes SET frames = 'many'",
    "UPDATE drums SET name = ' '",
    "DELETE FROM states",
    "DELETE FROM recordings",
])
def test_the_database_itself_refuses_nonsense(log: Log, drum: Drum, keep: Any, sql: str) -> None:
    entry = log.add_drum(drum, "")
    for seed in range(2):
        keep(log, entry.id, drum, seed)
    with pytest.raises(sqlite3.IntegrityError, match=r"constraint failed|cannot store"):
        log._connection.execute(sql)
