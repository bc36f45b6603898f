"""Walk-round: one microphone moved from place to place, strike, next place; roundness and small spectra build up."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket

from .. import session
from ..errors import InputError
from ..papers.planview import plan_svg, spectra_svg
from ..records import Prediction
from . import forms, views
from .app import answered, show
from .ear import Ear, Heard
from .jobs_page import begun, waiting
from .listening import Hearing, follow
from .microphones_page import level_lines, note_words
from .walk import ROOM_M, Walk
from .work import Desk, desk, glance, turns_of


def walk_of(work: Desk, loaded: session.Loaded) -> Walk:
    """The walk-round in the making of a drum."""
    assert loaded.entry is not None
    found: Walk | None = work.walks.get(loaded.entry.id)
    if found is None:
        found = work.walks[loaded.entry.id] = Walk(loaded.drum)
    return found


def message(walk: Walk, model: Prediction | None) -> dict[str, Any]:
    """Everything the page shows of a walk-round."""
    found = walk.levels()
    heard = walk.heard()
    names = list(found.places) if found else []
    least = session.least_roundness(found) if found else None
    lines = level_lines(found.rows, model, None if model is None else model.note.frequency_hz) if found else []
    apart = session.strokes_apart_db(heard)
    sure = "" if apart is None or apart < 0.5 else (
        f"Strokes at one place differed by up to {apart:.0f} dB: smaller differences between places say nothing.")
    return {
        "plans": {k: plan_svg(walk.drum, walk.shown(), wide=k == "w", room=ROOM_M, heard=list(walk.strikes), now=walk.now)
                  for k in "wn"},
        "spectra": {k: spectra_svg(lines, names, wide=k == "w") for k in "wn"} if lines else None,
        "roundness": None if least is None else f"at least {least:.0f} dB apart",
        "note": note_words(lines, names), "sure": sure, "rows": walk.rows(), "now": walk.now, "count": len(heard),
        "next": next((r["name"] for r in walk.rows() if not r["strikes"] and not r["now"]), None),
    }


async def page(request: Request) -> Response:
    """The walk-round with what has been heard so far."""

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, request.path_params["drum"])
        assert loaded.entry is not None
        walk = walk_of(desk(request), loaded)
        return {**views.frame(loaded.entry, loaded.drum, "walk"), **message(walk, desk(request).model(loaded, log)),
                "choices": views.turn_choices(), "jobs": waiting(request, loaded.entry.id),
                "next_state": (loaded.states[-1].number + 1) if loaded.states else 1}

    return show(request, "walk.html", **await desk(request).read(ask))


async def listen(socket: WebSocket) -> None:
    """The socket of a walk-round: packets in, the picture out after every strike."""

    def begin(ear: Ear, loaded: session.Loaded) -> Hearing:
        work: Desk = socket.app.state.desk
        model = work.now(lambda log: work.model(loaded, log))
        numbers: dict[int, int] = {}

        def hear(heard: Heard) -> dict[str, Any]:
            walk = walk_of(work, loaded)
            numbers[heard.onset] = walk.add(heard.wav, heard.reading, numbers.get(heard.onset)).number
            return message(walk, model)

        return hear

    await follow(socket, begin, most_channels=1)


def _metres(form: FormData, key: str) -> float | None:
    text = forms.text(form, key, 20).replace(",", ".").replace("−", "-")
    if not text:
        return None
    try:
        return float(text) / 100.0
    except ValueError:
        raise InputError(f"'{text}' is no number of centimetres: give {key} as a number.") from None


def _go(walk: Walk, form: FormData) -> None:
    """To a place that is named, or to the one whose centimetres were given."""
    name, chosen = forms.text(form, "name", 30), forms.text(form, "to", 30)
    if not name:
        walk.go(chosen or walk.now)
        return
    values = [_metres(form, key) for key in ("aside", "up", "ahead")]
    walk.go(name, *(values if any(v is not None for v in values) else (None, None, None)))


async def change(request: Request) -> Response:
    """Move the microphone, forget a strike, read an uploaded one, begin again."""
    do, drum_id, work = request.path_params["do"], request.path_params["drum"], desk(request)
    form, files = await forms.uploads(request)

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, drum_id)
        walk = walk_of(work, loaded)
        if do == "go":
            _go(walk, form)
        elif do == "drop":
            walk.drop(forms.whole(form, "strike", 1, 10**6, 0))
        elif do == "clear":
            work.walks.pop(drum_id, None)
            walk = walk_of(work, loaded)
        elif do == "upload":
            _upload(walk, form, files)
        return message(walk, work.model(loaded, log))

    return answered(request, await work.read(ask), f"/drums/{drum_id}/walk")


def _upload(walk: Walk, form: FormData, files: list[tuple[str, bytes]]) -> None:
    if forms.text(form, "to", 30):
        walk.go(forms.text(form, "to", 30))
    if not files:
        raise InputError(f"no recording was chosen: choose the strikes taken at the {walk.now}.")
    for name, data in files:
        reading = session.read_upload(data, name, drum=None, quick=True)
        if refused := session.refusal(reading):
            raise InputError(refused)
        walk.add(data, reading)


async def keep(request: Request) -> Response:
    """The walk-round as one new state: read again with care, fitted, kept with its places."""
    drum_id, form, work = request.path_params["drum"], await request.form(), desk(request)

    def ask(log: Any) -> tuple[Walk, str]:
        loaded = glance(log, drum_id)
        turns = [f"{t.head}={t.turns:g}" for t in turns_of(*forms.eighths(form))]
        return walk_of(work, loaded), ",".join(turns)

    walk, turns = await work.read(ask)
    if len(walk.heard()) < 2:
        raise InputError("a walk-round has two places or more: move the microphone and strike again, then keep it.")
    folder, places, paths = work.jobs.folder(), [], []
    for name, kept in walk.strikes.items():
        m = walk.places[name]
        for s in kept:
            path = folder / f"{forms.safe_name(name)}-{s.number}.wav"
            path.write_bytes(s.wav)
            places.append((m.name, m.x, m.y, m.z))
            paths.append(str(path))
    details = {"turns": turns, "place": forms.text(form, "place"), "remark": forms.text(form, "remark")}

    def where(number: int) -> str:
        work.walks.pop(drum_id, None)
        return f"/drums/{drum_id}/microphones?state={number}"

    return await begun(request, "walk", f"walk-round of {len(walk.strikes)} places",
                       {"drum": str(drum_id), "places": places, "paths": paths, "details": details}, where, folder)


ROUTES = [
    Route("/drums/{drum:int}/walk", page),
    WebSocketRoute("/ws/drums/{drum:int}/walk", listen),
    Route("/drums/{drum:int}/walk/keep", keep, methods=["POST"]),
    Route("/drums/{drum:int}/walk/{do}", change, methods=["POST"]),
    Route("/api/drums/{drum:int}/walk/{do}", change, methods=["POST"]),
]
