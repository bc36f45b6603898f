"""Jobs that the engine's tests give to other processes, which must be able to import them."""

from __future__ import annotations

import os
import signal
from pathlib import Path


def square(x: int) -> int:
    """x squared; 13 is unlucky."""
    if x == 13:
        raise ValueError("unlucky")
    return x * x


def one_thread(_: int) -> tuple[str, str]:
    """What the process says of its matrix library's threads, once everything is imported."""
    import bothheads.runs.rows  # noqa: F401

    return os.environ["OPENBLAS_NUM_THREADS"], os.environ["OMP_NUM_THREADS"]


def kills_itself_once(mark: str) -> str:
    """The first process at it is killed; the second finds the mark and answers."""
    path = Path(mark)
    if not path.exists():
        path.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "alive"


def kills_itself(_: object) -> None:
    """Every process at it is killed."""
    os.kill(os.getpid(), signal.SIGKILL)


def kills_itself_at_c(_: object, path: str) -> dict[str, str]:
    """A reading that is killed at c.wav."""
    if path.endswith("c.wav"):
        os.kill(os.getpid(), signal.SIGKILL)
    return {"file": path, "schema": "read"}
