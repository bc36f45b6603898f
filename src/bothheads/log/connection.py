"""An open SQLite file: how it is opened, and reading and writing transactions that speak in sentences."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from ..errors import LogError
from . import migrate
from .faults import disk_fault, read_only, sqlite_fault

WAIT_S = 20.0  # how long a writer waits for another before it says that the log is busy


def connect(path: Path, *, readonly: bool, wait_s: float, query: str = "") -> sqlite3.Connection:
    """A connection in autocommit mode, usable from any thread; raises ``sqlite3.Error``."""
    mode = "ro" if readonly else "rwc"
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}{query}", uri=True, timeout=wait_s,
        isolation_level=None, check_same_thread=False,
    )
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()  # the file is only looked at now
    except BaseException:
        connection.close()
        raise
    return connection


def open_writable(path: Path, *, wait_s: float) -> sqlite3.Connection:
    """A connection that may write, schema up to date; WAL, and every commit outlives a power cut."""
    connection = connect(path, readonly=False, wait_s=wait_s)
    try:
        migrate.check_version(connection, path)
        _use_wal(connection, wait_s)
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA fullfsync = ON")
        connection.execute("PRAGMA checkpoint_fullfsync = ON")
        migrate.migrate(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _use_wal(connection: sqlite3.Connection, wait_s: float) -> None:
    """Switch to the write-ahead log; SQLite does not wait by itself when two processes do this at once."""
    end = time.monotonic() + wait_s
    while True:
        try:
            if connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
                return
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > end:
                raise
            time.sleep(0.005)


def open_readonly(path: Path, *, wait_s: float) -> sqlite3.Connection:
    """A connection that only reads; an older schema is brought up to date first where that is possible."""
    try:
        connection = connect(path, readonly=True, wait_s=wait_s)
    except sqlite3.OperationalError:
        connection = _open_unchanging(path, wait_s)
    try:
        if migrate.check_version(connection, path) == migrate.newest():
            return connection
    except BaseException:
        connection.close()
        raise
    connection.close()
    try:
        open_writable(path, wait_s=wait_s).close()
    except sqlite3.OperationalError:
        raise LogError(
            f"the log {path} has an older schema and cannot be written: copy it with its folder to where it can be."
        ) from None
    return connect(path, readonly=True, wait_s=wait_s)


def _open_unchanging(path: Path, wait_s: float) -> sqlite3.Connection:
    """A log on a medium that nobody can write: SQLite must be told, or it asks for its own lock files."""
    waiting = path.with_name(path.name + "-wal")
    if waiting.exists() and waiting.stat().st_size:
        raise LogError(
            f"the log {path} was not closed properly and lies where nothing can be written: copy its folder elsewhere."
        )
    return connect(path, readonly=True, wait_s=wait_s, query="&immutable=1")


class Connected:
    """A log's connection, shared by the threads of one process under a lock."""

    def __init__(self, path: Path, connection: sqlite3.Connection, *, readonly: bool) -> None:
        self.path = path
        self.readonly = readonly
        self._connection = connection
        self._lock = threading.RLock()
        self._closed = False

    def close(self) -> None:
        """Close the log; safe to call twice."""
        with self._lock:
            self._closed = True
            self._connection.close()

    def _alive(self) -> None:
        if self._closed:
            raise LogError(f"the log {self.path} was closed: open it again.")

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """Several reads that see one moment of the log."""
        with self._lock:
            self._alive()
            inside = self._connection.in_transaction
            try:
                if not inside:
                    self._connection.execute("BEGIN")
                yield self._connection
            except sqlite3.Error as error:
                raise sqlite_fault(error, self.path) from error
            finally:
                if not inside:
                    self._roll_back()  # nothing was written

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction under the write lock: all of it stays, or nothing."""
        self._refuse_readonly()
        with self._lock:
            self._alive()
            try:
                self._connection.execute("BEGIN IMMEDIATE")
                yield self._connection
                self._connection.execute("COMMIT")
            except sqlite3.Error as error:
                self._roll_back()
                raise sqlite_fault(error, self.path) from error
            except OSError as error:
                self._roll_back()
                raise disk_fault(error, self.path) from error
            except BaseException:
                self._roll_back()
                raise

    def _refuse_readonly(self) -> None:
        if self.readonly:
            raise read_only(self.path)

    @contextlib.contextmanager
    def _disk_faults(self) -> Iterator[None]:
        """Errors of the file system as sentences."""
        try:
            yield
        except OSError as error:
            raise disk_fault(error, self.path) from error

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")

    def _row(self, sql: str, values: Sequence[Any] = ()) -> Any:
        """First row of a query, or None."""
        with self._reading() as db:
            return db.execute(sql, values).fetchone()

    def _rows(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """All rows of a query."""
        with self._reading() as db:
            return db.execute(sql, values).fetchall()
