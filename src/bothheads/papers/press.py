"""From a kept state to a sheet, from a sheet to HTML, from HTML to PDF."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from importlib.resources import files
from typing import Any

from ..errors import InputError
from ..session.kept import Kept
from .sheet import Sheet

PAPER_MM = {"A5": (148.0, 210.0), "A4": (210.0, 297.0)}  # ISO 216
ZOOMS = (0.96, 0.92, 0.88, 0.84, 0.8)  # a card's 7.4 pt text stays near 6 pt

def kinds() -> dict[str, str]:
    """The papers there are: kind as named on the command line, and what it is for."""
    return {name: (maker.__doc__ or "").strip().splitlines()[0].rstrip(".") for name, maker in _makers().items()}


def _makers() -> dict[str, Callable[[Kept], Sheet]]:
    from . import cards, notes, sheets

    return {**cards.MAKERS, **sheets.MAKERS, **notes.MAKERS}


def sheet_of(kind: str, kept: Kept) -> Sheet:
    """The sheet of one kind of paper; raises ``InputError`` naming the kinds there are."""
    makers = _makers()
    if kind not in makers:
        raise InputError(f"'{kind}' is not a paper: choose one of {', '.join(sorted(makers))}.")
    return makers[kind](kept)


def html(sheet: Sheet, *, zoom: float = 1.0) -> str:
    """A sheet as one self-contained HTML page; ``zoom`` < 1 lays it out on a page so much larger, to be printed smaller."""
    page: str = _template().render(sheet=sheet, css=_css(sheet.size, zoom))
    return page


def pdf(sheet: Sheet) -> bytes:
    """A sheet as PDF; raises ``InputError`` when the optional library is not installed.

    One page where that can be read: with wide fonts the sheet is made smaller, to ``ZOOMS[-1]`` of its size at most. What
    fills more than one page even so is printed at full size.
    """
    document, zoom = laid_out(sheet)
    made: bytes = document.write_pdf(zoom=zoom)
    return made


def laid_out(sheet: Sheet) -> tuple[Any, float]:
    """The laid-out pages of a sheet and the zoom they are to be printed with."""
    try:
        from weasyprint import HTML
    except (ImportError, OSError):
        raise InputError(
            "a PDF needs the optional part: install bothheads[pdf] and Pango, or name an .html file and print that."
        ) from None
    whole = HTML(string=html(sheet)).render()
    if len(whole.pages) == 1:
        return whole, 1.0
    for zoom in ZOOMS:
        document = HTML(string=html(sheet, zoom=zoom)).render()
        if len(document.pages) == 1:
            return document, zoom
    return whole, 1.0


@lru_cache(maxsize=16)
def _css(size: str, zoom: float) -> str:
    text = (files(__package__) / "templates" / "sheet.css").read_text(encoding="utf-8")
    width, height = (side / zoom for side in PAPER_MM[size])
    return f"@page {{ size: {width:g}mm {height:g}mm; }}\n{text}"


@lru_cache(maxsize=1)
def _template():  # type: ignore[no-untyped-def]
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("bothheads.papers", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )
    return environment.get_template("sheet.html")
