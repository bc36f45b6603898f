"""Reading and writing what the user named, or one sentence why not."""

from __future__ import annotations

from pathlib import Path

from ..errors import InputError


def write_bytes(path: str, data: bytes) -> None:
    """Write a file, or say in one sentence why not."""
    try:
        Path(path).write_bytes(data)
    except OSError as error:
        raise InputError(f"{path} cannot be written ({error.strerror}): choose another place.") from None


def read_bytes(path: str) -> bytes:
    """The whole of a file, or one sentence why not."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror}): check the path.") from None
