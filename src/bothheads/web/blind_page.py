"""Pages of the blind pair: choose two states and a length, answer, read the result."""

from __future__ import annotations

import secrets
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from .. import session
from ..errors import InputError
from ..records import State
from . import forms, views
from .app import show
from .blind import LENGTHS, QUESTIONS, BlindTest, differs, listed, verdict
from .work import Desk, desk


def pair_key(a: int, b: int) -> str:
    """Where the log keeps the tests of a pair of states."""
    return f"blind/{min(a, b)}-{max(a, b)}"


def matched(work: Desk, log: Any, a: State, b: State) -> tuple[bytes, bytes, list[str]]:
    """Both takes level-matched and aligned as WAV, and what differs in words; made once a pair.

    Raises
    ------
    InputError
        When a state has no take, or no strike was read in it.
    """
    key = ("pair", *(s.takes[0].sha256 if s.takes else s.number for s in (a, b)))
    if key in work.sounds:
        held: tuple[bytes, bytes, list[str]] = work.sounds[key]
        return held
    comparison, one, other = session.compare_states(log, a, b)
    made = (one, other, differs(comparison, a.number, b.number))
    work.sounds[key] = made
    while len(work.sounds) > 12:
        work.sounds.pop(next(iter(work.sounds)))
    return made


def truth(question: str, a: State, b: State) -> bool:
    """Whether b is the right answer: the lower note, the longer tail, or simply the newer state.

    Raises
    ------
    InputError
        When the two were not read well enough to know.
    """
    if question == "which":
        return b.number > a.number
    field = "frequency_hz" if question == "lower" else "t60_s"
    one, two = (((s.reading or {}).get("note") or {}).get(field) for s in (a, b))
    if one is None or two is None or one == two:
        raise InputError("these two do not differ in what is asked as far as they were read: ask which one is newer.")
    return bool(two < one) if question == "lower" else bool(two > one)


async def choose(request: Request) -> Response:
    """Choose a pair, a question and a number of trials."""
    drum_id = request.path_params["drum"]

    def ask(log: Any) -> dict[str, Any]:
        entry = log.find_drum(str(drum_id))
        last = log.last_state(drum_id)
        states = log.states(drum_id, limit=40, offset=max(0, (last.number if last else 0) - 40))
        playable = [s for s in states if s.takes]
        a = forms.whole(request.query_params, "a", 0, 10**6, playable[-2].number if len(playable) > 1 else 0)
        b = forms.whole(request.query_params, "b", 0, 10**6, playable[-1].number if playable else 0)
        return {
            **views.frame(entry, entry.drum, "blind"), "lengths": LENGTHS, "questions": QUESTIONS, "a": a, "b": b,
            "states": [{"number": s.number, "words": f"state {s.number}, {views.note_line((s.reading or {}).get('note'))}"}
                       for s in reversed(playable)],
            "tests": listed(log.get_note(drum_id, pair_key(a, b)) or []),
        }

    return show(request, "blind.html", **await desk(request).read(ask))


async def begin(request: Request) -> Response:
    """A new test with its own number of trials."""
    drum_id, form = request.path_params["drum"], await request.form()
    a, b = (forms.whole(form, key, 1, 10**6, 0) for key in "ab")
    trials = forms.whole(form, "trials", min(LENGTHS), max(LENGTHS), 12)
    question = forms.text(form, "question", 20)
    if question not in QUESTIONS:
        raise InputError("choose what is asked: which is lower, rings longer, or is newer.")
    if a == b:
        raise InputError("both are the same state: choose two.")

    def ask(log: Any) -> BlindTest:
        first, second = (log.state(drum_id, n) for n in (a, b))
        _, _, words = matched(desk(request), log, first, second)
        return BlindTest(drum_id, a, b, question, truth(question, first, second), trials, differences=words)

    test = await desk(request).read(ask)
    name = secrets.token_urlsafe(9)
    desk(request).hold(name, test)
    return RedirectResponse(f"/drums/{drum_id}/blind/{name}", status_code=303)


def _test(request: Request) -> BlindTest:
    test: BlindTest | None = desk(request).tests.get(request.path_params["test"])
    if test is None or test.drum_id != request.path_params["drum"]:
        raise HTTPException(404)
    return test


def _keep(log: Any, test: BlindTest) -> list[dict[str, Any]]:
    """Every test of a pair is listed, the ones that failed too."""
    key = pair_key(test.a, test.b)
    records = list(log.get_note(test.drum_id, key) or [])
    if not test.kept and test.answers:
        records.append(test.record())
        log.set_note(test.drum_id, key, records)
        test.kept = True
    return records


async def trial(request: Request) -> Response:
    """The trial at hand, or the result after the last one."""
    test = _test(request)

    def ask(log: Any) -> dict[str, Any]:
        entry = log.find_drum(str(test.drum_id))
        view = {**views.frame(entry, entry.drum, "blind"), "test": test, "question": QUESTIONS[test.question],
                "name": request.path_params["test"], "at": len(test.answers)}
        if test.done:
            view |= {"verdict": verdict(test.right, test.trials), "tests": listed(_keep(log, test))}
        return view

    return show(request, "trial.html", **await desk(request).read(ask))


async def answer(request: Request) -> Response:
    """One answer, or the wish to stop."""
    test, form = _test(request), await request.form()
    do = forms.text(form, "do", 10)
    here = f"/drums/{test.drum_id}/blind"
    if do == "stop":
        await desk(request).read(lambda log: _keep(log, test))
        desk(request).tests.pop(request.path_params["test"], None)
        return RedirectResponse(f"{here}?a={test.a}&b={test.b}", status_code=303)
    if forms.whole(form, "trial", 0, test.trials, -1) == len(test.answers) and do in ("first", "second"):
        test.answer(do == "first")
    return RedirectResponse(f"{here}/{request.path_params['test']}", status_code=303)


async def trial_sound(request: Request) -> Response:
    """The first or the second sound of the trial at hand; the address does not tell which state it is."""
    test = _test(request)
    place = 1 if request.path_params["place"] == "first" else 2

    def ask(log: Any) -> bytes:
        pair = matched(desk(request), log, *(log.state(test.drum_id, n) for n in (test.a, test.b)))
        return pair[0] if test.sound(place) == "a" else pair[1]

    return Response(await desk(request).read(ask), media_type="audio/wav", headers={"cache-control": "no-store"})


ROUTES = [
    Route("/drums/{drum:int}/blind", choose),
    Route("/drums/{drum:int}/blind", begin, methods=["POST"]),
    Route("/drums/{drum:int}/blind/{test}", trial),
    Route("/drums/{drum:int}/blind/{test}", answer, methods=["POST"]),
    Route("/drums/{drum:int}/blind/{test}/{trial:int}-{place}.wav", trial_sound),
]
