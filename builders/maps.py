"""Draws docs/pictures/map-*.svg and writes docs/maps.md: diameter by depth at one note and at one tension.

    PYTHONPATH=src python builders/maps.py
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import sys
from pathlib import Path
from time import process_time
from typing import Any

from bothheads import __version__
from bothheads.papers.maps import FOOT, caption, fixed_words, map_svg, names_of
from bothheads.plan.maps import maps

DOCS = Path(__file__).parent.parent / "docs"
ASKED: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("bass-50hz", "bothheads maps --note 50Hz --out FOLDER", {"note_hz": 50.0}),
    ("bass-600nm", "bothheads maps --tension 600 --out FOLDER", {"tension": 600.0}),
    ("tom-110hz", "bothheads maps --use tom --note 110Hz --out FOLDER", {"use": "tom", "note_hz": 110.0}),
    ("tom-1500nm", "bothheads maps --use tom --tension 1500 --out FOLDER", {"use": "tom", "tension": 1500.0}),
)


SCRIPTS = (
    "`bothheads maps ... --json` gives one object `bothheads.maps/1`: `version`, `use`, `fixed` (`note` or `tension`), "
    "`value`, `film_mil`, `diameters_in`, `depths_in`, `units` and `values` by name (rows are depths, columns diameters, "
    "null out of reach), `slack` and `tight` (films below their creases, above their working stress). Keys are stable; "
    "more may be added."
)


def main() -> None:
    """Compute, draw, write."""
    started, parts = process_time(), []
    for name, command, asked in ASKED:
        found = maps(**asked, progress=lambda done, total, name=name: print(f"\r{name} {done} of {total}", end="", file=sys.stderr))
        title = f"{'Bass drums' if found.use == 'bass' else 'Toms'}: {fixed_words(found)}"
        parts += [f"## {title}", "", f"`{command}`", ""]
        for figure in names_of(found):
            path = DOCS / "pictures" / f"map-{name}-{figure}.svg"
            path.write_text(map_svg(found, figure), encoding="utf-8")
            words = caption(found, figure)
            parts += [f"![{words.split('. ')[0]}](pictures/{path.name})", "", words, ""]
    made = (f"Made by `python builders/maps.py` with bothheads {__version__} in {process_time() - started:.0f} s of one core. "
            "Crosses mark usual sizes with their figures; every line carries its own.")
    (DOCS / "maps.md").write_text("\n".join(["# Maps over diameter and depth", "", made, "", *(f"{w}\n" for w in FOOT), *parts,
                                             "## For scripts", "", SCRIPTS, ""]),
                                  encoding="utf-8")
    print("\nwrote docs/maps.md", file=sys.stderr)


if __name__ == "__main__":
    main()
