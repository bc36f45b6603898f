"""All drums on one ladder, intervals named, and a plan for the whole."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import session
from ..errors import BothheadsError
from ..papers.kit import KitRung, interval_words, kit_svg
from ..papers.ladder_layout import note_words
from ..units import turns_in_words
from . import forms
from .app import show
from .work import desk

INTERVALS = {"": "whatever costs least turning", "minor-thirds": "minor thirds", "thirds": "thirds", "fourths": "fourths",
             "fifths": "fifths"}


def intervals(rungs: list[KitRung]) -> list[str]:
    """The intervals between neighbours in words, lowest first."""
    known = [(r.name, r.note_hz) for r in rungs if r.note_hz]
    return [f"{a} to {b}: {interval_words(low, high)}" for (a, low), (b, high) in pairwise(known)]


def plan_rows(answer: dict[str, Any]) -> list[dict[str, str]]:
    """What to do with each drum, in words."""
    rows = []
    for r in answer["rows"]:
        turns = r.get("turns_about")
        rows.append({
            "name": r["name"], "now": f"{r['now_hz']:.1f}", "to": f"{r['target_hz']:.1f} Hz, {note_words(r['target_hz'])}",
            "cents": f"{r['cents']:+.0f}".replace("-", "−"),
            "about": "" if turns is None else f"about {turns_in_words(round(16 * turns) / 2)} on every rod of both heads",
            "warnings": "; ".join(r.get("warnings") or ()), "note": f"{r['target_hz']:.2f}Hz",
        })
    return rows


async def kit(request: Request) -> Response:
    """The kit as it is, or with a plan when an interval was asked for."""
    chosen = {int(v) for v in request.query_params.getlist("drum") if v.isdigit()}
    asked = "interval" in request.query_params
    interval = forms.text(request.query_params, "interval", 20)

    def ask(log: Any) -> dict[str, Any]:
        entries = [e for e in log.drums() if not chosen or e.id in chosen]
        last = {e.id: log.state_summaries(e.id, 1, newest_first=True) for e in entries}
        notes = {k: {"frequency_hz": s[0].note_hz, "t60_s": s[0].t60_s} if s else {} for k, s in last.items()}
        entries.sort(key=lambda e: notes[e.id].get("frequency_hz") or 1e9)
        plan, why = None, ""
        known = [e for e in entries if notes[e.id].get("frequency_hz")]
        if asked:
            try:
                plan = session.plan_kit([str(e.id) for e in known], interval=interval or None, log=log)[0]
            except BothheadsError as error:
                why = str(error)
        goals = {r["name"]: r["target_hz"] for r in plan["rows"]} if plan else {}
        rungs = [KitRung(e.name, notes[e.id].get("frequency_hz"), notes[e.id].get("t60_s"), goals.get(e.name)) for e in entries]
        return {
            "drawings": {k: kit_svg(rungs, wide=k == "w") for k in "wn"} if rungs else None, "intervals": intervals(rungs),
            "all": [{"id": e.id, "name": e.name, "on": not chosen or e.id in chosen} for e in log.drums()],
            "plan": plan, "rows": plan_rows(plan) if plan else [], "why": why, "choices": INTERVALS, "interval": interval,
            "ids": {e.name: e.id for e in entries},
        }

    return show(request, "kit.html", **await desk(request).read(ask))


ROUTES = [Route("/kit", kit)]
