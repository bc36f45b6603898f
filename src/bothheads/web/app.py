"""The page as an application: routes, the guard round them, errors as one sentence."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from .. import session
from ..errors import BothheadsError, CannotAnswer
from .guard import Guard
from .work import Desk

Handler = Callable[[Request], Awaitable[Response]]


def templates() -> Environment:
    """The page's templates; every value is escaped, a missing one is an error."""
    found = Environment(loader=PackageLoader("bothheads.web"), autoescape=select_autoescape(default=True),
                        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    found.globals["decode"] = not session.decodes_phones()  # then the browser does
    return found


def show(request: Request, template: str, *, status: int = 200, **view: Any) -> HTMLResponse:
    """A page from a view."""
    page = request.app.state.templates.get_template(template)
    return HTMLResponse(page.render(path=request.url.path, **view), status_code=status)


def contract(answer: Any) -> Response:
    """JSON exactly as the command line prints it."""
    return Response(json.dumps(answer, allow_nan=False), media_type="application/json")


def create_app(log_path: str | Path | None = None, *, token: str | None = None) -> Starlette:
    """The application over one log (None: the default one); ``token`` fixes the run's cookie for tests."""
    from . import (
        api,
        blind_page,
        cards_page,
        choose_page,
        ear_page,
        history_page,
        jobs_page,
        kit_page,
        live_page,
        microphones_page,
        muffling_page,
        pages,
        rods_page,
        taps_page,
        turning_page,
        walk_page,
    )

    static = StaticFiles(directory=str(files("bothheads.web") / "static"))
    views = (pages, live_page, history_page, turning_page, blind_page, rods_page, taps_page, microphones_page, cards_page, kit_page,
             muffling_page, ear_page, jobs_page, walk_page, choose_page, api)
    app = Starlette(
        routes=[*(route for view in views for route in view.ROUTES), Route("/favicon.ico", _no_icon),
                Mount("/static", static, name="static")],
        middleware=[Middleware(Guard, token=token)],
        exception_handlers={BothheadsError: _said, HTTPException: _missing, Exception: _broken},
    )
    app.state.desk = Desk(log_path)
    app.state.templates = templates()
    return app


async def _no_icon(request: Request) -> Response:
    return Response(status_code=204)


def wants_json(request: Request) -> bool:
    """Whether a script asks."""
    return request.url.path.startswith("/api/")


def answered(request: Request, answer: Any, page: str) -> Response:
    """What a script asked for, or for a plain form the way back to its page."""
    return contract(answer) if wants_json(request) else RedirectResponse(page, status_code=303)


async def _said(request: Request, error: Exception) -> Response:
    """An error of ours as one sentence, in the form that was asked for."""
    status = 422 if isinstance(error, CannotAnswer) else 400
    if wants_json(request):
        answer = error.answer if isinstance(error, CannotAnswer) and error.answer else {}
        return JSONResponse({**answer, "error": str(error)}, status_code=status)
    return show(request, "error.html", status=status, title="Not done", sentence=sentence_of(error))


def sentence_of(error: Exception) -> str:
    """What an error says, as a sentence on a page."""
    words = str(error)
    return words[:1].upper() + words[1:] if words.split(" ")[0].isalpha() else words  # keys and names stay as written


async def _missing(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    sentence = "There is no such page: go back to the list of drums." if status == 404 else (
        "This page does not take that: go back and use its form.")
    if wants_json(request):
        return JSONResponse({"error": sentence}, status_code=status)
    return show(request, "error.html", status=status, title="Not here", sentence=sentence)


async def _broken(request: Request, error: Exception) -> Response:
    """A fault of the program's own: said as such, the trace goes to the terminal."""
    sentence = "The program made a mistake here; nothing was changed. Go back, and tell its makers what you asked for."
    if wants_json(request):
        return JSONResponse({"error": sentence}, status_code=500)
    return show(request, "error.html", status=500, title="A fault", sentence=sentence)
