"""The same tasks on a Dask cluster: one of this computer's own, or one that is running already.

The cluster here listens on this computer only, has no dashboard, keeps its scratch files in a folder that goes with it
and gives every process one thread and a bounded share of the memory. Dask is imported here and nowhere else.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from importlib.util import find_spec
from tempfile import TemporaryDirectory
from typing import Any

from .. import __version__
from ..errors import InputError
from .task import ATTEMPTS, KILLED, Function, Outcome, Task, attempt

AHEAD = 2  # tasks a process, running or waiting: enough that none idles, few enough that memory stays flat
MEMORY = 2 * 1024**3  # bytes a process, or its share of the computer's where that is less
STARTS = 2  # of a local cluster
WAIT_S = 10.0  # for a scheduler to answer


def is_installed() -> bool:
    """Whether Dask's distributed scheduler can be imported."""
    return find_spec("distributed") is not None


def on_cluster(function: Function, tasks: Iterable[Task], *, jobs: int, scheduler: str | None = None) -> Iterator[Outcome]:
    """Outcomes of all tasks as they finish; ``scheduler`` is the address of a running one, ``tcp://host:port``.

    Raises
    ------
    InputError
        Dask is not installed, no scheduler answers there, or its processes run another version.
    """
    if not is_installed():
        raise InputError("a cluster needs Dask: install bothheads[sweep], or leave --engine and --scheduler out.")
    with ExitStack() as stack:
        client, workers = _client(stack, jobs, scheduler)
        waiting = iter(tasks)
        from distributed import as_completed

        running: Any = as_completed([])
        keys: dict[str, Task] = {}

        def submit() -> bool:
            task = next(waiting, None)
            if task is None:
                return False
            future = client.submit(attempt, function, task, pure=False)
            keys[future.key] = task
            running.add(future)
            return True

        for _ in range(AHEAD * workers):
            if not submit():
                break
        for future in running:
            task = keys.pop(future.key)
            outcome = _outcome(future, task)
            future.release()
            submit()
            yield outcome


def _outcome(future: Any, task: Task) -> Outcome:
    from distributed import KilledWorker

    try:
        value = future.result()
    except KilledWorker:
        return Outcome(task.key, failed=KILLED)
    except Exception as error:  # such as a package that the cluster's processes lack
        return Outcome(task.key, failed=f"{type(error).__name__}: {error}")
    assert isinstance(value, Outcome)
    return value


def _client(stack: ExitStack, jobs: int, scheduler: str | None) -> tuple[Any, int]:
    """A client and the number of processes behind it; both go when ``stack`` does."""
    scratch = stack.enter_context(TemporaryDirectory(prefix="bothheads-"))
    if "dask" not in sys.modules:
        os.environ.setdefault("DASK_CONFIG", scratch)  # nobody's settings, and none left in the home folder
    import dask
    from distributed import Client

    stack.enter_context(dask.config.set({
        "distributed.scheduler.allowed-failures": ATTEMPTS - 1, "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False, "distributed.worker.memory.pause": False,
        "distributed.worker.multiprocessing-method": "spawn", "temporary-directory": scratch,
        "distributed.worker.profile.enabled": False, "distributed.admin.tick.interval": "1s",  # nobody looks at either
        # Dask gives memory back at every turn, which costs as much time as the work; a chunk's arrays come again at once.
        "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 2**28,
        "distributed.nanny.pre-spawn-environ.MALLOC_MMAP_THRESHOLD_": 2**25,
        "distributed.admin.system-monitor.interval": "5s", "distributed.admin.log-format": "%(message)s",
        "distributed.comm.timeouts.connect": f"{WAIT_S:g}s",
    }))
    if scheduler is not None:
        try:
            client = stack.enter_context(Client(scheduler, timeout=WAIT_S))
        except (OSError, ValueError, TimeoutError):
            raise InputError(f"no Dask scheduler answers at {scheduler}: start one, or leave --scheduler out.") from None
        count = sum(client.nthreads().values())
        if not count:
            raise InputError(f"the scheduler at {scheduler} has no workers: start some with 'dask worker {scheduler}'.")
        _same_version(client, scheduler)
        return client, count
    return stack.enter_context(Client(_local(stack, jobs, scratch))), jobs


def _local(stack: ExitStack, jobs: int, scratch: str) -> Any:
    """A cluster of this computer's own; one start in some hundred does not come up, so it is tried twice."""
    from distributed import LocalCluster

    said = ""
    for _ in range(STARTS):
        try:
            return stack.enter_context(LocalCluster(
                n_workers=jobs, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None,
                memory_limit=_share(jobs), silence_logs=50, local_directory=scratch,
            ))
        except RuntimeError as error:  # a process of the cluster did not come up
            said = str(error)
    raise InputError(f"the local cluster did not start ({said}): try again, or use --engine pool.")


def _same_version(client: Any, scheduler: str) -> None:
    """Refuses a cluster whose processes would work out other rows."""
    try:
        found = set(client.run(_version).values())
    except Exception:  # whatever they say: bothheads cannot be imported there
        found = set()
    if found != {__version__}:
        theirs = ", ".join(sorted(found)) or "none"
        raise InputError(f"the workers at {scheduler} have bothheads {theirs}, this is {__version__}: install the same there.")


def _version() -> str:
    return __version__


def _share(jobs: int) -> int:
    """Bytes that each of ``jobs`` processes may hold."""
    try:
        whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return MEMORY
    return int(min(MEMORY, 0.8 * whole / jobs))
