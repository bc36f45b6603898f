"""The muffling bench: how little is enough, from states with nothing, a strip, a pad, more."""

from __future__ import annotations

from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ..errors import InputError
from ..papers.muffling import Damped, chart_svg, enough, weight_on, what_lies
from ..records import State
from . import forms, views
from .app import show
from .jobs_page import begun, waiting
from .work import desk, glance

SHOWN = 24
KINDS = {"nothing": "nothing", "pad": "a pad or folded cloth", "strip": "a strip straight across", "ring": "a ring at the edge"}
LOSS = {"pad": 60.0, "strip": 60.0, "ring": 12.0}  # N s/m3 over its area, common practice; the readings say better


def damped(states: tuple[State, ...]) -> list[Damped]:
    """States with a tail as marks of the chart."""
    out = []
    for s in states:
        note = (s.reading or {}).get("note") or {}
        if note.get("t60_s") is None:
            continue
        near = min((s.reading or {}).get("partials") or [], default=None,
                   key=lambda p: abs(p["frequency_hz"] - note["frequency_hz"]))
        sd = 6.9078 * near["decay_sd_s"] if near and near.get("decay_sd_s") else None
        out.append(Damped(s.number, weight_on(s.drum), what_lies(s.drum), note["t60_s"], sd, note.get("frequency_hz")))
    return out


def change_of(form: FormData) -> list[str]:
    """What lies on the heads now, as a change to the drum file.

    Raises
    ------
    InputError
        When the size or the weight is missing or impossible.
    """
    kind = forms.text(form, "kind", 20) or "nothing"
    if kind not in KINDS:
        raise InputError("say what lies on the head: nothing, a pad, a strip or a ring.")
    if kind == "nothing":
        return ["muffling=[]"]
    size, grams = (_number(form, key, low, high) for key, low, high in (("size_cm", 0.5, 60.0), ("grams", 0.5, 2000.0)))
    head = forms.text(form, "head", 20)
    heads = {"batter": '["batter"]', "resonant": '["resonant"]', "both": '["batter", "resonant"]'}.get(head)
    if heads is None:
        raise InputError("say on which head it lies: batter, resonant or both.")
    extent = f"radius_m = {size / 200:g}" if kind == "pad" else f"width_m = {size / 100:g}"
    return [f'muffling=[{{kind = "{kind}", heads = {heads}, {extent}, mass_kg = {grams / 1000:g}, resistance = {LOSS[kind]:g}}}]']


def _number(form: FormData, key: str, low: float, high: float) -> float:
    try:
        value = float(forms.text(form, key, 20).replace(",", "."))
    except ValueError:
        raise InputError(f"{key.replace('_', ' ')} is missing: give it from {low:g} to {high:g}.") from None
    if not low <= value <= high:
        raise InputError(f"{key.replace('_', ' ')} = {value:g} is outside {low:g} to {high:g}.")
    return value


async def bench(request: Request) -> Response:
    """The chart of what was tried."""
    wish_text = forms.text(request.query_params, "tail", 20)
    wish = _number(FormData({"tail": wish_text}), "tail", 0.05, 30.0) if wish_text else None

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, request.path_params["drum"], SHOWN)
        assert loaded.entry is not None
        points = damped(loaded.states)
        return {
            **views.frame(loaded.entry, loaded.drum, "muffling"), "wish": wish_text, "kinds": KINDS,
            "drawings": {k: chart_svg(points, wish_s=wish, wide=k == "w") for k in "wn"} if points else None,
            "jobs": waiting(request, request.path_params["drum"]),
            "said": enough(points, wish) if wish and points else None,
            "next_state": loaded.states[-1].number + 1 if loaded.states else 1,
            "rows": [{"number": p.number, "what": p.what, "grams": f"{p.grams:.0f}", "tail": f"{p.t60_s:.2f}",
                      "note": "" if p.note_hz is None else f"{p.note_hz:.1f}"} for p in points],
        }

    return show(request, "muffling.html", **await desk(request).read(ask))


async def take(request: Request) -> Response:
    """A recording with something else lying on the heads, kept as a new state."""
    drum_id, form = request.path_params["drum"], await request.form(max_files=24)
    change, folder = change_of(form), desk(request).jobs.folder()
    paths = await forms.kept_files(form, folder)
    if not paths:
        raise InputError("no recording was chosen: choose one with what lies on the head now.")
    details = {"sets": change, "remark": forms.text(form, "remark")}
    return await begun(request, "take", forms.names(paths), {"drum": str(drum_id), "paths": paths, "details": details},
                       lambda _: f"/drums/{drum_id}/muffling", folder)


ROUTES = [Route("/drums/{drum:int}/muffling", bench), Route("/drums/{drum:int}/muffling", take, methods=["POST"])]
