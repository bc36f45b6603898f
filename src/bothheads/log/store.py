"""The log: one SQLite file and, beside it, a folder with the recordings; what comes in stays."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from types import TracebackType

from ..errors import LogError
from .beside import Beside, Photograph
from .connection import WAIT_S, open_readonly, open_writable
from .drums import DrumRevision
from .faults import disk_fault, sqlite_fault
from .states import Revision, StateSummary
from .takes import TakeInput, Vault

__all__ = [
    "DrumRevision", "Log", "Photograph", "Revision", "StateSummary", "TakeInput", "default_path", "files_folder",
    "open_log",
]


def default_path() -> Path:
    """Where the log lies when nothing is said: BOTHHEADS_LOG, else the platform's data folder."""
    if named := os.environ.get("BOTHHEADS_LOG"):
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("bothheads", appauthor=False) / "log.sqlite"


def files_folder(path: Path) -> Path:
    """The folder beside the log at ``path`` that holds its recordings and photographs."""
    return path.with_name(path.name + ".files")


class Log(Beside):
    """An open log. Usable from several threads; several processes may hold the same log open.

    A context manager: leaving the block closes it.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, *, readonly: bool) -> None:
        super().__init__(path, connection, readonly=readonly)
        self.recordings = Vault(files_folder(path))
        self.photographs_folder = Vault(files_folder(path) / "photographs", suffix="photo", what="photograph")

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_log(
    path: str | Path | None = None, *, create: bool = True, readonly: bool = False, wait_s: float = WAIT_S
) -> Log:
    """Open the log at ``path`` (None: ``default_path()``).

    A log of an older schema is brought up to date after a copy was made. A log that lies where nothing
    can be written is opened for reading; ``Log.readonly`` says so. ``wait_s`` [s] is how long a writer
    waits for another one.

    Raises
    ------
    LogError
        One sentence: no log there (with ``create=False``), not a log, a newer schema, no rights, no room.
    """
    where = default_path() if path is None else Path(path).expanduser()
    with contextlib.suppress(OSError):
        if where.is_dir():
            raise LogError(f"{where} is a folder: name the log's file, such as {where / 'log.sqlite'}.")
    try:
        there = where.exists()
    except OSError as error:
        raise disk_fault(error, where) from None
    if not there:
        if readonly or not create:
            raise LogError(f"there is no log at {where}: add a drum with 'bothheads log add DRUM.toml', or name it with --log.")
        try:
            where.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise disk_fault(error, where) from None
    try:
        return _open(where, readonly=readonly, there=there, wait_s=wait_s)
    except sqlite3.Error as error:
        raise sqlite_fault(error, where) from None
    except OSError as error:
        raise disk_fault(error, where) from None


def _open(where: Path, *, readonly: bool, there: bool, wait_s: float) -> Log:
    if not readonly:
        try:
            return Log(where, open_writable(where, wait_s=wait_s), readonly=False)
        except sqlite3.OperationalError as error:
            name = error.sqlite_errorname
            if not there or not name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
                raise
    return Log(where, open_readonly(where, wait_s=wait_s), readonly=True)
