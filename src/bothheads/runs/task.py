"""A piece of work for the engine, and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

ATTEMPTS = 3  # a task whose process is killed this often is given up
Function = Callable[[Any], Any]


@dataclass(frozen=True)
class Task:
    """``function(payload)`` is called in some process; ``key`` names it in what comes back."""

    key: int
    payload: Any


@dataclass(frozen=True)
class Outcome:
    """The value of a task, or in one sentence why there is none."""

    key: int
    value: Any = None
    failed: str | None = None


KILLED = f"the process at work on this was stopped {ATTEMPTS} times (too little memory?)"


def attempt(function: Function, task: Task) -> Outcome:
    """The outcome of a task in this process; an error is the task's own and stops nothing else."""
    try:
        return Outcome(task.key, function(task.payload))
    except Exception as error:
        return Outcome(task.key, failed=f"{type(error).__name__}: {error}")
