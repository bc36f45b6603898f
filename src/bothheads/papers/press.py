"""From a kept state to a sheet, from a sheet to HTML, from HTML to PDF."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from importlib.resources import files

from ..errors import InputError
from ..session.kept import Kept
from .sheet import Sheet


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


def html(sheet: Sheet) -> str:
    """A sheet as one self-contained HTML page."""
    page: str = _template().render(sheet=sheet, css=_css(sheet.size))
    return page


def pdf(sheet: Sheet) -> bytes:
    """A sheet as PDF; raises ``InputError`` when the optional library is not installed."""
    try:
        from weasyprint import HTML
    except (ImportError, OSError):
        raise InputError(
            "a PDF needs the optional part: install bothheads[pdf] and Pango, or name an .html file and print that."
        ) from None
    made: bytes = HTML(string=html(sheet)).write_pdf()
    return made


@lru_cache(maxsize=4)
def _css(size: str) -> str:
    text = (files(__package__) / "templates" / "sheet.css").read_text(encoding="utf-8")
    return f"@page {{ size: {size} portrait; }}\n{text}"


@lru_cache(maxsize=1)
def _template():  # type: ignore[no-untyped-def]
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("bothheads.papers", "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )
    return environment.get_template("sheet.html")
