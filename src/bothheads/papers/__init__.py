"""Papers: from a kept state to one printable page, as HTML or PDF."""

from .press import html, kinds, pdf, sheet_of

__all__ = ["html", "kinds", "pdf", "sheet_of"]
