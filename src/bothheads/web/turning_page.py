"""Plans in words, and turning mode: one rod at a time, large, for one hand. Where one is stands in the address."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket

from .. import session
from ..errors import InputError
from ..papers import turning
from ..papers.svg import within
from ..papers.turning import HandStep, Rail
from ..records import HEADS, Drum, HeadName, Plan, Reading, Turn
from ..units import turns_in_words
from . import forms, views
from .app import show
from .ear import Ear, Heard
from .listening import Hearing, follow
from .work import Desk, desk, glance, whole


@dataclass(frozen=True)
class Asked:
    """What the address wishes, as the planner takes it and as an address again."""

    note: str = ""
    wish: str = ""
    state: int | None = None
    only: HeadName | None = None
    even: HeadName | None = None
    minutes: float | None = None
    eighths: tuple[int, int] = (0, 0)

    @property
    def query(self) -> dict[str, str]:
        """The same wish as an address."""
        pairs = {"note": self.note, "wish": self.wish, "state": self.state or "", "only": self.only or "",
                 "even": self.even or "", "minutes": self.minutes or "", "batter": self.eighths[0] or "",
                 "resonant": self.eighths[1] or ""}
        return {k: str(v) for k, v in pairs.items() if v != ""}


def _head(values: QueryParams, key: str) -> HeadName | None:
    text = forms.text(values, key, 20)
    if text and text not in HEADS:
        raise InputError(f"'{text}' is not a head: name batter or resonant.")
    return "batter" if text == "batter" else "resonant" if text == "resonant" else None


def asked_of(values: QueryParams) -> Asked:
    """The wish in an address."""
    number = forms.whole(values, "state", 0, 10**6, 0)
    minutes = forms.whole(values, "minutes", 0, 600, 0)
    wishes = ",".join(w for part in values.getlist("wish") for w in part.split(",") if w.strip())
    return Asked(forms.text(values, "note", 20), wishes[:200], number or None, _head(values, "only"),
                 _head(values, "even"), minutes or None, forms.eighths(values))


def plan_of(asked: Asked, loaded: session.Loaded, log: Any) -> Plan | None:
    """The plan for a wish, or the turns asked outright; None when nothing is wished."""
    if any(asked.eighths):
        return turning.passes_of_turns(loaded.drum, dict(zip(HEADS, asked.eighths, strict=True)))
    if asked.even:
        return session.plan(whole(loaded, log), even=asked.even, log=log)
    if not (asked.note or asked.wish or asked.state):
        return None
    return session.plan(whole(loaded, log), note=asked.note or None, wish=asked.wish or None, state=asked.state, only=asked.only,
                        minutes=asked.minutes, log=log)


def pass_words(plan: Plan) -> list[dict[str, str]]:
    """Each pass of a plan in words, with what it should give."""
    out = []
    for step in plan.steps:
        if step.muffling:
            out.append({"head": "", "what": step.muffling, "then": _expected(step.expected)})
            continue
        amounts = {r.eighths for r in step.rods}
        if len(amounts) == 1:
            what = f"{turns_in_words(next(iter(amounts)))} on {'every rod' if len(step.rods) > 3 else 'these rods'}"
        else:
            what = ", ".join(f"rod {r.rod} {turns_in_words(r.eighths)}" for r in step.rods)
        order = " ".join(map(str, step.order))
        out.append({"head": step.head, "what": what, "order": order, "then": _expected(step.expected)})
    return out


def _expected(expected: dict[str, Any]) -> str:
    if not expected.get("note_hz"):
        return ""
    sd = expected.get("note_sd_hz")
    sure = f" ± {within(2 * sd)}" if sd else ""
    tail = f", tail {expected['tail_s']:.1f} s" if expected.get("tail_s") else ""
    return f"then the drum note should be {expected['note_hz']:.1f}{sure} Hz{tail}"


def plan_view(loaded: session.Loaded, asked: Asked, plan: Plan | None) -> dict[str, Any]:
    """A plan as the pages show it in words, with the way into turning mode when there is something to turn."""
    assert loaded.entry is not None
    turnable = bool(plan and any(s.rods for s in plan.steps))
    return {"plan": plan, "passes": pass_words(plan) if plan else [],
            "turn": f"/drums/{loaded.entry.id}/turn?{urlencode(asked.query)}" if turnable else None}


async def plan_page(request: Request) -> Response:
    """A wish as a form, and the plan that falls out in words."""
    asked = asked_of(request.query_params)

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, request.path_params["drum"], 20)
        assert loaded.entry is not None
        return {
            **views.frame(loaded.entry, loaded.drum, "plan"), "asked": asked, "wishes": turning.wish_choices(),
            "states": [s.number for s in loaded.states], **plan_view(loaded, asked, plan_of(asked, loaded, log)),
        }

    return show(request, "plan.html", **await desk(request).read(ask))


def rail_of(work: Desk, log: Any, loaded: session.Loaded, steps: list[HandStep], at: int) -> Rail | None:
    """Where the head's own pitch was before this pass, is reckoned to be, and should be after it."""
    step = steps[at]
    before: dict[tuple[HeadName, int], float] = {}
    for s in steps:
        if s.round >= step.round:
            break
        if s.rod is not None:
            before[s.head, s.rod] = before.get((s.head, s.rod), 0.0) + s.eighths
    rods = {h: loaded.drum.head(h).rods for h in HEADS if h == "batter" or loaded.drum.resonant is not None}
    mean = {h: sum(v for (g, _), v in before.items() if g == h) / rods[h] for h in rods}
    share = sum(s.eighths for s in steps if s.round == step.round and s.rod is not None) / rods[step.head]

    def pitch(extra: float) -> tuple[float | None, float]:
        turns = tuple(Turn(h, (mean[h] + (extra if h == step.head else 0.0)) / 8.0) for h in rods
                      if mean[h] or (h == step.head and extra))
        _, made = work.forecast(loaded, turns, log=log)
        own = next((f for f, label in made.own_modes.get(step.head, ()) if label == "(0,1)"),
                   made.head_pitch_hz.get(step.head))
        sds = [(abs((p.share_batter or 0.5) - (1.0 if step.head == "batter" else 0.0)), (p.frequency_sd_hz or 0.0)
                / p.frequency_hz) for p in made.partials if p.frequency_sd_hz]
        return own, min(sds)[1] if sds else 0.0

    was, was_sd = pitch(0.0)
    aim, aim_sd = pitch(share)
    if not was or not aim:
        return None
    part = step.place / max(len(step.order), 1)
    reckoned = was + (aim - was) * part
    return Rail(step.head, was, reckoned, reckoned * (was_sd + (aim_sd - was_sd) * part), aim, max(0.004 * aim, 0.1))


async def turn_page(request: Request) -> Response:
    """Turning mode; without a wish it says where to make one."""
    values = request.query_params
    asked = asked_of(values)

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, request.path_params["drum"])
        assert loaded.entry is not None
        plan = plan_of(asked, loaded, log)
        frame = views.frame(loaded.entry, loaded.drum, "turn")
        if plan is None or plan.refused or not any(s.rods for s in plan.steps):
            return {**frame, "why": plan.refused if plan else "", "step": None}
        steps = turning.hand_steps(plan.steps)
        at = forms.whole(values, "at", 0, len(steps) - 1, 0)
        step = steps[at]
        rail = rail_of(desk(request), log, loaded, steps, at)
        return {
            **frame, "step": step_view(step, loaded.drum, steps), "at": at, "query": asked.query, "rounds": steps[-1].round,
            "why": "", "drawings": {k: turning.rail_svg(rail, wide=k == "w") for k in "wn"} if rail else None,
            "done": turning.done_words(steps, at), "last": at == len(steps) - 1, "dim": values.get("dim") == "1",
            "cautions": plan.cautions,
            "again": f"/drums/{loaded.entry.id}/{'rods?head=' + step.head if step.then == 'tap' else 'listen'}",
        }

    view = await desk(request).read(ask)
    return show(request, "turn.html" if view["step"] else "noturn.html", **view)


def step_view(step: HandStep, drum: Drum, steps: list[HandStep]) -> dict[str, Any]:
    """One thing to do, in words and cells."""
    reading = step.rod is None
    tap = step.then == "tap"
    number = round(abs(step.eighths) * 2)
    return {
        "head": step.head, "round": step.round, "reading": reading,
        "big": ("Tap" if tap else "Strike") if reading else f"Rod {step.rod}",
        "where": ("once near each rod, the other head held" if tap else "the centre, both heads free") if reading
        else turning.rod_place(step, drum),
        "how": ("all round" if tap else "three times") if reading else turning.how_words(step),
        "cells": [min(max(number - 2 * i, 0), 2) for i in range(8)],
        "way": "clockwise, looking down the key" if step.eighths > 0 else "anticlockwise, looking down the key",
        "order": [[{"rod": rod, "mark": _mark(step, step.order.index(rod))} for rod in pair]
                  for pair in turning.pairs(step.order)],
    }


def _mark(step: HandStep, place: int) -> str:
    if place < step.place:
        return "done"
    if place == step.place:
        return "now"
    return "next" if place == step.place + 1 else ""


NEAR_NOTE = 0.15  # a tap on the head rings within this of the drum's note; a key that slips on a rod hardly does
UNDER_DB = 25.0


def is_tap(reading: Reading, note_hz: float | None) -> bool:
    """Whether what was heard is a tap on the head: it rings, and where the note is known it holds the whole head's tone."""
    if note_hz is None:
        return bool(reading.partials)
    return any(abs(p.frequency_hz / note_hz - 1.0) < NEAR_NOTE and max(v for v in (*p.level_db, -99.0) if v is not None) > -UNDER_DB
               for p in reading.partials)


async def listen_for_taps(socket: WebSocket) -> None:
    """The socket of turning mode: a tap on the head says that the rod is turned."""

    def begin(ear: Ear, loaded: session.Loaded) -> Hearing:
        note = ((loaded.states[-1].reading or {}).get("note") or {}).get("frequency_hz") if loaded.states else None
        said: set[int] = set()

        def hear(heard: Heard) -> dict[str, Any] | None:
            if heard.onset in said or not is_tap(heard.reading, note):
                return None
            said.add(heard.onset)
            return {"tap": len(said), "at_s": heard.onset / ear.rate}

        return hear

    await follow(socket, begin, most_channels=1)


ROUTES = [Route("/drums/{drum:int}/plan", plan_page), Route("/drums/{drum:int}/turn", turn_page),
          WebSocketRoute("/ws/drums/{drum:int}/turn", listen_for_taps)]
