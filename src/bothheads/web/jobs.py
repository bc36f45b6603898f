"""Jobs: long work that is seen, can be stopped, and loses nothing. Lives as long as the program runs."""

from __future__ import annotations

import multiprocessing
import secrets
import shutil
import tempfile
import threading
import time
import weakref
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ..errors import BothheadsError, CannotAnswer, InputError
from . import labour

AT_ONCE = 2  # further jobs wait
MOST_KEPT = 60
GIVES_ITS_BEST = ("choose",)
_SPAWN = multiprocessing.get_context("spawn")

State = Literal["waiting", "running", "done", "stopped", "failed"]


@dataclass
class Job:
    """One piece of long work. ``where`` is called once with its answer and gives the address that follows."""

    name: str
    kind: str
    drum_id: int
    what: str  # in words, for the list of jobs
    asked: dict[str, Any]
    where: Callable[[Any], str]
    folder: Path | None = None  # recordings that it works on; gone when it is done or thrown away
    state: State = "waiting"
    stage: str = "waiting for its turn"
    share: float | None = None
    answer: Any = None
    follows: str = ""  # the address that follows its end
    error: str = ""
    cannot: bool = False  # the question cannot be answered, rather than was asked wrongly
    began: float = field(default_factory=time.monotonic)
    over: threading.Event = field(default_factory=threading.Event)
    process: Any = None
    pipe: Any = None

    @property
    def answered(self) -> bool:
        """Whether it ended with an answer."""
        return self.state == "done"

    def message(self) -> dict[str, Any]:
        """What the page shows of it."""
        return {"job": self.name, "state": self.state, "what": self.what, "stage": self.stage, "share": self.share,
                "seconds": round(time.monotonic() - self.began), "error": self.error,
                "where": self.follows or None}


class Jobs:
    """All jobs of this run of the program."""

    def __init__(self, log_path: str | Path | None) -> None:
        self.log_path = None if log_path is None else str(log_path)
        self.jobs: dict[str, Job] = {}
        self._base: str | None = None
        self._turn = threading.Semaphore(AT_ONCE)
        self._lock = threading.Lock()

    def folder(self) -> Path:
        """A folder for the recordings of a job to come."""
        if self._base is None:
            self._base = tempfile.mkdtemp(prefix="bothheads-")
            weakref.finalize(self, shutil.rmtree, self._base, True)
        return Path(tempfile.mkdtemp(dir=self._base))

    def start(self, kind: str, drum_id: int, what: str, asked: dict[str, Any], where: Callable[[Any], str],
              folder: Path | None = None, name: str = "") -> Job:
        """A new job, begun as soon as fewer than two others run."""
        job = Job(name or secrets.token_urlsafe(9), kind, drum_id, what, asked, where, folder)
        with self._lock:
            self.jobs[job.name] = job
            for old in [j for j in self.jobs.values() if j.over.is_set()][:max(0, len(self.jobs) - MOST_KEPT)]:
                self._forget(old)
        self._begin(job)
        return job

    def _begin(self, job: Job) -> None:
        job.state, job.stage, job.share, job.error, job.began = "waiting", "waiting for its turn", None, "", time.monotonic()
        job.over = threading.Event()
        threading.Thread(target=self._watch, args=(job, job.over), daemon=True).start()

    def _watch(self, job: Job, over: threading.Event) -> None:
        with self._turn:
            if job.state != "waiting":
                over.set()
                return
            ours, theirs = _SPAWN.Pipe()
            job.pipe = ours
            job.process = _SPAWN.Process(target=labour.work, args=(theirs, job.kind, self.log_path, job.asked), daemon=True)
            job.process.start()
            theirs.close()
            with self._lock:  # a stop that came meanwhile found no process to end
                if job.state == "waiting":
                    job.state, job.stage = "running", "starting"
                else:
                    job.process.terminate()
            with suppress(EOFError, OSError):
                while job.state in ("running", "stopped"):  # stopped: what was finished just before is heard still
                    self._hear(job, ours.recv())
            if job.state == "running":  # it ended without a word
                job.state, job.error = "failed", "The program stopped in the middle of this: go on, or throw it away."
            job.process.join(5)
            job.pipe = None
            ours.close()
        if job.answered and job.folder is not None:
            shutil.rmtree(job.folder, ignore_errors=True)
        over.set()

    def _hear(self, job: Job, said: tuple[Any, ...]) -> None:
        if said[0] == "at":
            if job.state == "running":
                _, job.stage, job.share = said
        elif said[0] == "done":
            job.answer = said[1]
            job.follows = job.where(job.answer)
            job.state = "done"
        else:
            _, job.error, job.cannot = said
            job.state = "failed"

    def get(self, name: str) -> Job:
        """The job of that name.

        Raises
        ------
        InputError
            When there is none.
        """
        if name not in self.jobs:
            raise InputError("this work is from an earlier start of the program: begin it again.")
        return self.jobs[name]

    def of_drum(self, drum_id: int) -> list[Job]:
        """Jobs of a drum that are not done: at work, stopped or failed."""
        return [j for j in self.jobs.values() if j.drum_id == drum_id and j.state != "done" and j.kind != "choose"]

    def stop(self, job: Job) -> None:
        """End it now; what it works on stays, so that it can go on."""
        with self._lock:
            if job.state in ("waiting", "running"):
                job.state, job.stage = "stopped", "stopped"
                if job.process is not None and job.process.is_alive():
                    job.process.terminate()

    def enough(self, job: Job) -> None:
        """Ask it to answer with what it has; work that cannot is stopped."""
        if job.kind in GIVES_ITS_BEST and job.state == "running" and job.pipe is not None:
            with suppress(OSError):
                job.pipe.send("enough")
        else:
            self.stop(job)

    def again(self, job: Job) -> None:
        """Take a stopped or failed job up again, from its beginning."""
        if job.state in ("stopped", "failed") and job.over.wait(10):
            self._begin(job)

    def away(self, job: Job) -> None:
        """Throw it away with its recordings."""
        self.stop(job)
        with self._lock:
            self._forget(job)

    def _forget(self, job: Job) -> None:
        self.jobs.pop(job.name, None)
        if job.folder is not None:
            shutil.rmtree(job.folder, ignore_errors=True)

    def finish(self, job: Job) -> str:
        """Wait for the end of a job, for a form without script: the address that follows.

        Raises
        ------
        InputError, CannotAnswer
            What the work said; the job is thrown away then.
        """
        job.over.wait()
        if job.state == "done":
            return job.follows
        error: BothheadsError = CannotAnswer(job.error, {}) if job.cannot else InputError(job.error or "this was stopped.")
        with self._lock:
            self._forget(job)
        raise error
