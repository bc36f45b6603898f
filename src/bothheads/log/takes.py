"""Recordings and photographs as files named by their content, written and synced before any row names them."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from ..errors import LogError

TEMPORARY = "writing-"  # names of files that are not finished begin so
UNCLAIMED = "unclaimed"  # folder to which a check moves files that no row names
_SHA = re.compile(r"^[0-9a-f]{64}$")


@dataclass(frozen=True)
class TakeInput:
    """One recording to keep: its FLAC bytes (opaque here), the names of its channels, rate [Hz] and length."""

    flac: bytes
    channels: Sequence[str]
    sample_rate_hz: int
    frames: int
    recorded_at: str  # ISO 8601
    source_name: str = ""


def digest(data: bytes) -> str:
    """SHA-256 of ``data`` in hexadecimal: the name under which it is kept."""
    return hashlib.sha256(data).hexdigest()


def sync_folder(folder: Path) -> None:
    """Make the names in ``folder`` outlive a power cut (where the system lets a folder be synced)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_file(descriptor: int) -> None:
    """Make the content outlive a power cut; on macOS fsync alone stops at the drive's cache."""
    try:
        import fcntl
    except ImportError:
        os.fsync(descriptor)
        return
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is None:
        os.fsync(descriptor)
        return
    try:
        fcntl.fcntl(descriptor, full)
    except OSError:  # a file system that does not know it
        os.fsync(descriptor)


@dataclass(frozen=True)
class Staged:
    """A file written and synced that has no name yet."""

    path: Path
    sha256: str
    bytes: int


def _blocks(data: bytes | BinaryIO) -> Iterator[bytes]:
    if isinstance(data, bytes):
        yield data
        return
    while block := data.read(1 << 20):
        yield block


class Vault:
    """A folder of files named by their content: ``ab/abcdef....flac``, the name is the SHA-256."""

    def __init__(self, folder: Path, *, suffix: str = "flac", what: str = "recording") -> None:
        self.folder = folder
        self.suffix = suffix
        self.what = what

    def path(self, sha256: str) -> Path:
        """Where the file with this content lies; ``LogError`` when the name is no SHA-256."""
        if not _SHA.match(sha256):
            raise LogError(f"'{sha256[:80]}' is not the name of a {self.what}: take it from 'bothheads log state --json'.")
        return self.folder / sha256[:2] / f"{sha256}.{self.suffix}"

    def read(self, sha256: str) -> bytes:
        """The content, checked against its name; ``LogError`` when it is missing or damaged."""
        path = self.path(sha256)
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            raise LogError(
                f"the {self.what} {path} is missing: run 'bothheads log check', and bring it back from an export or a copy."
            ) from None
        except OSError as error:
            raise LogError(f"the {self.what} {path} cannot be read ({error.strerror}): check the disk.") from None
        if digest(data) != sha256:
            raise LogError(
                f"the {self.what} {path} is damaged: run 'bothheads log check', and bring it back from an export or a copy."
            )
        return data

    def stage(self, data: bytes | BinaryIO) -> Staged:
        """``data``, or all that a stream holds, in a synced temporary file; raises ``OSError``."""
        self.folder.mkdir(parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(prefix=f"{TEMPORARY}{os.getpid()}-", dir=self.folder)
        seen, size = hashlib.sha256(), 0
        try:
            with os.fdopen(descriptor, "wb") as file:
                for block in _blocks(data):
                    file.write(block)
                    seen.update(block)
                    size += len(block)
                file.flush()
                sync_file(file.fileno())
        except BaseException:
            os.unlink(name)
            raise
        return Staged(Path(name), seen.hexdigest(), size)

    def settle(self, staged: Staged, again: Callable[[], bytes | BinaryIO]) -> bool:
        """Give a staged file its name; True when it is new. To be called while holding the write lock.

        A file already there is read first: a damaged one is replaced. A staged file that a check
        cleared away in the meantime is written once more from ``again()``.
        """
        final = self.path(staged.sha256)
        if self.holds(staged.sha256, staged.bytes):
            staged.path.unlink(missing_ok=True)
            sync_folder(final.parent)  # whoever wrote it may not have got that far
            return False
        new = not final.exists()
        new_folder = not final.parent.exists()
        final.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.replace(staged.path, final)
        except FileNotFoundError:
            os.replace(self.stage(again()).path, final)
        sync_folder(final.parent)
        if new_folder:
            sync_folder(self.folder)
            sync_folder(self.folder.parent)
        return new

    def holds(self, sha256: str, size: int | None = None) -> bool:
        """Whether the file of this name is there with the content that its name says."""
        path = self.path(sha256)
        try:
            if size is not None and path.stat().st_size != size:
                return False
            with path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest() == sha256
        except FileNotFoundError:
            return False

    @contextlib.contextmanager
    def staged(self, items: Iterable[bytes | BinaryIO]) -> Iterator[list[Staged]]:
        """All ``items`` staged; what was not settled in the block is cleared away at its end."""
        done: list[Staged] = []
        try:
            for data in items:
                done.append(self.stage(data))
            yield done
        finally:
            for one in done:
                with contextlib.suppress(OSError):
                    one.path.unlink(missing_ok=True)

    def files(self) -> Iterator[Path]:
        """Every finished file of the vault."""
        for folder in sorted(self.folder.glob("[0-9a-f][0-9a-f]")):
            yield from sorted(p for p in folder.iterdir() if p.is_file())

    def unfinished(self) -> list[Path]:
        """Temporary files left by a process that was stopped; those of a living one are still being written."""
        return sorted(p for p in self.folder.glob(f"{TEMPORARY}*") if not _alive(p.name))


def _alive(name: str) -> bool:
    """Whether the process that writes the temporary file ``name`` still runs on this machine."""
    number = name.removeprefix(TEMPORARY).partition("-")[0]
    if os.name == "nt" or not number.isdigit():
        return False
    try:
        os.kill(int(number), 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True
