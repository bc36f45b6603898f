"""The history: a line of states, one laid over another, what changed and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import sqrt
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import session
from ..errors import BothheadsError
from ..papers.history import Entry, history_svg
from ..papers.ladder import ladder_svg
from ..papers.ladder_layout import NARROW, axis_for
from ..papers.rungs import Rung, as_key_of, reading_of, rungs_of_reading
from ..records import Note, State
from ..units import cents
from . import forms, views
from .app import show
from .work import Desk, as_in, desk, glance

SHOWN = 12
LAID = replace(NARROW, kind="l", size=14, width=360, height=560, left=58, right=300, hz_x=330, beside=44)


def entries(states: Sequence[State]) -> list[Entry]:
    """States as bars of the line."""
    out = []
    for s in states:
        note = (s.reading or {}).get("note") or {}
        out.append(Entry(s.number, note.get("frequency_hz"), note.get("sd_hz"), note.get("t60_s"),
                         any(t.turns for t in s.turns)))
    return out


def rows(states: Sequence[State], over: Sequence[int], base: str) -> list[dict[str, Any]]:
    """The list under the line, oldest first, with the link that lays each over another."""
    out = []
    for s, row in zip(states, reversed(views.state_rows(states)), strict=True):
        laid = s.number in over
        kept = [n for n in over if n != s.number]
        chosen = kept if laid else [*kept[-1:], s.number]
        out.append({**row, "laid": laid, "lay": base + "&over=" + ",".join(map(str, chosen))})
    return out


def change_words(new: Note, old: Note, rungs: Sequence[Rung], ghosts: Sequence[Rung]) -> list[str]:
    """What changed from the older to the newer state, sentence by sentence."""
    out = []
    if new.frequency_hz and old.frequency_hz:
        c = round(cents(new.frequency_hz, old.frequency_hz))
        sd = sqrt(sum(((n.sd_hz or 0.0) / (n.frequency_hz or 1.0)) ** 2 for n in (new, old))) * 1731.2
        within = f"± {max(2 * sd, 1):.0f} cents"
        out.append(f"Drum note {abs(c)} {within} {'higher' if c > 0 else 'lower'}." if abs(c) > 2 * sd
                   else f"Drum note the same, within {within[2:]}.")
    if new.t60_s and old.t60_s:
        d = new.t60_s - old.t60_s
        out.append(f"Tail {abs(d):.1f} s {'longer' if d > 0 else 'shorter'}." if abs(d) >= 0.1 * old.t60_s
                   else "Tail the same, within a tenth.")
    was = {g.key: g for g in ghosts}
    for side, words in (("b", "solid rungs, the batter head's,"), ("r", "broken rungs, the resonant head's,")):
        moves = [cents(r.frequency_hz, was[r.key].frequency_hz) for r in rungs if r.side == side and r.key in was]
        if moves:
            mean = sum(moves) / len(moves)
            out.append(f"The {words} {'rose' if mean > 0 else 'fell'} by {abs(mean):.0f} cents." if abs(mean) >= 5
                       else f"The {words} stayed.")
    return out


def laid_over(over_desk: Desk, log: Any, loaded: session.Loaded, newer: int, older: int) -> dict[str, Any]:
    """The newer state's ladder with the older one dashed behind it, in words too."""
    sides = []
    for number in (newer, older):
        at = as_in(loaded, number, log)
        reading = reading_of(at.states[-1])
        model = over_desk.model(at, log)
        rungs = rungs_of_reading(reading, prediction=model, most=9) if reading else []
        sides.append((reading, model, rungs))
    (new_reading, new_model, new), (old_reading, old_model, old) = sides
    ghosts = as_key_of(old, old_model, new_model)
    svg = ladder_svg(new, {}, sheet=LAID, axis=axis_for([*new, *old], {}), ghosts=ghosts, second="cents", uid="laid",
                     place=new_reading.channels[0] if new_reading else "seat", focusable=False)
    now = new_reading.note if new_reading else Note()
    then = old_reading.note if old_reading else Note()
    try:
        causes = session.cause_of_change(str(loaded.entry.id if loaded.entry else 0), older, newer, log=log)
    except BothheadsError:
        causes = ()
    return {"newer": newer, "older": older, "svg": svg, "words": change_words(now, then, new, ghosts),
            "causes": [
                {"words": c.words, "odds": f"{10 * c.odds:.0f} in 10"}
                for i, c in enumerate(causes[:3]) if i == 0 or c.odds >= 0.05]}


async def history(request: Request) -> Response:
    """The line of states of a drum."""
    drum_id = request.path_params["drum"]
    over = sorted({int(n) for n in forms.text(request.query_params, "over").split(",") if n.isdigit()})[-2:]

    def ask(log: Any) -> dict[str, Any]:
        entry = log.find_drum(str(drum_id))
        last = log.last_state(drum_id)
        total = last.number if last else 0
        until = forms.whole(request.query_params, "until", 1, max(total, 1), max(total, 1))
        first = max(1, until - SHOWN + 1)
        states = [s for n in range(first, until + 1) if (s := log.state(drum_id, n)) is not None] if total else []
        base = f"/drums/{drum_id}/history?until={until}"
        view = {
            **views.frame(entry, entry.drum, "history"), "total": total, "line": history_svg(entries(states)),
            "rows": rows(states, over, base), "over": over, "laid": None,
            "earlier": f"/drums/{drum_id}/history?until={first - 1}" if first > 1 else None,
            "later": f"/drums/{drum_id}/history?until={min(until + SHOWN, total)}" if until < total else None,
        }
        if len(over) == 2:
            view["laid"] = laid_over(desk(request), log, glance(log, drum_id), over[1], over[0])
        return view

    return show(request, "history.html", **await desk(request).read(ask))


ROUTES = [Route("/drums/{drum:int}/history", history)]
