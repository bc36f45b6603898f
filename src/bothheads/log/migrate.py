"""Schema versions: numbered SQL files, applied forwards in one transaction, after a copy was made."""

from __future__ import annotations

import filecmp
import os
import re
import sqlite3
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from ..errors import LogError
from .faults import disk_fault, sqlite_fault
from .takes import sync_folder

APPLICATION_ID = 0x62686C67  # 'bhlg': marks an SQLite file as a log of this program
_NAME = re.compile(r"^(\d{4})_\w+\.sql$")


@lru_cache(maxsize=1)
def scripts() -> tuple[str, ...]:
    """Texts of the numbered SQL files, in order; file n takes schema n - 1 to schema n."""
    found: dict[int, str] = {}
    for item in (files(__package__) / "schema").iterdir():
        if match := _NAME.match(item.name):
            found[int(match[1])] = item.read_text(encoding="utf-8")
    if sorted(found) != list(range(1, len(found) + 1)):
        raise RuntimeError("the numbered SQL files have a gap")
    return tuple(found[n] for n in sorted(found))


def newest() -> int:
    """The schema that this program writes."""
    return len(scripts())


def version_of(connection: sqlite3.Connection) -> int:
    """Schema of an open file: 0 = empty."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def statements(script: str) -> list[str]:
    """The single statements of an SQL text; ``executescript`` would end the transaction that must hold them all."""
    out: list[str] = []
    text = ""
    for line in script.splitlines(keepends=True):
        if not text.strip() and line.lstrip().startswith("--"):
            continue
        text += line
        if sqlite3.complete_statement(text):
            out.append(text.strip())
            text = ""
    if text.strip():
        raise RuntimeError("an SQL file ends within a statement")
    return out


def check_version(connection: sqlite3.Connection, path: Path) -> int:
    """The schema found; raises ``LogError`` when it is newer than this program or no log at all."""
    found = version_of(connection)
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    foreign = mark != APPLICATION_ID and (
        found or connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    )
    if foreign:
        raise LogError(f"{path} is a database of another program: name another file with --log.")
    if found > newest():
        raise LogError(
            f"the log {path} was written by a newer version (schema {found}, this one knows {newest()}): "
            "update bothheads, the log was not touched."
        )
    return found


def copy_path(path: Path, version: int) -> Path:
    """Where the copy lies that is made before a log leaves schema ``version``."""
    return path.with_name(f"{path.name}.schema-{version}.copy")


def migrate(connection: sqlite3.Connection, path: Path, *, to: int | None = None) -> Path | None:
    """Bring the log at ``path`` to schema ``to`` (default: the newest); returns where the copy lies, if one was made.

    Everything happens in one transaction under the write lock: a kill at any moment leaves the old
    schema, or the new one, whole. ``connection`` must be in autocommit mode.

    Raises
    ------
    LogError
        The schema is newer, the file is no log, or there is no room for the copy.
    """
    target = newest() if to is None else to
    if check_version(connection, path) >= target:
        return None
    connection.execute("PRAGMA foreign_keys = OFF")  # no effect inside a transaction, so before it
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = check_version(connection, path)  # another process may have done it while we waited
        copy = _copy(path, found) if 0 < found < target else None
        for number in range(found + 1, target + 1):
            for statement in statements(scripts()[number - 1]):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        broken = connection.execute("PRAGMA foreign_key_check").fetchone()
        if broken:
            raise LogError(f"the log {path} holds rows that point nowhere (table {broken[0]}): it was left as it was.")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    finally:
        connection.execute("PRAGMA foreign_keys = ON")
    return copy


def _copy(path: Path, version: int) -> Path:
    """A whole copy of the log, synced, under its final name only when complete; an earlier other copy is kept."""
    final = copy_path(path, version)
    unfinished = final.with_name(final.name + ".part")
    try:
        unfinished.unlink(missing_ok=True)
        source = sqlite3.connect(path, isolation_level=None)
        target = sqlite3.connect(unfinished, isolation_level=None)
        try:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")
        finally:
            target.close()
            source.close()
        descriptor = os.open(unfinished, os.O_RDWR)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        count = 1
        while final.exists() and not filecmp.cmp(unfinished, final, shallow=False):
            count += 1
            final = copy_path(path, version).with_name(f"{copy_path(path, version).name}-{count}")
        os.replace(unfinished, final)
        sync_folder(final.parent)
    except (OSError, sqlite3.Error) as error:
        unfinished.unlink(missing_ok=True)
        raise (disk_fault(error, final) if isinstance(error, OSError) else sqlite_fault(error, final)) from None
    return final
