"""An export as it arrives from somebody else: looked at with care before anything of it is used."""

from __future__ import annotations

import contextlib
import json
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, cast

from ..errors import LogError
from .documents import DRUM_SCHEMA, EXPORT_SCHEMA, STATE_SCHEMA

MEMBERS = 2_000_000
TEXT_BYTES = 64_000_000  # of one JSON document
RATIO = 200  # unpacked over packed; text of a log stays below 40
_NAMES = re.compile(
    r"(README\.txt|manifest\.json|notes\.json|(drums|states|takes)\.csv|takes/[0-9a-f]{64}\.flac"
    r"|photographs/[0-9a-f]{64}\.[a-z0-9]{1,5}|drums/[a-z0-9-]+/(drum\.(json|toml)|states/\d{5,}\.json))"
)
_SHA = re.compile(r"[0-9a-f]{64}")


class Archive:
    """A checked export. Names are never used as paths: only names of the export's own form are read at all.

    Raises ``LogError`` when the file is no zip, cut short, damaged, a bomb, or not an export.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._zip = zipfile.ZipFile(path)
        except FileNotFoundError:
            raise LogError(f"there is no file {path}: name the zip made by 'bothheads log export'.") from None
        except OSError as error:
            raise LogError(f"{path} cannot be read ({error.strerror}): check the path.") from None
        except (zipfile.BadZipFile, NotImplementedError, ValueError, EOFError):
            raise LogError(f"{path} is cut short or no zip: bring the whole export over again.") from None
        try:
            self._members = self._look()
            self.manifest = self._manifest()
        except BaseException:
            self._zip.close()
            raise

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._zip.close()

    def wrong(self, why: str) -> LogError:
        """The sentence for an export that cannot be used."""
        return LogError(f"{self.path} cannot be brought in ({why}): nothing was changed, ask for a fresh export.")

    def _look(self) -> dict[str, zipfile.ZipInfo]:
        items = self._zip.infolist()
        found: dict[str, zipfile.ZipInfo] = {}
        packed = sum(item.compress_size for item in items)
        if len(items) > MEMBERS or packed > self.path.stat().st_size:
            raise self.wrong("it holds more than its size allows")
        for item in items:
            if item.is_dir():
                continue
            if not _NAMES.fullmatch(item.filename):
                raise self.wrong(f"'{item.filename[:60]}' is no part of an export")
            if item.filename in found:
                raise self.wrong(f"'{item.filename}' is in it twice")
            if item.flag_bits & 0x1:
                raise self.wrong("it is encrypted")
            if item.file_size > RATIO * max(item.compress_size, 1000):
                raise self.wrong(f"'{item.filename}' would unpack to {item.file_size / 1e6:.0f} MB")
            if not item.filename.endswith(".flac") and item.file_size > TEXT_BYTES:
                raise self.wrong(f"'{item.filename}' is too large")
            found[item.filename] = item
        return found

    def _manifest(self) -> dict[str, Any]:
        if "manifest.json" not in self._members:
            raise self.wrong("it has no manifest.json, so it is no export of a log")
        manifest = self._json("manifest.json", self._read("manifest.json"))
        schema = manifest.get("schema") if isinstance(manifest, dict) else None
        if schema != EXPORT_SCHEMA:
            if isinstance(schema, str) and schema.startswith("bothheads.export/"):
                raise self.wrong("it was made by a newer version: update bothheads")
            raise self.wrong("its manifest is not one of an export")
        self.files = manifest.get("files")
        folders, missing = manifest.get("drums"), manifest.get("missing")
        if not isinstance(self.files, dict) or not _texts(folders) or not _texts(missing):
            raise self.wrong("its manifest is not whole")
        if set(self.files) != set(self._members) - {"manifest.json"}:
            raise self.wrong("files are missing from it or were added to it")
        for name, entry in self.files.items():
            whole = isinstance(entry, dict) and isinstance(entry.get("sha256"), str) and _SHA.fullmatch(entry["sha256"])
            if not whole or entry.get("bytes") != self._members[name].file_size:
                raise self.wrong(f"'{name}' is not the file that its manifest names")
        return cast(dict[str, Any], manifest)

    def names(self, folder: str) -> list[str]:
        """Members below ``folder``, sorted."""
        return sorted(name for name in self._members if name.startswith(folder))

    @contextlib.contextmanager
    def stream(self, name: str) -> Iterator[BinaryIO]:
        """A member to be read block by block; damage on the way is a ``LogError``."""
        try:
            with self._zip.open(self._members[name]) as stream:
                yield cast(BinaryIO, _Careful(cast(BinaryIO, stream), self, name))
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError):
            raise self.wrong(f"'{name}' is damaged") from None

    def _read(self, name: str) -> bytes:
        with self.stream(name) as stream:
            return stream.read(TEXT_BYTES + 1)

    def _json(self, name: str, data: bytes) -> Any:
        def no(constant: str) -> None:
            raise ValueError(constant)

        try:
            return json.loads(data.decode("utf-8"), parse_constant=no)
        except (ValueError, RecursionError):
            raise self.wrong(f"'{name}' is not JSON") from None

    def document(self, name: str, schema: str | None) -> Any:
        """A JSON member, compared with its hash in the manifest."""
        import hashlib

        if name not in self._members:
            raise self.wrong(f"'{name}' is missing")
        data = self._read(name)
        if hashlib.sha256(data).hexdigest() != self.files[name]["sha256"]:
            raise self.wrong(f"'{name}' is not the file that its manifest names")
        value = self._json(name, data)
        if schema is not None and (not isinstance(value, dict) or value.get("schema") != schema):
            raise self.wrong(f"'{name}' is not what its name says")
        return value

    def drums(self) -> Iterator[tuple[dict[str, Any], list[str]]]:
        """Each drum's document, with the names of its states' documents."""
        for folder in self.manifest["drums"]:
            yield self.document(f"{folder}/drum.json", DRUM_SCHEMA), self.names(f"{folder}/states/")

    def state(self, name: str) -> dict[str, Any]:
        """One state's document."""
        return cast(dict[str, Any], self.document(name, STATE_SCHEMA))

    def notes(self) -> list[Any]:
        """The documents beside the log."""
        value = self.document("notes.json", None) if "notes.json" in self._members else []
        if not isinstance(value, list):
            raise self.wrong("'notes.json' is not what its name says")
        return value

    def bytes_of(self, name: str) -> bytes:
        """A whole member."""
        with self.stream(name) as stream:
            return stream.read()

    def must_hold(self, name: Any, sha256: Any) -> None:
        """Refuse a file that a document names and neither the zip nor the manifest's list of lost files holds."""
        if not isinstance(name, str) or not isinstance(sha256, str) or sha256 not in name or not _SHA.fullmatch(sha256):
            raise self.wrong("a document names a file in a way that no export does")
        if name not in self._members and name not in self.manifest["missing"]:
            raise self.wrong(f"'{name}' is missing")

    def compare(self, got: set[str], folder: str) -> None:
        """Refuse when the files read from ``folder`` are not those that their names promise."""
        if got != {name.removeprefix(folder)[:64] for name in self.names(folder)}:
            raise self.wrong("a recording or photograph in it is damaged")


class _Careful:
    """A stream whose damage speaks in a sentence, wherever it is read."""

    def __init__(self, stream: BinaryIO, archive: Archive, name: str) -> None:
        self._stream = stream
        self._archive = archive
        self._name = name

    def read(self, size: int = -1) -> bytes:
        try:
            return self._stream.read(size)
        except (zipfile.BadZipFile, zlib.error, EOFError):
            raise self._archive.wrong(f"'{self._name}' is damaged") from None


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)
