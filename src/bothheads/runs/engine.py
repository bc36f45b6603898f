"""Which engine a run gets, and its progress: in this process, on a pool of processes, or on a Dask cluster."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal, TextIO

from ..errors import InputError
from .cluster import is_installed, on_cluster
from .pool import in_pool
from .task import Function, Outcome, Task, attempt

Kind = Literal["here", "pool", "cluster"]
FEW_POINTS = 2000  # below, a pool has finished before a cluster has started


@dataclass(frozen=True)
class Engine:
    """How the tasks of a run are carried out, and in words why so."""

    kind: Kind
    jobs: int
    why: str
    scheduler: str | None = None

    def run(self, function: Function, tasks: Iterable[Task]) -> Iterator[Outcome]:
        """Outcomes of all tasks as they finish; ``function`` must be one of a module."""
        if self.kind == "cluster":
            return on_cluster(function, tasks, jobs=self.jobs, scheduler=self.scheduler)
        if self.kind == "pool":
            return in_pool(function, tasks, jobs=self.jobs)
        return (attempt(function, task) for task in tasks)


def engine_for(points: int, *, jobs: int, asked: str | None = None, scheduler: str | None = None) -> Engine:
    """The engine for a run of ``points`` points on ``jobs`` processes.

    ``asked``: 'pool' or 'cluster' overrules the choice by size; a ``scheduler`` always means a cluster.

    Raises
    ------
    InputError
        A cluster is asked for and Dask is not installed, or the two wishes contradict.
    """
    if not 1 <= jobs <= 512:
        raise InputError("--jobs must be from 1 to 512.")
    if asked not in (None, "pool", "cluster"):
        raise InputError("--engine must be pool or cluster.")
    if scheduler is not None and asked == "pool":
        raise InputError("--scheduler names a cluster: leave --engine pool out.")
    processes = f"{jobs} process{'es' if jobs > 1 else ''}"
    if scheduler is not None or asked == "cluster":
        if not is_installed():
            raise InputError("a cluster needs Dask: install bothheads[sweep], or leave --engine and --scheduler out.")
        where = f"the Dask cluster at {scheduler}" if scheduler else f"a Dask cluster of {processes}"
        return Engine("cluster", jobs, f"{where}, as asked", scheduler)
    if asked == "pool":
        return Engine("pool", jobs, f"a pool of {processes}, as asked")
    if jobs == 1:
        return Engine("here", 1, "this process alone")
    if points < FEW_POINTS:
        return Engine("pool", jobs, f"a pool of {processes}: {points} points are too few for a cluster to pay")
    if not is_installed():
        return Engine("pool", jobs, f"a pool of {processes}: Dask is not installed (bothheads[sweep] brings it)")
    return Engine("cluster", jobs, f"a Dask cluster of {processes}: {points} points")


class Progress:
    """How far a run is, on ``stream``: one line that is written over on a terminal, else a line now and then."""

    def __init__(self, total: int, done: int = 0, *, what: str = "points", stream: TextIO | None = None) -> None:
        self.total, self.done, self.first, self.what = total, done, done, what
        self.stream = stream or sys.stderr
        self.terminal = self.stream.isatty()
        self.start = self.said = time.monotonic()

    def add(self, count: int) -> None:
        """``count`` more are finished."""
        self.done += count
        now = time.monotonic()
        if now - self.said >= (0.2 if self.terminal else 30.0) or self.done == self.total:
            self.said = now
            self._say(now)

    def _say(self, now: float) -> None:
        rate = (self.done - self.first) / max(now - self.start, 1e-6)
        left = f", {_clock((self.total - self.done) / rate)} left" if rate > 0 and self.done < self.total else ""
        words = f"{self.done} of {self.total} {self.what}, {rate:.3g} a second{left}"
        if not self.terminal:
            print(words, file=self.stream, flush=True)
            return
        filled = int(30 * self.done / max(self.total, 1))
        print(f"\r[{'#' * filled}{'.' * (30 - filled)}] {words}\x1b[K", end="", file=self.stream, flush=True)

    def close(self) -> None:
        """Ends the line on a terminal."""
        if self.terminal and self.done > self.first:
            print(file=self.stream, flush=True)


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600} h {whole % 3600 // 60} min" if whole >= 3600 else f"{whole // 60}:{whole % 60:02d} min"
