"""What can go wrong with a log, each as one sentence that says what to do."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

from ..errors import LogError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_DENIED = {errno.EACCES, errno.EPERM, errno.EROFS}


def sqlite_fault(error: sqlite3.Error, path: Path) -> LogError:
    """The sentence for an error of SQLite at ``path``."""
    name = getattr(error, "sqlite_errorname", "") or ""
    words = str(error)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")) or "locked" in words:
        return LogError(f"the log {path} is busy, another program is writing to it: wait until it is done and try again.")
    if name.startswith("SQLITE_FULL") or "disk is full" in words:
        return full(path)
    if name.startswith("SQLITE_READONLY") or "readonly" in words:
        return read_only(path)
    if name.startswith("SQLITE_NOTADB") or "not a database" in words:
        return LogError(f"{path} is not a log of this program: name another file with --log.")
    if name.startswith("SQLITE_CORRUPT") or "malformed" in words:
        return LogError(
            f"the log {path} is damaged: keep it as it is, run 'bothheads log check', and bring back an export or a copy."
        )
    if name.startswith("SQLITE_CANTOPEN"):
        return LogError(f"the log {path} cannot be opened: check that its folder exists and may be written.")
    if name.startswith("SQLITE_IOERR"):
        return LogError(f"the disk under the log {path} answers with an error ({words}): nothing was changed, check the disk.")
    return LogError(f"the log {path} cannot do this ({words}): nothing was changed, run 'bothheads log check'.")


def disk_fault(error: OSError, path: Path) -> LogError:
    """The sentence for an error of the file system at ``path``."""
    if error.errno in _FULL:
        return full(path)
    if error.errno in _DENIED:
        return read_only(path)
    reason = error.strerror or str(error)
    return LogError(f"{path} cannot be written ({reason}): nothing was changed, check the disk and the path.")


def full(path: Path) -> LogError:
    """No room left on the disk."""
    return LogError(f"the disk with {path} is full: nothing was changed, make room and try again.")


def read_only(path: Path) -> LogError:
    """The log may be read but not written."""
    return LogError(f"the log {path} can only be read: make it and its folder writable, or name another log with --log.")
