"""The pages: each asks the log in a worker thread, makes a view, renders a template."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from .. import session
from ..errors import BothheadsError, InputError
from ..papers.rungs import reading_of
from ..units import note_frequency
from . import forms, picture, views
from .app import show
from .jobs_page import begun, waiting
from .turning_page import Asked, plan_of, plan_view
from .work import as_in, desk, glance, turns_of

LISTED = 6  # newest takes on the ladder's page


async def home(request: Request) -> Response:
    """All drums of the log."""

    def ask(log: Any) -> list[dict[str, Any]]:
        entries = log.drums()
        notes = {}
        for entry in entries:
            last = log.state_summaries(entry.id, 1, newest_first=True)
            if last and last[0].note_hz is None:  # refused, or nothing was read: only the state itself tells
                notes[entry.id] = (log.last_state(entry.id).reading or {}).get("note")
            else:
                notes[entry.id] = {"frequency_hz": last[0].note_hz, "t60_s": last[0].t60_s} if last else None
        return views.drum_rows(entries, notes)

    return show(request, "home.html", drums=await desk(request).read(ask))


async def add_drum(request: Request) -> Response:
    """A drum into the log, from an uploaded drum file or the sizes typed in."""
    form, files = await forms.uploads(request, "drum_file")
    data = files[0][1] if files else views.drum_toml({k: str(v) for k, v in form.items() if isinstance(v, str)}).encode()

    def ask(log: Any) -> int:
        with forms.on_disk([("drum.toml", data)]) as paths:
            return int(session.add_drum(paths[0], log=log).id)

    return RedirectResponse(f"/drums/{await desk(request).read(ask)}", status_code=303)


def _picture(request: Request, log: Any, drum_id: int, number: int | None) -> tuple[session.Loaded, picture.Picture, str]:
    """The drum, its ladder for the turn that the address asks, and why there is no model (or '')."""
    asked = forms.eighths(request.query_params)
    place = forms.text(request.query_params, "place", 40) or None
    loaded = glance(log, drum_id, LISTED)
    if number is not None:
        loaded = as_in(loaded, number, log, LISTED)
    state = loaded.states[-1] if loaded.states else None
    model = after = None
    why = ""
    try:
        model = desk(request).forecast(loaded, log=log)[1]
        if any(asked):
            after = desk(request).forecast(loaded, turns_of(*asked), log=log)[1]
    except BothheadsError as error:
        if any(asked):
            raise
        why = str(error)
    return loaded, picture.picture(reading_of(state), model, after=after, place=place, eighths=asked), why


async def ladder(request: Request) -> Response:
    """The ladder of a drum: as it is, or after the turn that the address asks."""
    drum_id, number = request.path_params["drum"], request.path_params.get("state")
    asked = Asked(note="" if number is not None else forms.text(request.query_params, "note", 20))
    wish_hz = note_frequency(asked.note) if asked.note else None

    def ask(log: Any) -> dict[str, Any]:
        loaded, p, why = _picture(request, log, drum_id, number)
        state = loaded.states[-1] if loaded.states else None
        entry, reading = loaded.entry, reading_of(state)
        assert entry is not None
        model = p.after or p.model
        places = list(p.model.partials[0].level_db) if p.model and p.model.partials else []
        return {
            **views.frame(entry, loaded.drum, "ladder"), "line": views.state_line(loaded.drum, state),
            "state": number, "last": state.number if state else 0,
            "drawings": picture.drawings(p, wish_hz=wish_hz), "note": picture.note_lines(p), "told": picture.told(p),
            "wish": asked.note, "far": wish_hz is not None and not p.axis.holds(wish_hz), **_wished(loaded, log, asked),
            "asked": picture.asked_words(p.eighths), "eighths": dict(zip(("batter", "resonant"), p.eighths, strict=True)),
            "rows": picture.table(p), "forecast": p.after is not None, "why": why, "place": p.place, "places": places,
            "warnings": list(dict.fromkeys((*(reading.warnings if reading else ()),
                                            *(model.warnings if model else ())))),
            "jobs": waiting(request, drum_id),
            "states": views.state_rows(loaded.states), "choices": views.turn_choices(),
            "next_state": (log.last_state(drum_id).number + 1) if loaded.states else 1,
        }

    return show(request, "ladder.html", **await desk(request).read(ask))


def _wished(loaded: session.Loaded, log: Any, asked: Asked) -> dict[str, Any]:
    """The plan towards the wished note, in words; a plan that cannot be made says why and the ladder stands."""
    try:
        return {**plan_view(loaded, asked, plan_of(asked, loaded, log)), "no_plan": ""}
    except BothheadsError as error:
        return {**plan_view(loaded, asked, None), "no_plan": str(error)}


async def take(request: Request) -> Response:
    """A recording kept as a new state; the page of that state follows."""
    drum_id, form = request.path_params["drum"], await request.form(max_files=24)
    folder = desk(request).jobs.folder()
    paths = await forms.kept_files(form, folder)
    if not paths:
        raise InputError("no recording was chosen: choose a WAV or FLAC file and send it again.")
    single = forms.text(form, "single")

    def turned(log: Any) -> tuple[Any, ...]:
        return (*turns_of(*forms.eighths(form)), *(session.parse_turns(single, glance(log, drum_id).drum) if single else ()))

    details = {"turns": await desk(request).read(turned), "channels": forms.text(form, "channels") or None,
               "place": forms.text(form, "place"), "remark": forms.text(form, "remark")}
    return await begun(request, "take", forms.names(paths), {"drum": str(drum_id), "paths": paths, "details": details},
                       lambda number: f"/drums/{drum_id}/states/{number}", folder)


ROUTES = [
    Route("/", home),
    Route("/drums", add_drum, methods=["POST"]),
    Route("/drums/{drum:int}", ladder),
    Route("/drums/{drum:int}/states/{state:int}", ladder),
    Route("/drums/{drum:int}/takes", take, methods=["POST"]),
]
