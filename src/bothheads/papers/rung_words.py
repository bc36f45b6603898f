"""What a rung of the ladder says of itself: how far it moved, whose it is, what turning either head does to it."""

from __future__ import annotations

from math import log2

from .ladder_layout import note_words
from .rungs import Rung
from .svg import within


def cents_words(frequency: float, reference: float) -> str:
    """``108 cents lower``, ``as before`` within 3 cents."""
    c = round(1200.0 * log2(frequency / reference))
    return "as before" if abs(c) < 3 else f"{abs(c)} cents {'lower' if c < 0 else 'higher'}"


def owner_words(share: float | None) -> str:
    """Whose rung it is, in words."""
    if share is None:
        return "whose it is is not known yet"
    for limit, words in ((0.9, "the batter head alone"), (0.7, "mostly the batter head"), (0.3, "both heads together"),
                         (0.1, "mostly the resonant head")):
        if share > limit:
            return words
    return "the resonant head alone"


def rung_words(r: Rung) -> str:
    """One rung for a screen reader."""
    sure = f", plus or minus {within(2 * r.frequency_sd_hz)}" if r.frequency_sd_hz is not None else ""
    name = "drum note, " if r.is_note else ""
    return (f"{name}{r.frequency_hz:.1f} hertz{sure}, {note_words(r.frequency_hz)} cents, tail {r.t60_s:.1f} seconds, "
            f"{owner_words(r.share_batter)}")


def second_words(r: Rung, was: Rung | None, second: str = "note") -> str:
    """What stands beside a figure: how far it moved when there is a ghost, else its note."""
    if was is None:
        return note_words(r.frequency_hz)
    if second == "cents":
        return f"{round(1200.0 * log2(r.frequency_hz / was.frequency_hz)):+d}".replace("-", "−")
    return cents_words(r.frequency_hz, was.frequency_hz)


def tell_words(r: Rung) -> list[str]:
    """What a rung says when it is touched: its figure, and whose it is with what moves it."""
    sure = f", ± {within(2 * r.frequency_sd_hz)}" if r.frequency_sd_hz is not None else ""
    if r.share_batter is None:
        return [f"{r.frequency_hz:.1f} Hz{sure}.", f"Whose it is is not known: no mode of the model lies there. "
                f"It rings {r.t60_s:.1f} s."]
    parts = round(100 * r.share_batter)
    turn = ("Turn batter rods and it moves; resonant rods hardly touch it." if parts > 70 else
            "Turn resonant rods and it moves; batter rods hardly touch it." if parts < 30 else
            "Either head moves it.")
    return [f"{r.frequency_hz:.1f} Hz{sure}.",
            f"This rung belongs to {owner_words(r.share_batter)} ({parts} parts batter, {100 - parts} resonant). "
            f"It rings {r.t60_s:.1f} s. {turn}"]
