"""Writes docs/sayings.md: every saying of the trade tested on the declared, seeded drums. The same code as the command.

    PYTHONPATH=src python builders/sayings.py [docs/sayings.md] [--drums N]

About four minutes on one core; the same seed gives the same document but for the line that tells the time.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import argparse
import sys
from pathlib import Path
from time import process_time

from bothheads import __version__
from bothheads.papers.sayings import markdown
from bothheads.session.sayings import sayings

ABOUT = (
    "Each saying is put in our own words, tested on drums of the model by comparisons that are written down beside it, and judged "
    "by one rule for all. Nothing is judged by hand: change the physics and run it again, and the verdicts follow."
)


def main() -> None:
    """Test everything and write the document."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", nargs="?", type=Path, default=Path(__file__).parent.parent / "docs" / "sayings.md")
    parser.add_argument("--drums", type=int, default=None, help="bass drums; the declared number otherwise")
    options = parser.parse_args()
    started = process_time()
    report = sayings(drums=options.drums, progress=lambda done, total: print(f"\r{done} of {total}", end="", file=sys.stderr))
    seconds = process_time() - started
    made = (f"{ABOUT}\n\nMade by `python builders/sayings.py` with bothheads {__version__} in {seconds:.0f} s of one core; "
            "`bothheads sayings` says the same, `--log FILE` sets a log beside it, `--only NAME` asks one.")
    options.out.write_text(markdown(report, made=made), encoding="utf-8")
    print(f"\nwrote {options.out}", file=sys.stderr)


if __name__ == "__main__":
    main()
