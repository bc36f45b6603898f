"""Jobs as the page sees them: how far, stop, go on, throw away; and how a form becomes one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from ..errors import InputError
from .app import answered
from .jobs import Job
from .work import desk

DOES = ("look", "stop", "enough", "again", "away")


async def begun(request: Request, kind: str, what: str, asked: dict[str, Any], where: Callable[[Any], str],
                folder: Any = None, name: str = "") -> Response:
    """A form's long work: a script is told the job's name at once, a plain form waits and goes on to what follows."""
    jobs = desk(request).jobs
    job = jobs.start(kind, request.path_params.get("drum", 0), what, asked, where, folder, name)
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse(job.message(), status_code=202)
    return RedirectResponse(await run_in_threadpool(jobs.finish, job), status_code=303)


def waiting(request: Request, drum_id: int) -> list[Job]:
    """What a view lists: the jobs of this drum that are not done."""
    return desk(request).jobs.of_drum(drum_id)


async def change(request: Request) -> Response:
    """Look at a job, stop it, take it up again, throw it away; a plain form comes back to where it was sent from."""
    jobs, do = desk(request).jobs, request.path_params["do"]
    if do not in DOES:
        raise InputError("a job can be looked at, stopped, taken up again or thrown away.")
    job = jobs.get(request.path_params["job"])
    if do != "look":
        await run_in_threadpool(getattr(jobs, do), job)
    return answered(request, job.message(), f"/drums/{job.drum_id}" if job.drum_id else "/")


ROUTES = [
    Route("/api/jobs/{job}/{do}", change, methods=["GET", "POST"]),
    Route("/jobs/{job}/{do}", change, methods=["POST"]),
]
