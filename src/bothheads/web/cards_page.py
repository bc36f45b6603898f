"""Papers of a state: the list, each as a page to print or a PDF, and the quick card for a changeover."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import session
from ..papers import press
from ..units import detuned, note_frequency
from . import forms, views
from .app import show
from .guard import POLICY
from .work import desk

_STYLE = re.compile(r"<style[^>]*>(.*?)</style>", re.DOTALL)


async def cards(request: Request) -> Response:
    """The papers there are for a state."""
    drum_id = request.path_params["drum"]

    def ask(log: Any) -> dict[str, Any]:
        entry = log.find_drum(str(drum_id))
        last = log.last_state(drum_id)
        total = last.number if last else 0
        number = forms.whole(request.query_params, "state", 1, max(total, 1), max(total, 1))
        return {**views.frame(entry, entry.drum, "cards"), "number": number if total else None, "total": total,
                "kinds": press.kinds().items()}

    return show(request, "cards.html", **await desk(request).read(ask))


def style_policy(page: str) -> str:
    """The usual policy, letting in exactly the style that this paper carries."""
    hashes = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in _STYLE.findall(page)]
    allowed = " ".join(f"'sha256-{h}'" for h in hashes)
    return POLICY.replace("style-src 'self'", f"style-src 'self' {allowed}".rstrip()).replace(
        "media-src 'self' blob:", "media-src 'self' blob: data:")


async def paper(request: Request) -> Response:
    """One paper of one state as a self-contained page."""
    where = request.path_params
    before = where["state"] - 1 if where["kind"] == "comparison" else 0  # what a comparison is with, unless it is said
    other = forms.whole(request.query_params, "other", 0, 10**6, before) or None

    def ask(log: Any) -> str:
        kept = session.kept_state(log, str(where["drum"]), where["state"], other=other)
        return press.html(press.sheet_of(where["kind"], kept))

    page = await desk(request).read(ask)
    return Response(page, media_type="text/html", headers={"content-security-policy": style_policy(page)})


async def paper_pdf(request: Request) -> Response:
    """The same as PDF, when the optional library is there."""
    where = request.path_params

    def ask(log: Any) -> bytes:
        kept = session.kept_state(log, str(where["drum"]), where["state"])
        return press.pdf(press.sheet_of(where["kind"], kept))

    name = f"drum-{where['drum']}-state-{where['state']}-{where['kind']}.pdf"
    return Response(await desk(request).read(ask), media_type="application/pdf",
                    headers={"content-disposition": f'attachment; filename="{name}"'})


async def quick(request: Request) -> Response:
    """Five steps in large type for a drum and the minutes there are; the aim is the wish, else what was read last."""
    drum_id = request.path_params["drum"]
    minutes = forms.whole(request.query_params, "minutes", 5, 60, 15)
    wish = forms.text(request.query_params, "note", 20)

    def ask(log: Any) -> dict[str, Any]:
        entry = log.find_drum(str(drum_id))
        last = log.last_state(drum_id)
        note = ((last.reading or {}).get("note") or {}) if last else {}
        aim = note_frequency(wish) if wish else note.get("frequency_hz")
        band = f"{detuned(aim, -100):.0f} to {detuned(aim, 100):.0f} Hz" if aim else None
        tail = note.get("t60_s")
        return {"drum": {"id": drum_id, "name": entry.name, "heads": 2 if entry.drum.resonant else 1}, "minutes": minutes,
                "by": [round(minutes * share) for share in (2 / 15, 5 / 15, 9 / 15, 13 / 15, 1)], "band": band,
                "tail": f"{1.2 * tail:.1f} s" if tail else None, "note": wish}

    return show(request, "quick.html", **await desk(request).read(ask))


ROUTES = [
    Route("/drums/{drum:int}/cards", cards), Route("/drums/{drum:int}/quick", quick),
    Route("/drums/{drum:int}/states/{state:int}/papers/{kind}.pdf", paper_pdf),
    Route("/drums/{drum:int}/states/{state:int}/papers/{kind}", paper),
]
