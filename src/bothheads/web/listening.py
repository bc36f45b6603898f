"""The socket of a page that listens: a hello, packets in, and an answer for every strike that is heard."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.websockets import WebSocket, WebSocketDisconnect

from .. import session
from ..errors import BothheadsError
from .ear import Ear, Heard, hello_of
from .work import Desk, drum_of

Hearing = Callable[[Heard], dict[str, Any] | None]  # what goes back for a strike; None = nothing


async def follow(socket: WebSocket, begin: Callable[[Ear, session.Loaded], Hearing]) -> None:
    """Listen with the first microphone of the hello until the page leaves.

    ``begin(ear, loaded)`` is called once the microphone is known and gives what is done with each strike; both run in
    a worker thread.
    """
    work: Desk = socket.app.state.desk
    await socket.accept()
    try:
        hello = await socket.receive_json()
        loaded = await work.read(lambda log: drum_of(log, socket.path_params["drum"]))
        rate, picked, names = hello_of(hello, tuple(p.name for p in loaded.drum.places))
    except (BothheadsError, ValueError, KeyError, TypeError):
        await socket.close(1003, "this is not a microphone's hello")
        return
    except WebSocketDisconnect:
        return
    ear = Ear(rate, picked[:1], names[:1], loaded.drum)
    hear = await run_in_threadpool(begin, ear, loaded)
    packets: asyncio.Queue[bytes | None] = asyncio.Queue()

    async def read() -> None:
        while (packet := await packets.get()) is not None:
            for heard in await run_in_threadpool(ear.feed, packet):
                answer = await run_in_threadpool(hear, heard)
                if answer is not None:
                    await socket.send_json(answer)

    reader = asyncio.create_task(read())
    with suppress(WebSocketDisconnect, KeyError, RuntimeError):
        while True:
            packets.put_nowait(await socket.receive_bytes())
    packets.put_nowait(None)
    with suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError):
        await reader
