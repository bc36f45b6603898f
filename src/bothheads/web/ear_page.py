"""Ear lessons: two of one's own takes, one question, the answer told at once; a record per learner in the log."""

from __future__ import annotations

import random
import re
import secrets
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ..errors import InputError
from . import forms, lessons, views
from .app import show
from .blind_page import matched
from .work import desk

_NAME = re.compile(r"^[\w .'-]{1,40}$")
RECENT = 40


def learner(values: Any) -> str:
    """The learner's name, 'me' when none is given.

    Raises
    ------
    InputError
        When it has characters that a name has not.
    """
    name = forms.text(values, "who", 60) or "me"
    if not _NAME.match(name):
        raise InputError("a learner's name is up to 40 letters, digits or spaces: choose another.")
    return name


async def lesson(request: Request) -> Response:
    """A question, or what can be learned here."""
    drum_id, who = request.path_params["drum"], learner(request.query_params)
    kind = forms.text(request.query_params, "lesson", 20)
    said = desk(request).tests.get(f"said/{request.query_params.get('said', '')}")

    def ask(log: Any) -> dict[str, Any]:
        entry = log.find_drum(str(drum_id))
        last = log.last_state(drum_id)
        states = log.states(drum_id, limit=RECENT, offset=max(0, (last.number if last else 0) - RECENT))
        record = log.get_note(None, f"ear/{who}") or {}
        counts = {k: len(lessons.questions(states, k)) for k in lessons.LESSONS}
        question, name = None, ""
        if kind in lessons.LESSONS:
            level = (record.get(kind) or {}).get("level", lessons.EASIEST)
            question = lessons.ask(states, kind, level, random.Random(secrets.randbits(64)))
            if question is not None:
                name = secrets.token_urlsafe(9)
                desk(request).hold(f"ear/{name}", (drum_id, question))
        return {**views.frame(entry, entry.drum, "ear"), "who": who, "lessons": lessons.LESSONS, "counts": counts,
                "kind": kind, "question": question, "name": name, "said": said, "record": lessons.record_words(record)}

    return show(request, "ear.html", **await desk(request).read(ask))


def _question(request: Request, name: str) -> lessons.Question:
    drum_id, question = desk(request).tests.get(f"ear/{name}", (None, None))
    if question is None or drum_id != request.path_params["drum"]:
        raise InputError("this question is from an earlier start of the program: ask for a new one.")
    found: lessons.Question = question
    return found


async def answer(request: Request) -> Response:
    """One answer: told at once, the learner's record moved on."""
    form = await request.form()
    who, name = learner(form), forms.text(form, "question", 20)
    question = _question(request, name)
    right = forms.text(form, "answer", 20) == question.right

    def keep(log: Any) -> None:
        record = log.get_note(None, f"ear/{who}") or {}
        log.set_note(None, f"ear/{who}", lessons.level_after(record, question.lesson, right, question.size))

    await desk(request).read(keep)
    work = desk(request)
    work.tests.pop(f"ear/{name}", None)
    work.hold(f"said/{name}", {"right": right, "told": question.told})
    return RedirectResponse(f"/drums/{request.path_params['drum']}/ear?lesson={question.lesson}&said={name}&who={who}",
                            status_code=303)


async def sound(request: Request) -> Response:
    """The first or second sound of a question; the address does not say which state it is."""
    question = _question(request, request.path_params["question"])
    first = request.path_params["place"] == "first"

    def ask(log: Any) -> bytes:
        drum_id = request.path_params["drum"]
        a, b = (log.state(drum_id, n) for n in sorted((question.first, question.second)))
        pair = matched(desk(request), log, a, b)
        return pair[0] if (question.first if first else question.second) == a.number else pair[1]

    return Response(await desk(request).read(ask), media_type="audio/wav", headers={"cache-control": "no-store"})


ROUTES = [
    Route("/drums/{drum:int}/ear", lesson), Route("/drums/{drum:int}/ear", answer, methods=["POST"]),
    Route("/drums/{drum:int}/ear/{question}/{place}.wav", sound),
]
