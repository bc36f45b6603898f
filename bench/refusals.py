"""Recordings on which the reader gives no note, and why.

usage: python bench/refusals.py FOLDER... (folders of recordings; default the shipped ones)
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))


def main() -> None:
    """Read every file and list the refusals."""
    from bothheads.session import audio_files, read_file

    folders = [Path(a) for a in sys.argv[1:]] or [ROOT / "tests" / "data" / "recordings"]
    files = [path for folder in folders for path in audio_files(folder)]
    refused = 0
    for path in files:
        reading = read_file(path)
        if reading.note.frequency_hz is None:
            refused += 1
            print(f"{path.name}: {reading.note.refused}", flush=True)
    print(f"{refused} of {len(files)} refused")


if __name__ == "__main__":
    main()
