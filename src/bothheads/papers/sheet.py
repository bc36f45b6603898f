"""One sheet of paper: a title, facts, tables, lists and drawings, in the order they are printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True)
class Block:
    """One block of a sheet; only the fields of its kind are set.

    facts: rows of (label, value), the first may be ``lead`` (large); table: head, rows; list: numbered items;
    text: paragraphs; drawing: an SVG with words; hand: lines to fill in by hand; sound: a name and WAV in base64.
    """

    kind: Literal["facts", "table", "list", "text", "drawing", "hand", "sound", "checks"]
    title: str = ""
    lead: str = ""
    rows: tuple[tuple[str, ...], ...] = ()
    head: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    svg: str = ""
    wide: bool = True  # takes the whole width; two narrow blocks in a row stand side by side


@dataclass(frozen=True)
class Sheet:
    """A whole paper. ``size`` A5 for cards that travel with the drum, A4 for records and notes."""

    title: str
    kind: str  # in words, e.g. 'recall card'
    meta: tuple[str, ...]  # one line under the title
    blocks: tuple[Block, ...]
    foot: tuple[str, ...]
    size: Literal["A5", "A4"] = "A5"
    dark: bool = False  # read on a dark stage from a screen; prints as ink on paper all the same
    warnings: tuple[str, ...] = field(default=())


def facts(*rows: tuple[str, str] | None, title: str = "", lead: str = "", wide: bool = False) -> Block:
    """A block of labelled facts; None rows are left out."""
    return Block("facts", title, lead, rows=tuple(r for r in rows if r is not None and r[1]), wide=wide)


def table(title: str, head: tuple[str, ...], rows: Sequence[tuple[str, ...]], *, wide: bool = True) -> Block:
    """A table with a header row; the first column is a row header."""
    return Block("table", title, head=head, rows=tuple(rows), wide=wide)


def steps(title: str, items: list[str], *, wide: bool = True) -> Block:
    """A numbered list."""
    return Block("list", title, items=tuple(items), wide=wide)


def text(title: str, *paragraphs: str, wide: bool = True) -> Block:
    """Paragraphs."""
    return Block("text", title, items=tuple(p for p in paragraphs if p), wide=wide)


def hand(title: str, *labels: str, wide: bool = True) -> Block:
    """Lines to fill in by hand, each with its label."""
    return Block("hand", title, items=labels, wide=wide)


def checks(title: str, rows: Sequence[tuple[str, ...]], head: tuple[str, ...], *, wide: bool = True) -> Block:
    """A table whose last columns are empty boxes to tick."""
    return Block("checks", title, head=head, rows=tuple(rows), wide=wide)


def drawing(title: str, svg: str, words: str, *, wide: bool = True) -> Block:
    """A drawing and the words that say the same."""
    return Block("drawing", title, lead=words, svg=svg, wide=wide)
