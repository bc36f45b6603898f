"""A pool of processes that outlives its members: a killed process costs the one task that it was at, no more.

Every process has its own pipe and one task at a time. They are started afresh (not forked), ignore Ctrl-C, which is the
parent's to handle, and end when the parent is gone, because then their pipe is.
"""

from __future__ import annotations

import signal
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import connection, get_context
from multiprocessing.connection import Connection
from typing import Any

from .task import ATTEMPTS, KILLED, Function, Outcome, Task, attempt


@dataclass(eq=False)
class _Worker:
    process: Any
    pipe: Connection
    task: Task | None = field(default=None)


def in_pool(function: Function, tasks: Iterable[Task], *, jobs: int) -> Iterator[Outcome]:
    """Outcomes of all tasks as they finish, from ``jobs`` processes. ``function`` must be one of a module."""
    waiting = iter(tasks)
    again: deque[Task] = deque()
    deaths: dict[int, int] = {}
    workers: list[_Worker] = []
    try:
        workers += [_started(function) for _ in range(jobs)]
        for worker in workers:
            _feed(worker, again, waiting)
        while busy := [w for w in workers if w.task is not None]:
            for pipe in connection.wait([w.pipe for w in busy]):
                place = next(i for i, w in enumerate(workers) if w.pipe is pipe)
                worker = workers[place]
                task = worker.task
                assert task is not None
                try:
                    outcome: Outcome | None = worker.pipe.recv()
                except (EOFError, OSError):
                    outcome = None
                if outcome is None:
                    workers[place] = worker = _replaced(worker, function)
                    deaths[task.key] = deaths.get(task.key, 0) + 1
                    if deaths[task.key] < ATTEMPTS:
                        again.append(task)
                    else:
                        outcome = Outcome(task.key, failed=KILLED)
                _feed(worker, again, waiting)
                for idle in workers:  # one that ran out of work takes up what another left
                    if idle.task is None and again:
                        _feed(idle, again, waiting)
                if outcome is not None:
                    yield outcome
    finally:
        for worker in workers:
            _ended(worker)


def _feed(worker: _Worker, again: deque[Task], waiting: Iterator[Task]) -> None:
    """The next task for a worker that has none: one that was left by a killed process, else a new one."""
    worker.task = again.popleft() if again else next(waiting, None)
    if worker.task is not None:
        with suppress(OSError):  # it died meanwhile: its pipe will say so
            worker.pipe.send(worker.task)


def _started(function: Function) -> _Worker:
    context = get_context("spawn")
    mine, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs, function), daemon=True)
    process.start()
    theirs.close()
    return _Worker(process, mine)


def _replaced(worker: _Worker, function: Function) -> _Worker:
    _ended(worker)
    return _started(function)


def _ended(worker: _Worker) -> None:
    worker.pipe.close()
    if worker.process.is_alive():
        worker.process.terminate()
    worker.process.join(5)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()
    worker.process.close()


def _work(pipe: Connection, function: Function) -> None:
    """A worker's life: one task after the other, until the parent closes the pipe or is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, OSError):
        while True:
            task: Task = pipe.recv()
            pipe.send(attempt(function, task))
