"""The ladder's picture of a drum: what was heard, whose it is, and where a turn would move it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..papers.ladder import ladder_marks, ladder_svg
from ..papers.ladder_layout import NARROW, WIDE, Axis, axis_for, note_words
from ..papers.rungs import Rung, rungs_after, rungs_of_prediction, rungs_of_reading
from ..papers.svg import within
from ..records import Note, Prediction, Reading
from ..units import cents, turns_in_words

NO_MODES: Mapping[str, Sequence[tuple[float, str]]] = {}


@dataclass(frozen=True)
class Picture:
    """Rungs as they are, the model of them, and (when a turn is asked) the same rungs after it."""

    now: tuple[Rung, ...]
    note: Note
    model: Prediction | None
    axis: Axis
    place: str
    then: tuple[Rung, ...] = ()
    after: Prediction | None = None
    eighths: tuple[int, int] = (0, 0)  # batter, resonant

    @property
    def own(self) -> Mapping[str, Sequence[tuple[float, str]]]:
        """Own modes of each head, after the turn when one is asked."""
        model = self.after or self.model
        return model.own_modes if model else NO_MODES


def picture(
    reading: Reading | None, model: Prediction | None, *, after: Prediction | None = None, place: str | None = None,
    eighths: tuple[int, int] = (0, 0),
) -> Picture:
    """A picture from a reading, a model of the same state, or both; ``after`` is the forecast of a turn."""
    if reading is not None and reading.partials:
        where = place if place in reading.channels else reading.channels[0]
        now = rungs_of_reading(reading, prediction=model, place=where)
        note = reading.note
    elif model is not None:
        now, note = rungs_of_prediction(model, place=place), model.note
        places = list(model.partials[0].level_db) if model.partials else ["seat"]
        where = place if place in places else "seat" if "seat" in places else places[0]
    else:
        now, note, where = [], Note(refused="nothing has been read yet"), place or "seat"
    axis = axis_for(now, model.own_modes if model else NO_MODES)
    then = rungs_after(now, model, after, place=where) if after is not None and model is not None else []
    return Picture(tuple(now), note, model, axis, str(where), tuple(then), after, eighths)


def drawings(p: Picture, *, wish_hz: float | None = None) -> dict[str, str]:
    """The wide and the narrow drawing as SVG."""
    rungs, ghosts = (p.then, p.now) if p.after is not None else (p.now, ())
    return {
        sheet.kind: ladder_svg(rungs, p.own, sheet=sheet, axis=p.axis, place=p.place, ghosts=ghosts, wish_hz=wish_hz)
        for sheet in (WIDE, NARROW)
    }


def asked_words(eighths: tuple[int, int]) -> str:
    """What is asked of the hands: ``Batter 2/8 looser on every rod``."""
    parts = [f"{name} {turns_in_words(n)}" for name, n in zip(("batter", "resonant"), eighths, strict=True) if n]
    if not parts:
        return "The drum as it is now"
    text = ", ".join(parts) + " on every rod"
    return text[0].upper() + text[1:]


def note_lines(p: Picture) -> dict[str, Any]:
    """The drum note in words: what kind of figure, the figure, what it is called, the tail."""
    forecast = p.after is not None
    note = p.after.note if p.after is not None else p.note
    kind = "forecast" if forecast else "measured" if p.now and p.now[0].heard else "by the model"
    if not p.now and p.model is None:
        return {"kind": "Drum note", "figure": "not read yet", "name": "not known", "tail": "not known", "refused": None}
    if note.frequency_hz is None:
        return {"kind": f"Drum note, {kind}", "figure": "refused", "name": note.refused or "", "tail": "not given",
                "refused": note.refused}
    sure = "" if note.sd_hz is None else f", ± {within(2 * note.sd_hz)}"
    name = f"{note_words(note.frequency_hz)} cents"
    if forecast and p.note.frequency_hz:
        c = round(cents(note.frequency_hz, p.note.frequency_hz))
        name = "as it is now" if not c else f"{abs(c)} cents {'lower' if c < 0 else 'higher'} than now"
    return {"kind": f"Drum note, {kind}", "figure": f"{note.frequency_hz:.1f} Hz{sure}", "name": name,
            "tail": "not given" if note.t60_s is None else f"{note.t60_s:.1f} s" if note.t60_s >= 0.95
            else f"{note.t60_s:.2f} s", "refused": None}


def told(p: Picture) -> list[str]:
    """The line beside the ladder: a warning when both heads are alike, else how to ask a rung."""
    rungs = p.then or p.now
    shares = [r.share_batter for r in rungs if r.share_batter is not None]
    if shares and all(0.4 < s < 0.6 for s in shares):
        return ["Both heads would be alike." if p.after else "Both heads are alike.",
                "Rungs pair up and warble, and no reading can tell which head is which."]
    if not rungs:
        return ["Nothing has been read yet.", "Strike the centre three times, both heads free, a breath between."]
    return ["Touch a rung", "and it says which head owns it, how long it rings and which rods move it."]


def marks(p: Picture) -> dict[str, Any]:
    """Everything a page needs to move the rungs: places of both drawings and the words beside them."""
    rungs, ghosts = (p.then, p.now) if p.after is not None else (p.now, ())
    return {
        "drawings": ladder_marks(rungs, p.own, p.axis, ghosts=ghosts),
        "eighths": list(p.eighths), "asked": asked_words(p.eighths), "note": note_lines(p), "told": told(p),
        "sound": sound(p),
    }


def sound(p: Picture) -> list[list[float]]:
    """Frequency [Hz], decay [s] and level [dB] of each partial at this place, for a sound made by the model."""
    model = p.after or p.model
    if model is None or not model.partials:
        return []
    rows = [[q.frequency_hz, q.decay_s, q.level_db.get(p.place, next(iter(q.level_db.values()), 0.0))]
            for q in model.partials]
    top = max(level for _, _, level in rows)
    return [[round(f, 3), round(d, 4), round(level - top, 1)] for f, d, level in rows if level > top - 50]


def table(p: Picture) -> list[dict[str, str]]:
    """The same figures in rows, highest first."""
    rows = []
    was = {r.key: r for r in p.now}
    for r in sorted(p.then or p.now, key=lambda r: -r.frequency_hz):
        parts = None if r.share_batter is None else round(100 * r.share_batter)
        rows.append({
            "what": "Drum note" if r.is_note else _figure(r), "hz": f"{r.frequency_hz:.1f}",
            "was": f"{was[r.key].frequency_hz:.1f}" if p.then and r.key in was else "",
            "sure": "" if r.frequency_sd_hz is None else f"{max(2 * r.frequency_sd_hz, 0.01):.2f}",
            "name": note_words(r.frequency_hz), "tail": f"{r.t60_s:.2f}", "level": f"{r.level_db:.0f}".replace("-", "−"),
            "batter": "" if parts is None else str(parts), "resonant": "" if parts is None else str(100 - parts),
        })
    return rows


def _figure(r: Rung) -> str:
    names = ("whole head", "halves", "quarters", "sixths", "eighths")
    if r.m is None:
        return "not known"
    return names[r.m] if r.m < len(names) else f"{2 * r.m} parts"
