"""Which drum for the job: wishes in words and sliders, the front as small drums to scale, two of them on one ladder."""

from __future__ import annotations

import secrets
from dataclasses import replace
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from .. import session
from ..errors import InputError
from ..papers.choice import design_svg, stage_for
from ..papers.ladder import ladder_svg
from ..papers.ladder_layout import NARROW, WIDE, axis_for, note_words
from ..papers.rungs import as_key_of, rungs_of_prediction
from ..papers.svg import within
from ..records import Drum, Prediction
from . import forms, picture
from .app import contract, show
from .choose_form import WISHES, filled, job_of
from .jobs_page import begun
from .work import Desk, desk


async def ask_page(request: Request) -> Response:
    """The wishes, nothing answered yet."""
    return show(request, "choose.html", wishes=filled(request.query_params), groups=WISHES, found=None, jobs=[], name="")


async def search(request: Request) -> Response:
    """The wishes as a job; what follows is its answer."""
    form = await request.form()
    job, name = job_of(form), secrets.token_urlsafe(9)
    pairs = [(k, v) for k, v in form.items() if isinstance(v, str) and v]

    def where(_: Any) -> str:
        return f"/choose/{name}?{urlencode(pairs)}#found"

    return await begun(request, "choose", "choosing a drum", {"job": job}, where, name=name)


def _answer(request: Request) -> dict[str, Any]:
    """The answer that the address names; gone after a restart of the program."""
    job = desk(request).jobs.jobs.get(request.path_params["job"])
    if job is None or job.kind != "choose" or not job.answered:
        raise HTTPException(404)
    found: dict[str, Any] = job.answer
    return found


def _option(answer: dict[str, Any], rank: int) -> dict[str, Any]:
    for option in answer["options"]:
        if option["rank"] == rank:
            return dict(option)
    raise InputError(f"there is no design {rank}: this choice has {len(answer['options'])}.")


def drum_of(option: dict[str, Any], part: int = 0) -> Drum:
    """The drum of a design as set for one part of the job."""
    settings = option["settings"]
    return session.drum_of_tables(settings[min(part, len(settings) - 1)]["drum_file"])


def card(option: dict[str, Any], svg: str) -> dict[str, Any]:
    """One design in words: what it is, what it does, what is missed, how steady it is, what is owned near it."""
    first = option["settings"][0]
    figures, packed, weight = first["figures"], option["packed_cm"], option["weight_kg"]
    near = option["nearest_owned"]
    tail = figures["tail"] or {}
    band = f" ({tail['low']:.1f} to {tail['high']:.1f})" if tail.get("low") and tail.get("high") else ""
    return {
        "rank": option["rank"], "name": option["name"], "label": option["label"], "svg": svg, "front": option["front"] == 1,
        "note": f"{option['note_hz']:.1f} Hz, {note_words(option['note_hz'])}", "tail": f"{option['t60_s']:.2f} s{band}",
        "heads": ", ".join(f"{k} {v:.0f} N/m" for k, v in figures["tension"].items() if v),
        "loud": ", ".join(f"{k} {figures[k]['value']:.0f} dB" for k in ("front", "seat") if figures.get(k)),
        "feel": f"contact {first['feel']['contact_ms']:.0f} ms, rebound {first['feel']['rebound']:.2f}" if first["feel"] else "",
        "weight": f"{weight['value']:.1f} ± {within(2 * weight['sd'])} kg" if weight else "",
        "packed": f"{packed['across']:.0f} x {packed['high']:.0f} x {packed['long']:.0f} cm" if packed else "",
        "muffling": first["muffling"] or "nothing laid on", "for": option["reasons"], "against": option["against"],
        "steady": (first["robust"] or {}).get("words") or [], "warnings": first["warnings"],
        "between": [w for b in option["between"] for w in b["words"]],
        "parts": [{"part": s["part"], "words": _setting_words(s)} for s in option["settings"][1:]],
        "near": {"drum": near["drum"], "id": near["drum_id"], "words": near["words"]} if near else None,
    }


def _setting_words(setting: dict[str, Any]) -> str:
    f = setting["figures"]
    tail = f", tail {f['tail']['value']:.2f} s" if f.get("tail") else ""
    laid = f"; {setting['muffling']}" if setting["muffling"] else ""
    return f"note {f['note']['value']:.1f} Hz{tail}{laid}"


def forecast_of(work: Desk, option: dict[str, Any]) -> Prediction:
    """The forecast of a design; a padded one may take seconds, so it is kept."""
    return work.forecast(session.Loaded(drum_of(option)))[1]


def two_on_one(work: Desk, a: dict[str, Any], b: dict[str, Any]) -> dict[str, Any]:
    """Two designs on one ladder: the first drawn, the second dashed behind it, with what differs in words."""
    one, other = (forecast_of(work, o) for o in (a, b))
    rungs, behind = rungs_of_prediction(one, most=9), rungs_of_prediction(other, most=9)
    ghosts = as_key_of(behind, other, one)
    axis = axis_for([*rungs, *behind], {})
    drawn = {s.kind: ladder_svg(rungs, one.own_modes, sheet=s, axis=axis, ghosts=ghosts, uid=f"two{s.kind}", focusable=False,
                                second="cents") for s in (WIDE, replace(NARROW, beside=40))}
    words = []
    if one.note.frequency_hz and other.note.frequency_hz:
        words.append(f"The note of design {a['rank']} is {one.note.frequency_hz:.1f} Hz, "
                     f"of design {b['rank']} {other.note.frequency_hz:.1f} Hz.")
    if one.note.t60_s and other.note.t60_s:
        words.append(f"Their tails are {one.note.t60_s:.2f} and {other.note.t60_s:.2f} s.")
    return {"drawings": drawn, "a": a["rank"], "b": b["rank"], "words": words}


async def result(request: Request) -> Response:
    """The front as small drums, each with its words and a play button; two of them on one ladder."""
    answer, name = _answer(request), request.path_params["job"]
    values = request.query_params
    options = answer["options"]
    count = len(options)
    a, b = (forms.whole(values, key, 1, max(count, 1), min(i, max(count, 1))) for i, key in ((1, "a"), (2, "b")))

    wanted = count > 1 and ("a" in values or "b" in values)

    def ask(log: Any) -> dict[str, Any]:
        upright = answer["job"]["use"] == "tom"
        drums = [drum_of(o) for o in options]
        stage = stage_for(drums, upright=upright) if drums else None
        cards = [card(o, design_svg(d, stage, upright=upright, uid=f"d{o['rank']}") if stage else "")
                 for o, d in zip(options, drums, strict=True)]
        two = two_on_one(desk(request), _option(answer, a), _option(answer, b)) if wanted and a != b else None
        return {"cards": cards, "two": two}

    view = await desk(request).read(ask)
    kept = urlencode([(k, v) for k, v in values.multi_items() if k not in ("a", "b")])
    return show(request, "choose.html", wishes=filled(values), groups=WISHES, found=answer, jobs=[], name=name, a=a, b=b, kept=kept,
                pairs=[(k, v) for k, v in values.multi_items() if k not in ("a", "b")], **view)


async def sound(request: Request) -> Response:
    """A design's sound, made by the model, as WAV."""
    option = _option(_answer(request), request.path_params["rank"])
    part = forms.whole(request.query_params, "part", 0, len(option["settings"]) - 1, 0)
    return Response(await desk(request).read(lambda log: session.sound_of(option, part)), media_type="audio/wav")


async def partials(request: Request) -> Response:
    """A design's partials at the seat, for the page to make its sound at once."""
    option = _option(_answer(request), request.path_params["rank"])

    def ask(log: Any) -> Any:
        return picture.sound(picture.picture(None, forecast_of(desk(request), option)))

    return contract(await desk(request).read(ask))


async def drum_file(request: Request) -> Response:
    """A design as a drum file, to keep or to change."""
    option = _option(_answer(request), request.path_params["rank"])
    return Response(session.drum_text(drum_of(option)), media_type="text/plain; charset=utf-8",
                    headers={"content-disposition": f'attachment; filename="design-{option["rank"]}.toml"'})


async def add(request: Request) -> Response:
    """A design into the log as a drum of its own, to read and plan it like any other."""
    option = _option(_answer(request), request.path_params["rank"])
    data = session.drum_text(drum_of(option)).encode()

    def ask(log: Any) -> int:
        with forms.on_disk([("drum.toml", data)]) as paths:
            return int(session.add_drum(paths[0], log=log).id)

    return RedirectResponse(f"/drums/{await desk(request).read(ask)}", status_code=303)


ROUTES = [
    Route("/choose", ask_page), Route("/choose", search, methods=["POST"]), Route("/choose/{job}", result),
    Route("/choose/{job}/{rank:int}.wav", sound), Route("/api/choose/{job}/{rank:int}/partials", partials),
    Route("/choose/{job}/{rank:int}.toml", drum_file),
    Route("/choose/{job}/{rank:int}/add", add, methods=["POST"]),
]
