"""What scripts on the page ask for: the contract's JSON, the ladder's places, sound as WAV."""

from __future__ import annotations

import re
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from .. import session
from . import forms, picture
from .app import contract as contract
from .pages import _picture
from .work import desk, drum_of, turns_of

_SHA256 = re.compile(r"^[0-9a-f]{64}$")


async def forecast(request: Request) -> Response:
    """The object of ``bothheads predict DRUM --turns ... --json``."""
    asked = forms.eighths(request.query_params)

    def ask(log: Any) -> Any:
        return session.as_json(session.predict(drum_of(log, request.path_params["drum"]), turns=turns_of(*asked)))

    return contract(await desk(request).read(ask))


async def ladder(request: Request) -> Response:
    """Places and words of every rung for the turn that the address asks."""

    def ask(log: Any) -> Any:
        return picture.marks(_picture(request, log, request.path_params["drum"], request.path_params.get("state"))[1])

    return contract(await desk(request).read(ask))


async def take_sound(request: Request) -> Response:
    """A kept take as WAV."""
    sha256 = request.path_params["sha256"]
    if not _SHA256.match(sha256):
        raise HTTPException(404)
    data = await desk(request).read(lambda log: session.take_audio(log, sha256))
    return Response(data, media_type="audio/wav", headers={"cache-control": "private, max-age=86400, immutable"})


async def model_sound(request: Request) -> Response:
    """The model's sound of a drum after the turn that the address asks, at one place, as WAV."""
    asked = forms.eighths(request.query_params)

    def ask(log: Any) -> bytes:
        data, _, _ = session.render(drum_of(log, request.path_params["drum"]), turns=turns_of(*asked))
        return bytes(data)

    return Response(await desk(request).read(ask), media_type="audio/wav")


ROUTES = [
    Route("/api/drums/{drum:int}/forecast", forecast),
    Route("/api/drums/{drum:int}/ladder", ladder),
    Route("/api/drums/{drum:int}/states/{state:int}/ladder", ladder),
    Route("/takes/{sha256}.wav", take_sound),
    Route("/drums/{drum:int}/model.wav", model_sound),
]
