"""A sweep from its design to its file of results."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from .. import __version__
from ..drumfile import write
from ..errors import InputError
from .columns import Format, Row, columns, encode
from .design import Chunk, Design
from .engine import Engine
from .rows import rows_of
from .spec import Spec
from .store import Lock, Store, open_store
from .task import Task


@dataclass(frozen=True)
class Work:
    """What every process needs to know of a sweep."""

    spec: Spec
    sweep: str
    form: Format


@dataclass(frozen=True)
class Tally:
    """What a run did: points now and before, how many of all failed, and where the rows are."""

    points: int
    now: int
    before: int
    failed: int
    results: Path


def work_out(work: Work, chunk: Chunk) -> tuple[bytes, int]:
    """The file of a chunk, and how many of its points failed."""
    rows = rows_of(work.spec, chunk, work.sweep)
    return encode(rows, columns(work.spec), work.form), sum(row.get("error") is not None for row in rows)


def given_up(work: Work, chunk: Chunk, reason: str) -> bytes:
    """The file of a chunk that could not be worked out: its points with the reason."""
    strikes = work.spec.strikes or (None,)
    rows: list[Row] = [
        {"point": design * len(strikes) + j, "drum": work.spec.bases[chunk.bases[i]].name,
         "strike": strike.name if strike else None, "error": reason, "version": __version__, "sweep": work.sweep,
         **{f"set_{key}": value for key, value in chunk.changes(i).items()}}
        for i, design in enumerate(chunk.designs) for j, strike in enumerate(strikes)
    ]
    return encode(rows, columns(work.spec), work.form)


def run_sweep(design: Design, folder: Path, engine: Engine, form: Format, *,
              progress: Callable[[int], None] = lambda count: None) -> Tally:
    """Works out what is missing in ``folder`` and joins it; ``progress`` is told of points as they are kept.

    Raises
    ------
    InputError
        The folder is another sweep's, or cannot be written.
    """
    spec = design.spec
    work = Work(spec, spec.sha256, form)
    strikes = max(1, len(spec.strikes))
    with Lock(folder):
        store = open_store(folder, design, form)
        if store.complete:
            store.clear()
            return Tally(design.points, 0, design.points, _failures(store), store.results)
        done = store.done()
        sizes = _sizes(design)
        before = sum(sizes[number] for number in done) * strikes
        progress(before)
        sent: dict[int, Chunk] = {}
        for outcome in engine.run(partial(work_out, work), _tasks(design, done, sent)):
            chunk = sent.pop(outcome.key)
            data = outcome.value[0] if outcome.failed is None else given_up(work, chunk, outcome.failed)
            _kept(store, outcome.key, data)
            progress(len(chunk) * strikes)
        store.finish(design.chunk_count, _metadata(spec))
        return Tally(design.points, design.points - before, before, _failures(store), store.results)


def _sizes(design: Design) -> list[int]:
    """Designs in every chunk."""
    whole, rest = divmod(design.designs, design.chunk_size)
    return [design.chunk_size] * whole + ([rest] if rest else [])


def _tasks(design: Design, done: set[int], sent: dict[int, Chunk]) -> Iterator[Task]:
    for chunk in design.chunks(done):
        sent[chunk.number] = chunk
        yield Task(chunk.number, chunk)


def _kept(store: Store, number: int, data: bytes) -> None:
    try:
        store.keep(number, data)
    except OSError as error:
        raise InputError(f"{store.folder} cannot be written ({error.strerror}): make room and run the same again.") from None


def _metadata(spec: Spec) -> dict[str, str]:
    """What the file of results says of itself: version, hash and the drums that the keys were set on."""
    drums: dict[str, Any] = {f"drum.{base.name}": write(base.drum) for base in spec.bases}
    return {"bothheads.version": __version__, "bothheads.sweep": spec.sha256, "bothheads.name": spec.name, **drums}


def _failures(store: Store) -> int:
    """Rows with an error in the file of results."""
    if store.form == "jsonl":
        import json

        with store.results.open(encoding="utf-8") as lines:
            return sum(json.loads(line)["error"] is not None for line in lines)
    import pyarrow.parquet as pq

    file = pq.ParquetFile(store.results)
    return sum(len(part) - part.column("error").null_count for part in (
        file.read_row_group(i, columns=["error"]) for i in range(file.num_row_groups)))
