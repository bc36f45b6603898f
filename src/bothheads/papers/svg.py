"""Marks on paper: a pen that writes SVG with the shared classes and, beside them, plain attributes.

A page that loads the style sheet recolours every mark by class (dark, print, forced colours); a drawing that
stands alone or goes to a card keeps the attributes. Solid is the batter head, broken the resonant head.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

NATURALS = {0: "C", 2: "D", 4: "E", 5: "F", 7: "G", 9: "A", 11: "B"}
SANS = "system-ui, 'Noto Sans', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class Palette:
    """Colours of a drawing that stands alone."""

    ink: str = "#1a1916"
    second: str = "#4d4a42"
    rule: str = "#857f72"
    hair: str = "#dcd8cc"
    batter: str = "#1c4e92"
    resonant: str = "#946200"
    paper: str = "#fbfaf5"


SCREEN = Palette()
BLACK = Palette("#000", "#222", "#666", "#bbb", "#000", "#000", "#fff")


def number(value: float, places: int = 1) -> str:
    """A coordinate without needless zeros."""
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def signed(value: float) -> str:
    """A whole number with its sign, the minus a real one: ``+14``, ``−31``, ``0``."""
    whole = round(value)
    return "0" if whole == 0 else f"{'+' if whole > 0 else '−'}{abs(whole)}"


def within(two_sd: float) -> str:
    """Two standard errors as written behind a plus-minus: never nothing, two digits where they are small."""
    least = max(abs(two_sd), 0.01)
    return f"{least:.2f}" if least < 0.095 else f"{least:.1f}"


class Pen:
    """Collects the parts of one drawing. ``uid`` keeps pattern names apart when several share a page."""

    def __init__(self, palette: Palette = SCREEN, uid: str = "") -> None:
        self.palette = palette
        self.slit = f"slit{uid}"
        self.parts: list[str] = []
        p = palette
        self._stroke = {"sb": p.batter, "sr": p.resonant, "hair": p.hair, "rule": p.rule, "ink": p.ink,
                        "whisk": p.ink, "ghost": p.rule, "went": p.ink}
        self._fill = {"fb": p.batter, "fr": p.resonant, "t2": p.second, "fi": p.ink, "fp": p.paper, "frule": p.rule}

    def raw(self, text: str) -> None:
        """Markup as it is."""
        self.parts.append(text)

    def pattern(self) -> None:
        """The slits of the resonant head."""
        self.raw(f'<defs><pattern id="{self.slit}" width="6" height="6" patternUnits="userSpaceOnUse">'
                 f'<rect class="fr" width="4" height="6" fill="{self.palette.resonant}"/></pattern></defs>')

    def path(self, d: str, css: str, *, width: float | None = None, dash: str = "", extra: str = "") -> None:
        """A stroked path; the first class names its colour."""
        stroke = next((self._stroke[c] for c in reversed(css.split()) if c in self._stroke), self.palette.ink)
        self.raw(f'<path class="{css}" d="{d}" fill="none" stroke="{stroke}"'
                 + (f' stroke-width="{number(width, 2)}"' if width is not None else "")
                 + (f' stroke-dasharray="{dash}"' if dash else "") + extra + "/>")

    def bar(self, x: float, y: float, width: float, height: float, css: str, *, slits: bool = False,
            extra: str = "") -> None:
        """A filled rectangle, solid in its class's colour or in slits."""
        fill = f"url(#{self.slit})" if slits else self._colour(css)
        self.raw(f'<rect class="{css}" x="{number(x)}" y="{number(y)}" width="{number(max(width, 0.0))}" '
                 f'height="{number(max(height, 0.0))}" fill="{fill}"{extra}/>')

    def text(self, x: float, y: float, words: str, *, size: float, css: str = "", anchor: str = "start",
             weight: int | None = None, markup: bool = False, extra: str = "") -> None:
        """A line of text; ``markup`` says that ``words`` is already escaped SVG."""
        bold = f' font-weight="{weight}"' if weight else ""
        side = f' text-anchor="{anchor}"' if anchor != "start" else ""
        named = f' class="{css}"' if css else ""
        self.raw(f'<text{named} x="{number(x)}" y="{number(y)}"{side} font-size="{number(size)}"{bold} '
                 f'fill="{self._colour(css)}"{extra}>{words if markup else escape(words)}</text>')

    def _colour(self, css: str) -> str:
        return next((self._fill[c] for c in css.split() if c in self._fill), self.palette.ink)

    def drawing(self, width: float, height: float, *, css: str, label: str, role: str = "img", extra: str = "",
                top: float = 0.0) -> str:
        """The whole drawing."""
        return (f'<svg xmlns="http://www.w3.org/2000/svg" class="{css}" viewBox="0 {number(top)} {number(width)} '
                f'{number(height)}" role="{role}" aria-label="{escape(label, quote=True)}" '
                f'font-family="{SANS}"{extra}>' + "\n".join(self.parts) + "</svg>")
