"""What a form or an address says, checked: numbers within their range, files in memory, one sentence when not."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, QueryParams, UploadFile
from starlette.requests import Request

from ..errors import InputError
from ..records import HEADS, HeadName
from .work import MOST_EIGHTHS

_UNSAFE = re.compile(r"[^\w .()+-]")


def whole(values: Mapping[str, Any] | QueryParams | FormData, key: str, low: int, high: int, default: int) -> int:
    """A whole number from ``low`` to ``high``.

    Raises
    ------
    InputError
        When it is something else.
    """
    text = str(values.get(key) or "").strip()
    if not text:
        return default
    try:
        value = int(text)
    except ValueError:
        raise InputError(f"'{text[:40]}' is not a whole number: give {key} from {low} to {high}.") from None
    if not low <= value <= high:
        raise InputError(f"{key} = {value} is outside {low} to {high}.")
    return value


_STEP = re.compile(r"^(batter|resonant)([+-]\d)$")


def eighths(values: QueryParams | FormData) -> tuple[int, int]:
    """Eighths of a turn asked of batter and resonant head; ``step`` adds to one of them (a form without script)."""
    asked = {head: whole(values, head, -MOST_EIGHTHS, MOST_EIGHTHS, 0) for head in HEADS}
    if match := _STEP.match(str(values.get("step") or "")):
        head: HeadName = "batter" if match[1] == "batter" else "resonant"
        asked[head] = min(max(asked[head] + int(match[2]), -MOST_EIGHTHS), MOST_EIGHTHS)
    return asked["batter"], asked["resonant"]


def text(values: FormData | QueryParams, key: str, most: int = 400) -> str:
    """A line of text, cut to ``most`` characters."""
    value = values.get(key)
    return value.strip()[:most] if isinstance(value, str) else ""


async def uploads(request: Request, key: str = "recording") -> tuple[FormData, list[tuple[str, bytes]]]:
    """A form with its files in memory, empty ones left out; for small files."""
    form = await request.form(max_files=24)
    found = [(str(item.filename), await item.read()) for item in _files(form, key)]
    await form.close()
    return form, found


def _files(form: FormData, key: str) -> list[UploadFile]:
    return [item for item in form.getlist(key) if isinstance(item, UploadFile) and item.filename]


async def kept_files(form: FormData, folder: Path, key: str = "recording") -> list[str]:
    """The recordings of a form copied into ``folder``, each under its own name in a folder of its own; their paths.

    The form's files are closed then; its words can still be read.
    """
    paths: list[str] = []
    for item in _files(form, key):
        home = folder / f"{key}-{len(paths)}"
        home.mkdir()
        path = home / safe_name(str(item.filename))
        with path.open("wb") as out:
            while data := await item.read(1 << 20):
                out.write(data)
        paths.append(str(path))
    await form.close()
    return paths


def safe_name(name: str) -> str:
    """A file's own name without folders or odd characters."""
    return _UNSAFE.sub("_", Path(name.replace("\\", "/")).name)[-80:].lstrip(".") or "take.wav"


@contextmanager
def on_disk(recordings: list[tuple[str, bytes]]) -> Iterator[list[Path]]:
    """The recordings as files under their own names, gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="bothheads-") as folder:
        paths = []
        for i, (name, data) in enumerate(recordings):
            home = Path(folder) / str(i)
            home.mkdir()
            path = home / safe_name(name)
            path.write_bytes(data)
            paths.append(path)
        yield paths


def names(paths: list[str]) -> str:
    """Recordings by their names: ``take.wav``, ``take.wav and 2 more``."""
    first = Path(paths[0]).name
    return first if len(paths) == 1 else f"{first} and {len(paths) - 1} more"
