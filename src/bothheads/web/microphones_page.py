"""Microphones round the drum: the plan view, a spectrum for each, how far apart they are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import session
from ..errors import BothheadsError, InputError
from ..papers.planview import SHOWN_DB, Line, pair_db, plan_svg, roundness_db, spectra_svg
from ..papers.rungs import SAME, modes_of, reading_of
from ..records import Microphone, Prediction, Reading, State
from . import forms, views
from .app import show
from .bench import wav_bytes
from .work import as_in, desk, glance

MOST_LINES = 14
RECENT = 24  # states among which the ones with several microphones are listed


def _strongest(lines: list[Line]) -> list[Line]:
    """Lines re the strongest level of all, the weak ones left out, lowest first."""
    levels = [v for line in lines for v in line.level_db if v is not None]
    if not levels:
        return []
    top = max(levels)
    near = [Line(x.frequency_hz, x.share_batter, tuple(None if v is None else v - top for v in x.level_db), x.is_note)
            for x in lines]
    loud = [x for x in near if x.is_note or any(v is not None and v > -SHOWN_DB for v in x.level_db)]
    loud.sort(key=lambda x: (not x.is_note, -max((v for v in x.level_db if v is not None), default=-200.0)))
    return sorted(loud[:MOST_LINES], key=lambda x: x.frequency_hz)


def lines_heard(reading: Reading, model: Prediction | None) -> list[Line]:
    """Partials at each channel of a reading, all channels at one gain."""
    rows = [(p.frequency_hz, p.level_dbfs) for p in reading.partials if len(p.level_dbfs) == len(reading.channels)]
    return level_lines(rows, model, reading.note.frequency_hz)


def level_lines(rows: Sequence[tuple[float, tuple[float | None, ...]]], model: Prediction | None,
                note_hz: float | None) -> list[Line]:
    """Levels by place as lines; whose each is from the model's nearest mode, the note from its frequency."""
    owner = modes_of([f for f, _ in rows], model.partials) if model else {}
    note = min((f for f, _ in rows), key=lambda f: abs(f - note_hz), default=None) if note_hz else None
    return _strongest([
        Line(f, model.partials[owner[i]].share_batter if model and i in owner else None, levels,
             f == note and note_hz is not None and abs(f / note_hz - 1) < 0.02) for i, (f, levels) in enumerate(rows)])


def lines_modelled(model: Prediction, names: list[str]) -> list[Line]:
    """Partials at each place of a forecast."""
    note = model.note.frequency_hz
    return _strongest([
        Line(p.frequency_hz, p.share_batter, tuple(p.level_db.get(n) for n in names),
             note is not None and abs(p.frequency_hz / note - 1) < SAME) for p in model.partials
    ])


def note_words(lines: list[Line], names: list[str]) -> str:
    """Where the drum note is much softer, and why that is so."""
    note = next((x for x in lines if x.is_note), None)
    if note is None:
        return ""
    known = [(v, n) for v, n in zip(note.level_db, names, strict=True) if v is not None]
    if len(known) < 2:
        return ""
    (low, where), (high, best) = min(known), max(known)
    text = f"The drum note ({note.frequency_hz:.1f} Hz) is {high - low:.0f} dB softer at the {where} than at the {best}."
    if where in ("side", "top") and high - low > 10:
        text += " Both heads push the same way, so beside the drum they cancel."
    return text


async def microphones(request: Request) -> Response:
    """The plan view of one state, as heard when it was taken with several microphones, else by the model."""
    drum_id = request.path_params["drum"]

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, drum_id, RECENT)
        assert loaded.entry is not None
        last = loaded.states[-1].number if loaded.states else 0
        number = forms.whole(request.query_params, "state", 1, max(last, 1), max(last, 1))
        at = as_in(loaded, number, log) if last else loaded
        state = at.states[-1] if at.states else None
        reading = reading_of(state)
        model = desk(request).model(at, log)
        places = {p.name: p for p in at.drum.places}
        several = reading is not None and len(reading.channels) > 1
        if several and reading is not None:
            names, lines = list(reading.channels), lines_heard(reading, model)
        elif model is not None:
            names = list(places)
            lines = lines_modelled(model, names)
        else:
            names, lines = [], []
        stood: list[Microphone] = [places[n] for n in names if n in places]
        count = range(len(names))
        return {
            **views.frame(loaded.entry, at.drum, "microphones"), "number": number if last else None, "heard": several,
            "plans": {k: plan_svg(at.drum, stood, wide=k == "w") for k in "wn"} if stood else None,
            "spectra": {k: spectra_svg(lines, names, wide=k == "w") for k in "wn"} if lines else None, "names": names,
            "roundness": None if (r := roundness_db(lines)) is None else f"{r:.0f} dB apart",
            "pairs": [[None if a == b else _db(pair_db(lines, a, b)) for b in count] for a in count],
            "note": note_words(lines, names),
            "blend": blend_view(log, state, request.query_params) if several and state is not None else None,
            "rows": [{"hz": f"{x.frequency_hz:.1f}", "levels": [_db(v) for v in x.level_db]} for x in reversed(lines)],
            "states": [s.number for s in loaded.states if len((s.reading or {}).get("channels") or ()) > 1][-12:],
        }

    return show(request, "microphones.html", **await desk(request).read(ask))


def blend_view(log: Any, state: State, values: Any) -> dict[str, Any]:
    """What lies between two microphones of a take, and what is gained by mending it."""
    names = list((state.reading or {}).get("channels") or ())
    first = forms.text(values, "a", 40) or names[0]
    second = forms.text(values, "b", 40) or next(n for n in names if n != first)
    view: dict[str, Any] = {"a": first, "b": second, "why": "", "lines": []}
    try:
        found = session.blend_take(log, state, first, second)
    except BothheadsError as error:
        return {**view, "why": str(error)}
    ms = 1000.0 * found.delay_s
    later = second if ms > 0 else first
    view["lines"] = [
        f"The {later} hears {abs(ms):.2f} ms later, {abs(ms) * 0.343:.2f} m of path: brought forward."
        if abs(ms) >= 0.01 else "Both hear the strike at the same time.",
        f"The {second} moves against the {first} below 200 Hz: turned over." if found.opposed
        else "Both move the same way below 200 Hz: polarity left alone.",
        f"Below 200 Hz the mended blend is {abs(found.gained_db):.1f} dB {'louder' if found.gained_db >= 0 else 'softer'}.",
    ]
    if abs(found.alike) < 0.3:
        view["lines"].append("The two are hardly alike below 200 Hz, so the polarity is not settled.")
    return view


async def blend_sound(request: Request) -> Response:
    """The blend of two microphones as WAV; ``mend=0`` as they stand."""
    values = request.query_params
    first, second, mend = forms.text(values, "a", 40), forms.text(values, "b", 40), values.get("mend") != "0"

    def ask(log: Any) -> bytes:
        state = log.state(request.path_params["drum"], request.path_params["state"])
        take = next((t for t in state.takes if first in t.channels), None)
        if take is None:
            raise InputError(f"no take of state {state.number} has a microphone '{first}'.")
        return wav_bytes(session.blend_take(log, state, first, second, mend=mend).samples, take.sample_rate_hz)

    return Response(await desk(request).read(ask), media_type="audio/wav")


def _db(value: float | None) -> str:
    if value is None or value < -60:
        return "under −60" if value is not None else ""
    return f"{value:.0f}".replace("-", "−")


ROUTES = [Route("/drums/{drum:int}/microphones", microphones),
          Route("/drums/{drum:int}/states/{state:int}/blend.wav", blend_sound)]
