"""Many recordings in one call: files and folders, one line each, resumable when the lines go to a file."""

from __future__ import annotations

import json
import sys
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path

from .. import session
from ..errors import InputError
from ..records import Drum
from . import words


def read_many(options: Namespace, *, drum: Drum | None, say: Callable[[str], None]) -> int:
    """Read every file named and every recording below the folders named: lines of JSON, or of words for a person."""
    target = Path(options.out) if options.out else None
    done = _already_read(target)
    machine = target is not None or options.json
    show = sys.stderr.isatty() and not (target is None and sys.stdout.isatty())  # no count among the lines themselves

    def progress(count: int, total: int) -> None:
        if show:
            print(f"\r{count} of {total}", end="", file=sys.stderr, flush=True)

    lines = session.read_folder(
        options.files, jobs=1 if options.jobs is None else options.jobs, done=done, channels=options.channels,
        drum=drum, start_s=options.start, stop_s=options.stop, progress=progress,
        scheduler=options.scheduler, engine=options.engine, say=say)
    read = refused = 0
    try:
        stream = target.open("a", encoding="utf-8") if target else sys.stdout
    except OSError as error:
        raise InputError(f"{target} cannot be written ({error.strerror}): choose another --out.") from None
    try:
        for line in lines:
            refused += "schema" not in line
            read += 1
            stream.write((json.dumps(line, allow_nan=False) if machine else words.file_line(line)) + "\n")
            stream.flush()
    finally:
        if target:
            stream.close()
    print(f"{'' if not show else chr(10)}{read} files read, {refused} refused, {len(done)} done before",
          file=sys.stderr)
    return 0


def _already_read(target: Path | None) -> set[str]:
    """Files that a broken-off run has finished; a half-written last line is cut away."""
    if target is None or not target.exists():
        return set()
    whole = [line for line in target.read_text(encoding="utf-8").splitlines(keepends=True) if line.endswith("\n")]
    done: set[str] = set()
    for line in whole:
        try:
            done.add(json.loads(line)["file"])
        except (ValueError, KeyError, TypeError):
            raise InputError(f"{target} is not a file of readings: choose another --out.") from None
    target.write_text("".join(whole), encoding="utf-8")
    return done
