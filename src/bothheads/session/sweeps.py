"""Much at once: sweeps of drums, strikes and places, and folders of recordings, on one engine."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import BothheadsError, InputError
from ..records import Drum
from .drums import is_file, load_drum, load_file
from .reading import audio_files, read_file

if TYPE_CHECKING:
    from ..log.store import Log

Say = Callable[[str], None]
SECONDS_A_FILE = 400  # points that take as long as reading one recording, for the choice of the engine


@dataclass(frozen=True)
class Swept:
    """What came of a sweep: the contract's object and the same in words."""

    answer: dict[str, Any]
    lines: tuple[str, ...]


def sweep_file(
    path: str | Path, out: str | Path, *, jobs: int | None = None, scheduler: str | None = None,
    engine: str | None = None, log: Log | None = None, say: Say = lambda words: None,
) -> Swept:
    """Works out the sweep of a file into the folder ``out``, or takes up the one that was begun there.

    ``jobs`` None: one process a core. ``say`` is told which engine was chosen and why; progress goes to stderr.

    Raises
    ------
    InputError
        One sentence: the file, the folder or the options cannot be used.
    """
    from ..runs.design import Design
    from ..runs.engine import Progress, engine_for
    from ..runs.spec import parse_spec
    from ..runs.store import format_here
    from ..runs.sweep import run_sweep

    where = Path(path)
    spec = parse_spec(_text(where), drum_of=lambda ref: _base(ref, where.parent, log))
    design = Design(spec)
    form = format_here()
    chosen = engine_for(design.points, jobs=cores() if jobs is None else jobs, asked=engine, scheduler=scheduler)
    say(f"{design.points} points on {chosen.why}.")
    if form == "jsonl":
        say("Results are JSON lines, because pyarrow is not installed (bothheads[sweep] brings it).")
    shown = Progress(design.points)
    first = True

    def progress(count: int) -> None:
        nonlocal first
        if first:
            shown.done = shown.first = count
            first = False
        else:
            shown.add(count)

    try:
        tally = run_sweep(design, Path(out), chosen, form, progress=progress)
    finally:
        shown.close()
    answer = {
        "schema": "bothheads.sweep-run/1", "points": tally.points, "worked_out": tally.now, "kept_from_before": tally.before,
        "failed": tally.failed, "results": str(tally.results), "format": form, "engine": chosen.kind, "why": chosen.why,
        "jobs": chosen.jobs, "sweep": spec.sha256,
    }
    lines = [f"{tally.points} rows in {tally.results}, {tally.failed} of them failed (their reason is in the column error)."]
    if tally.before:
        lines.append(f"{tally.before} were there before.")
    return Swept(answer, tuple(lines))


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(f"there is no sweep file {path}: give its path (see docs/sweeps.md).") from None
    except (OSError, UnicodeDecodeError):
        raise InputError(f"{path} cannot be read as text: give the file of a sweep (see docs/sweeps.md).") from None


def _base(ref: str, folder: Path, log: Log | None) -> Drum:
    """A drum of the sweep's file: a drum file beside it, or a drum in the log."""
    return load_file(folder / ref).drum if is_file(ref) else load_drum(ref, log=log).drum


def _one_line(options: dict[str, Any], path: str) -> dict[str, Any]:
    """The contract's object of one recording, or why there is none."""
    from .. import wire

    try:
        return {"file": path, **wire.reading(read_file(path, **options))}
    except BothheadsError as error:
        return {"file": path, "refused": str(error)}


def read_folder(
    folder: str | Path | Sequence[str | Path], *, jobs: int = 1, done: Iterable[str] = (), channels: str | None = None,
    drum: Drum | None = None, start_s: float | None = None, stop_s: float | None = None,
    progress: Callable[[int, int], None] | None = None, scheduler: str | None = None, engine: str | None = None,
    say: Say = lambda words: None,
) -> Iterator[dict[str, Any]]:
    """One contract object a file of ``folder`` (or of several files and folders), as they finish.

    Files in ``done`` are skipped, so a run can be resumed.

    A file that cannot be read, or at which the process is stopped again and again, gives an object with ``refused``
    and does not stop the rest. Raises ``InputError`` as ``sweep_file`` does.
    """
    from ..runs.engine import engine_for
    from ..runs.task import Task

    already = set(done)
    files = audio_files(*([folder] if isinstance(folder, str | Path) else folder))
    todo = [str(p) for p in files if str(p) not in already]
    chosen = engine_for(len(todo) * SECONDS_A_FILE, jobs=jobs, asked=engine, scheduler=scheduler)
    if chosen.kind != "here":
        say(f"{len(todo)} files on {chosen.why.replace(f'{len(todo) * SECONDS_A_FILE} points', 'as many')}.")
    finished = len(files) - len(todo)
    options = {"channels": channels, "drum": drum, "start_s": start_s, "stop_s": stop_s}
    for outcome in chosen.run(partial(_one_line, options), (Task(i, path) for i, path in enumerate(todo))):
        finished += 1
        yield outcome.value if outcome.failed is None else {"file": todo[outcome.key], "refused": outcome.failed}
        if progress:
            progress(finished, len(files))
