"""Live listening: the page, its socket, and the take in the making (leave out, keep, throw away)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket

from .. import session
from ..errors import InputError
from ..records import Prediction
from . import forms, picture, views
from .app import answered, show, wants_json
from .bench import Bench
from .ear import Ear, Heard
from .jobs_page import begun, waiting
from .listening import Hearing, follow
from .work import Desk, desk, glance, turns_of


def bench_of(work: Desk, loaded: session.Loaded) -> Bench:
    """The unkept take of a drum, an empty one when there is none."""
    assert loaded.entry is not None
    found: Bench | None = work.benches.get(loaded.entry.id)
    if found is None:
        found = work.benches[loaded.entry.id] = Bench(loaded.drum)
    found.drum = loaded.drum
    return found


def owned(reading: Any, model: Prediction | None) -> Prediction | None:
    """The model as far as it explains what is heard: its partials moved onto the nearest heard ones, by 60 cents at most."""
    if model is None or reading is None:
        return model
    heard = [p.frequency_hz for p in reading.partials]
    taken: set[float] = set()
    moved = []
    for p in sorted(model.partials, key=lambda q: -max(q.level_db.values(), default=-200.0)):
        near = min((f for f in heard if f not in taken), key=lambda f: abs(f / p.frequency_hz - 1), default=None)
        if near is not None and abs(near / p.frequency_hz - 1) < 0.035:
            taken.add(near)
            moved.append(replace(p, frequency_hz=near))
    return replace(model, partials=tuple(sorted(moved, key=lambda q: q.frequency_hz)))


def message(bench: Bench, model: Prediction | None) -> dict[str, Any]:
    """Everything the page shows of a take in the making."""
    averaged = bench.averaged()
    p = picture.picture(averaged, owned(averaged, model) if averaged else model,
                        place=bench.channels[0] if bench.channels else None)
    return {"drawings": picture.drawings(p), "note": picture.note_lines(p), "rows": bench.rows(),
            "advice": [{"word": a.word, "sentence": a.sentence, "kind": a.kind} for a in bench.advice()]}


def channel_choices(places: tuple[str, ...]) -> list[dict[str, str]]:
    """Which input channels are used, and where each microphone stands."""
    first, second = places[0], places[1] if len(places) > 1 else "ch2"
    out = [{"value": f"1:{name}", "words": f"first channel, at the {name}"} for name in places]
    out += [{"value": f"2:{name}", "words": f"second channel, at the {name}"} for name in places[:2]]
    return [*out, {"value": f"1:{first},2:{second}", "words": f"both: {first} and {second}"}]


async def page(request: Request) -> Response:
    """The listening page with what has been struck so far."""

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, request.path_params["drum"])
        assert loaded.entry is not None
        bench = bench_of(desk(request), loaded)
        return {
            **views.frame(loaded.entry, loaded.drum, "listen"), **message(bench, desk(request).model(loaded, log)),
            "choices": views.turn_choices(), "channels": channel_choices(tuple(p.name for p in loaded.drum.places)),
            "next_state": loaded.states[-1].number + 1 if loaded.states else 1,
            "jobs": waiting(request, loaded.entry.id),
            "done": forms.text(request.query_params, "done", 300),
            "processing": "on" if request.query_params.get("processing") == "on" else "off",
        }

    return show(request, "listen.html", **await desk(request).read(ask))


async def listen(socket: WebSocket) -> None:
    """The socket: a hello, then packets; strikes go back as they are read."""

    def begin(ear: Ear, loaded: session.Loaded) -> Hearing:
        work: Desk = socket.app.state.desk
        bench, model = bench_of(work, loaded), work.now(lambda log: work.model(loaded, log))
        if bench.channels != ear.names:
            bench.strikes.clear()
        bench.channels = ear.names
        numbers: dict[int, int] = {}

        def hear(heard: Heard) -> dict[str, Any]:
            answer = _take_in(bench, heard, numbers, model)
            return {**answer, "window_end": heard.window_end, "gap": ear.gaps, "final": heard.final,
                    "strike": numbers[heard.onset]}

        return hear

    await follow(socket, begin)


def _take_in(bench: Bench, heard: Heard, numbers: dict[int, int], model: Prediction | None) -> dict[str, Any]:
    if heard.onset in numbers:
        bench.replace(numbers[heard.onset], heard.wav, heard.reading)
    else:
        numbers[heard.onset] = bench.add(heard.wav, heard.reading).number
    return message(bench, model)


async def change(request: Request) -> Response:
    """Leave a strike out or take it back in; throw the take away."""
    do, drum_id = request.path_params["do"], request.path_params["drum"]
    form = await request.form()
    work = desk(request)

    def ask(log: Any) -> Any:
        loaded = glance(log, drum_id)
        bench = bench_of(work, loaded)
        if do == "clear":
            work.benches.pop(drum_id, None)
            bench = bench_of(work, loaded)
        elif do == "drop":
            bench.toggle(forms.whole(form, "strike", 1, 10**6, 0))
        return message(bench, work.model(loaded, log)) if wants_json(request) else None

    return answered(request, await work.read(ask), f"/drums/{drum_id}/listen")


async def keep(request: Request) -> Response:
    """The take as a new state: read again with care, fitted, kept; the page of that state follows."""
    drum_id, form, work = request.path_params["drum"], await request.form(), desk(request)
    single = forms.text(form, "single")

    def ask(log: Any) -> tuple[Bench, tuple[Any, ...]]:
        loaded = glance(log, drum_id)
        turns = (*turns_of(*forms.eighths(form)), *(session.parse_turns(single, loaded.drum) if single else ()))
        return bench_of(work, loaded), turns

    bench, turns = await work.read(ask)
    kept = bench.kept()
    if not kept:
        raise InputError("there is no strike to keep: strike the drum, or take a strike back in.")
    folder = work.jobs.folder()
    paths = [folder / f"strike-{s.number}.wav" for s in kept]
    for path, s in zip(paths, kept, strict=True):
        path.write_bytes(s.wav)
    details = {"turns": turns, "channels": bench.channels or None, "place": forms.text(form, "place"),
               "remark": forms.text(form, "remark")}

    def where(number: int) -> str:
        work.benches.pop(drum_id, None)
        return f"/drums/{drum_id}/states/{number}"

    return await begun(request, "take", "one strike" if len(kept) == 1 else f"{len(kept)} strikes",
                       {"drum": str(drum_id), "paths": [str(p) for p in paths], "details": details}, where, folder)


ROUTES = [
    Route("/drums/{drum:int}/listen", page),
    WebSocketRoute("/ws/drums/{drum:int}/listen", listen),
    Route("/drums/{drum:int}/bench/keep", keep, methods=["POST"]),
    Route("/drums/{drum:int}/bench/{do}", change, methods=["POST"]),
    Route("/api/drums/{drum:int}/bench/{do}", change, methods=["POST"]),
]
