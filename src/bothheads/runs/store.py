"""The folder of a sweep: a manifest, one file for every finished chunk, and at the end one file of all rows.

A chunk's file is written under another name, forced to the disk and renamed, so whatever is there is whole. The same
folder takes up a run that was broken off: what is there is not worked out again. ``results.parquet`` (or
``results.jsonl`` without pyarrow) replaces the chunks' files when the last of them is in.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from .. import __version__
from ..errors import InputError
from .columns import ROWS, Format, arrow_schema, columns
from .design import Design

SCHEMA = "bothheads.sweep-run/1"
_MANIFEST, _PARTS = "sweep.json", "parts"


def format_here() -> Format:
    """Parquet where pyarrow is installed, else JSON lines."""
    from importlib.util import find_spec

    return "parquet" if find_spec("pyarrow") else "jsonl"


@dataclass(frozen=True)
class Store:
    """An opened folder; ``form`` is what its files are."""

    folder: Path
    form: Format
    kinds: dict[str, str]
    sweep: str

    @property
    def results(self) -> Path:
        """The file of all rows, there once the sweep is complete."""
        return self.folder / f"results.{self.form}"

    def _part(self, number: int) -> Path:
        return self.folder / _PARTS / f"part-{number:06d}.{self.form}"

    @property
    def complete(self) -> bool:
        """Whether all rows are in their one file."""
        return self.results.exists()

    def done(self) -> set[int]:
        """Numbers of the chunks that are kept."""
        found = (self.folder / _PARTS).glob(f"part-??????.{self.form}")
        return {int(path.stem.removeprefix("part-")) for path in found}

    def keep(self, number: int, data: bytes) -> None:
        """Writes one chunk's file, whole or not at all."""
        write_whole(self._part(number), data)

    def finish(self, chunks: int, metadata: Mapping[str, str]) -> None:
        """Joins the chunks' files in their order into one and takes them away."""
        parts = [self._part(number) for number in range(chunks)]
        temporary = self.results.with_name(f".{self.results.name}.{os.getpid()}")
        (_join_parquet if self.form == "parquet" else _join_lines)(parts, temporary, self.kinds, metadata)
        _settle(temporary, self.results)
        self.clear()

    def clear(self) -> None:
        """Takes the chunks' files away once the one file of all rows is there."""
        if self.complete and (self.folder / _PARTS).exists():
            for path in (self.folder / _PARTS).iterdir():
                path.unlink()
            (self.folder / _PARTS).rmdir()


def open_store(folder: Path, design: Design, form: Format) -> Store:
    """The folder for this sweep, made or taken up again.

    Raises
    ------
    InputError
        The folder holds another sweep, one of another version or form, or cannot be written.
    """
    spec = design.spec
    mine = {"schema": SCHEMA, "name": spec.name, "sweep": spec.sha256, "rows": ROWS, "version": __version__,
            "points": design.points, "chunks": design.chunk_count, "designs_a_chunk": design.chunk_size, "format": form}
    manifest = folder / _MANIFEST
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if manifest.exists():
            _same_run(json.loads(manifest.read_text(encoding="utf-8")), mine, folder)
        elif any(path.name not in (_LOCK, _PARTS) for path in folder.iterdir()):
            raise InputError(f"{folder} holds other files: choose an empty or a new folder for --out.")
        else:
            write_whole(manifest, json.dumps(mine, indent=1).encode())
        store = Store(folder, form, columns(spec), spec.sha256)
        if not store.complete:
            (folder / _PARTS).mkdir(exist_ok=True)
            for left in (folder / _PARTS).glob(".*"):  # half-written by a run that was killed
                left.unlink()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its sweep.json cannot be read"
        raise InputError(f"{folder} cannot be used ({reason}): choose another --out.") from None
    return store


def _same_run(found: Any, mine: dict[str, Any], folder: Path) -> None:
    if not isinstance(found, dict) or found.get("schema") != SCHEMA:
        raise InputError(f"{folder} is not the folder of a sweep: choose another --out.")
    if found.get("sweep") != mine["sweep"]:
        raise InputError(f"{folder} holds another sweep (its file or a drum's has changed since): choose another --out.")
    if (found.get("version"), found.get("rows")) != (mine["version"], mine["rows"]):
        raise InputError(f"{folder} was begun by version {found.get('version')}: finish it with that, or choose another --out.")
    if found.get("format") != mine["format"]:
        need = "install pyarrow" if found.get("format") == "parquet" else "the run is taken up where pyarrow is not installed"
        raise InputError(f"{folder} was begun as {found.get('format')}: {need}, or choose another --out.")
    if (found.get("chunks"), found.get("points")) != (mine["chunks"], mine["points"]):
        raise InputError(f"{folder} holds a sweep cut in another way: choose another --out.")


_LOCK = ".lock"


class Lock:
    """Keeps a second run out of the folder; gone with the process that holds it, however that ends."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / _LOCK
        self.file: IO[bytes] | None = None

    def __enter__(self) -> Lock:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self.file = self.path.open("ab")
        except OSError as error:
            raise InputError(f"{self.path.parent} cannot be written ({error.strerror}): choose another --out.") from None
        try:
            import fcntl
        except ImportError:  # no such lock on this system: two runs at once would only do the work twice
            return self
        try:
            fcntl.flock(self.file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self.file.close()
            raise InputError(f"another run is at work in {self.path.parent}: wait for it or choose another --out.") from None
        return self

    def __exit__(self, *_: object) -> None:
        if self.file is not None:
            self.file.close()


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file so that it is there whole or not at all, whenever the power goes."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    with temporary.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    _settle(temporary, path)


def _settle(temporary: Path, path: Path) -> None:
    with temporary.open("rb") as file:
        os.fsync(file.fileno())
    temporary.replace(path)
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _join_lines(parts: list[Path], out: Path, kinds: Mapping[str, str], metadata: Mapping[str, str]) -> None:
    with out.open("wb") as file:
        for part in parts:
            file.write(part.read_bytes())


def _join_parquet(parts: list[Path], out: Path, kinds: Mapping[str, str], metadata: Mapping[str, str]) -> None:
    """One Parquet file, read and written some parts at a time; a row group holds about 50,000 rows."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = arrow_schema(kinds, metadata)
    with pq.ParquetWriter(out, schema, compression="zstd") as writer:
        held: list[Any] = []
        for part in parts:
            held.append(pq.ParquetFile(part).read().replace_schema_metadata(schema.metadata))
            if sum(len(table) for table in held) >= 50_000:
                writer.write_table(pa.concat_tables(held))
                held = []
        if held:
            writer.write_table(pa.concat_tables(held))
