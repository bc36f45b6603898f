"""The verb ``maps``: pictures over diameter and depth."""

from __future__ import annotations

import json
import sys
from argparse import Namespace
from pathlib import Path

from .. import session
from ..errors import InputError
from .files import write_bytes
from .sayings import progress_of


def maps_command(options: Namespace) -> int:
    """One page, or a folder with a picture for each map."""
    from ..papers import maps as paper
    from ..papers.press import html, pdf

    out = Path(options.out)
    if out.suffix and out.suffix not in (".html", ".pdf"):
        raise InputError(f"{out} is not a place for maps: name a folder, or a file that ends in .html or .pdf.")
    found = session.maps(use=options.use, note=options.note, tension=options.tension, film_mil=options.film,
                         diameters_in=options.diameters, depths_in=options.depths, progress=progress_of("sizes"))
    if out.suffix:
        page = paper.sheet(found)
        write_bytes(str(out), pdf(page) if out.suffix == ".pdf" else html(page).encode())
    else:
        _folder(out, {f"{name}.svg": paper.map_svg(found, name) for name in paper.names_of(found)})
    stream = sys.stderr if options.json else sys.stdout
    for name in paper.names_of(found):
        print(paper.caption(found, name), file=stream)
    print(f"Written to {out}.", file=sys.stderr)
    if options.json:
        print(json.dumps(session.maps_json(found), allow_nan=False))
    return 0


def _folder(out: Path, pictures: dict[str, str]) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{out} cannot be made ({error.strerror}): choose another folder.") from None
    for name, svg in pictures.items():
        write_bytes(str(out / name), svg.encode())
