"""The log as one zip of open formats (JSON, CSV, FLAC, a README), and back; the same log gives the same bytes."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import os
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from ..errors import LogError
from . import documents as doc
from .archive import Archive
from .faults import disk_fault
from .merge import ImportReport, merge
from .store import Log
from .takes import sync_folder

__all__ = ["ExportReport", "ImportReport", "export_log", "import_log"]

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date a zip can hold: the same log gives the same bytes


@dataclass(frozen=True)
class ExportReport:
    """What went into an export."""

    path: Path
    drums: int
    states: int
    takes: int
    photographs: int
    bytes: int
    sha256: str  # of the zip: equal logs give equal zips
    missing: tuple[str, ...] = ()  # recordings that the log itself has lost


def export_log(log: Log, out_path: str | Path, drums: Sequence[str | int] | None = None) -> ExportReport:
    """Write the log, or some of its drums (names or numbers), as one zip; an existing file is replaced at the end.

    Raises
    ------
    LogError
        An unknown drum, or a place that cannot be written: then nothing is left there.
    """
    out = Path(out_path)
    ids = [entry.id for entry in (log.drums() if not drums else map(log.find_drum, drums))]
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{out.name}-", dir=out.parent)
    except OSError as error:
        raise disk_fault(error, out) from None
    unfinished = Path(name)
    try:
        with os.fdopen(descriptor, "w+b") as file:
            os.chmod(name, 0o644)
            with log._reading(), zipfile.ZipFile(file, "w", allowZip64=True) as archive:
                writer = _Writer(archive)
                _write_all(log, writer, sorted(set(ids)), whole=not drums)
            file.flush()
            os.fsync(file.fileno())
            file.seek(0)
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            size = file.seek(0, os.SEEK_END)
        os.replace(unfinished, out)
        sync_folder(out.parent)
    except OSError as error:
        raise disk_fault(error, out) from None
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
    counts = writer.counts
    return ExportReport(out, counts["drums"], counts["states"], counts["takes"], counts["photographs"], size, sha256,
                        tuple(writer.missing))


class _Writer:
    """Puts members into the zip, always with the same date, order and compression, and remembers their hashes."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive
        self.members: dict[str, dict[str, Any]] = {}
        self.missing: list[str] = []
        self.counts = dict.fromkeys(("drums", "states", "takes", "photographs"), 0)

    def add(self, name: str, data: bytes, *, packed: bool = True) -> None:
        item = zipfile.ZipInfo(name, _EPOCH)
        item.create_system = 3  # the same on every platform
        item.external_attr = 0o644 << 16
        item.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        self.archive.writestr(item, data, compresslevel=6)
        self.members[name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}

    def add_json(self, name: str, value: Any) -> None:
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
        self.add(name, text.encode() + b"\n")

    def add_csv(self, name: str, header: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        out = io.StringIO()
        table = csv.writer(out, lineterminator="\r\n")
        table.writerow(header)
        table.writerows([[_cell(value) for value in row] for row in rows])
        self.add(name, out.getvalue().encode())

    def add_file(self, name: str, read: Any, sha256: str) -> None:
        """A recording or photograph, once; one that the log has lost is named in the manifest."""
        if name in self.members or name in self.missing:
            return
        try:
            self.add(name, read(sha256), packed=False)
        except LogError:
            self.missing.append(name)


def _cell(value: Any) -> Any:
    """A cell that a spreadsheet will not take for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _write_all(log: Log, out: _Writer, ids: list[int], *, whole: bool) -> None:
    out.add("README.txt", (files(__package__) / "schema" / "EXPORT_README.txt").read_bytes())
    drum_table: list[Sequence[Any]] = []
    state_table: list[Sequence[Any]] = []
    take_table: list[Sequence[Any]] = []
    folders = []
    for drum_id, uuid, name in doc.drum_rows(log, ids):
        folder = doc.drum_folder(uuid, name)
        folders.append(folder)
        about = doc.drum_document(log, drum_id)
        out.add_json(f"{folder}/drum.json", about)
        out.add(f"{folder}/drum.toml", about["toml"].encode())
        out.counts["drums"] += 1
        before = out.counts["states"]
        for state in doc.state_documents(log, drum_id):
            out.add_json(f"{folder}/states/{state['number']:05d}.json", state)
            out.counts["states"] += 1
            state_table.append(_state_line(name, state))
            for take in state["takes"]:
                out.add_file(take["file"], log.take_bytes, take["sha256"])
                out.counts["takes"] += 1
                take_table.append((name, state["number"], take["file"], " ".join(take["channels"]),
                                   take["sample_rate_hz"], take["frames"], take["recorded_at"], take["source_name"]))
        for photograph in about["photographs"]:
            out.add_file(photograph["file"], log.photograph_bytes, photograph["sha256"])
            out.counts["photographs"] += 1
        drum_table.append((name, about["drum"]["diameter_m"], about["drum"]["depth_m"], about["added_at"],
                           out.counts["states"] - before, folder))
    if whole:
        out.add_json("notes.json", doc.note_documents(log, None))
    out.add_csv("drums.csv", ("drum", "diameter_m", "depth_m", "added_at", "states", "folder"), drum_table)
    out.add_csv("states.csv", _STATE_HEADER, state_table)
    out.add_csv("takes.csv", ("drum", "state", "file", "channels", "sample_rate_hz", "frames", "recorded_at",
                              "source_name"), take_table)
    out.add_json("manifest.json", {"schema": doc.EXPORT_SCHEMA, "drums": folders, "files": out.members,
                                   "missing": sorted(out.missing)})


_STATE_HEADER = ("drum", "state", "made_at", "drum_note_hz", "drum_note_sd_hz", "tail_t60_s", "batter_tension_n_per_m",
                 "resonant_tension_n_per_m", "turned", "place", "who", "beater", "remark")


def _state_line(name: str, state: dict[str, Any]) -> tuple[Any, ...]:
    note = (state["reading"] or {}).get("note") or {}
    turned = "; ".join(f"{t['head']}{'' if t['rod'] is None else ' rod ' + str(t['rod'])} {t['turns']:+g}"
                       for t in state["turns"])
    return (name, state["number"], state["made_at"], note.get("frequency_hz"), note.get("sd_hz"), note.get("t60_s"),
            state["drum"]["batter"].get("tension"), state["drum"]["resonant"].get("tension"), turned, state["place"],
            state["who"], state["beater"], state["remark"])


def import_log(log: Log, zip_path: str | Path) -> ImportReport:
    """Bring an export into the log, or merge it with what is there; all of it, or nothing.

    Drums, states and takes are known by their own names (UUIDs), so that nothing comes twice. Where both
    logs corrected the same thing, the later correction stands and the other one is kept as a revision.

    Raises
    ------
    LogError
        The zip is cut short, damaged, too large, not an export, or reaches outside; or the log cannot be written.
    """
    log._refuse_readonly()
    with Archive(Path(zip_path)) as archive, log._disk_faults(), contextlib.ExitStack() as stack:
        sounds = stack.enter_context(log.recordings.staged(_streams(archive, "takes/")))
        pictures = stack.enter_context(log.photographs_folder.staged(_streams(archive, "photographs/")))
        archive.compare({s.sha256 for s in sounds}, "takes/")
        archive.compare({s.sha256 for s in pictures}, "photographs/")
        return merge(log, archive, sounds, pictures)


def _streams(archive: Archive, folder: str) -> Iterator[Any]:
    for name in archive.names(folder):
        with archive.stream(name) as stream:
            yield stream
