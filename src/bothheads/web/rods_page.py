"""The rods of one head in a line: tapped, estimated, and what to do about it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import session
from ..errors import CannotAnswer, InputError
from ..papers.rods import rod_rows, rod_state
from ..papers.strip import strip_svg
from ..records import HeadName, Plan
from . import forms, views
from .app import show
from .jobs_page import begun, waiting
from .work import desk, glance, whole


def head_of(value: str) -> HeadName:
    """The head that a form or an address names, the batter when none.

    Raises
    ------
    InputError
        For any other word.
    """
    if value in ("", "batter"):
        return "batter"
    if value == "resonant":
        return "resonant"
    raise InputError(f"'{value[:20]}' is not a head: name batter or resonant.")


def _plan(loaded: session.Loaded, head: HeadName, log: Any) -> Plan | None:
    try:
        return session.plan(whole(loaded, log), even=head, log=log)
    except CannotAnswer as error:
        return Plan((), {}, (), str(error))
    except InputError:  # never tapped
        return None


def words_of(taps: dict[str, Any] | None, plan: Plan | None) -> dict[str, Any]:
    """What stands under the strip."""
    known = [t["rod_pitch_hz"] for t in (taps or {}).get("taps", ()) if t.get("rod_pitch_hz")]
    return {
        "evenness": None if not taps or taps.get("evenness_cents") is None else f"{taps['evenness_cents']:.0f} cents",
        "mean": f"{sum(known) / len(known):.1f} Hz" if known else None,
        "refused": (taps or {}).get("refused"), "no_plan": plan.refused if plan else None,
        "todo": sum(len(s.rods) for s in plan.steps) if plan else 0, "cautions": plan.cautions if plan else (),
        "warnings": (taps or {}).get("warnings") or [],
        "film": plan.expected.get("film_now_cents", plan.expected.get("film_cents")) if plan else None,
    }


async def rods(request: Request) -> Response:
    """The strip of one head."""
    head = head_of(forms.text(request.query_params, "head", 20))

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, request.path_params["drum"])
        assert loaded.entry is not None
        if head == "resonant" and loaded.drum.resonant is None:
            raise InputError("this drum has no resonant head: look at the batter's rods.")
        taps = log.get_note(loaded.entry.id, f"taps/{head}")
        plan = _plan(loaded, head, log) if taps and not taps.get("refused") else None
        rows = rod_rows(taps, rod_state(log.get_note(loaded.entry.id, f"rods/{head}")), plan)
        first = loaded.drum.head(head).first_rod_deg
        return {
            **views.frame(loaded.entry, loaded.drum, "rods"), "head": head, "count": loaded.drum.head(head).rods,
            "drawings": {k: strip_svg(rows, head=head, first_deg=first, wide=k == "w") for k in "wn"} if rows else None,
            "said": words_of(taps, plan), "other": "resonant" if head == "batter" else "batter",
            "rows": rows, "jobs": waiting(request, loaded.entry.id),
        }

    return show(request, "rods.html", **await desk(request).read(ask))


async def keep_round(request: Request) -> Response:
    """A round of taps from a recording, read and kept as the last round of this head."""
    form = await request.form(max_files=4)
    head, folder = head_of(forms.text(form, "head", 20)), desk(request).jobs.folder()
    paths = await forms.kept_files(form, folder)
    if not paths:
        raise InputError("no recording was chosen: record one tap near each rod in order and choose that file.")
    return await read_round(request, head, paths[0], folder)


async def read_round(request: Request, head: HeadName, path: str, folder: Path) -> Response:
    """The reading of a round as a job; the strip of that head follows."""
    drum_id = request.path_params["drum"]
    return await begun(request, "taps", f"{head} head, {Path(path).name}", {"drum": str(drum_id), "head": head, "paths": [path]},
                       lambda _: f"/drums/{drum_id}/rods?head={head}", folder)


ROUTES = [Route("/drums/{drum:int}/rods", rods), Route("/drums/{drum:int}/rods", keep_round, methods=["POST"])]
