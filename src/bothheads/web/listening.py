"""The socket of a page that listens: a hello, packets in, and an answer for every strike that is read."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import suppress
from functools import cache
from typing import Any

import numpy as np
from starlette.concurrency import run_in_threadpool
from starlette.websockets import WebSocket, WebSocketDisconnect

from .. import session
from ..errors import BothheadsError
from .ear import MOST_CHANNELS, Ear, Heard, hello_of
from .work import Desk, glance

Hearing = Callable[[Heard], dict[str, Any] | None]  # what goes back for a reading; None = nothing


@cache
def readers() -> Executor:
    """The threads in which strikes are read, shared by all pages: one for what must come soon, one for what need not."""
    return ThreadPoolExecutor(2, thread_name_prefix="ear")


async def follow(
    socket: WebSocket, begin: Callable[[Ear, session.Loaded], Hearing], *, most_channels: int = MOST_CHANNELS
) -> None:
    """Listen with the microphones of the hello, ``most_channels`` at most, until the page leaves.

    ``begin(ear, loaded)`` is called once the microphones are known and gives what is done with each reading; both run in
    a worker thread. What was struck but not yet read when the page leaves is read with what there is.
    """
    work: Desk = socket.app.state.desk
    await socket.accept()
    try:
        hello = await socket.receive_json()
        loaded = await work.read(lambda log: glance(log, socket.path_params["drum"]))
        rate, picked, names = hello_of(hello, tuple(p.name for p in loaded.drum.places))
    except (BothheadsError, ValueError, KeyError, TypeError):
        await socket.close(1003, "this is not a microphone's hello")
        return
    except WebSocketDisconnect:
        return
    loop, ready = asyncio.get_running_loop(), asyncio.Event()

    def notify() -> None:
        with suppress(RuntimeError):  # the loop has gone
            loop.call_soon_threadsafe(ready.set)

    ear = Ear(rate, picked[:most_channels], names[:most_channels], loaded.drum, executor=readers(), notify=notify)
    hear = await run_in_threadpool(begin, ear, loaded)
    await run_in_threadpool(warm_up, ear)
    waiting: list[Heard] = []
    speaker = asyncio.create_task(_answer(socket, ear, hear, waiting, ready))
    with suppress(WebSocketDisconnect, KeyError, RuntimeError):
        while not speaker.done():
            waiting += ear.feed(await socket.receive_bytes())
            if waiting:
                ready.set()
    speaker.cancel()
    with suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError):
        await speaker
    for heard in waiting + await run_in_threadpool(ear.finish):
        await run_in_threadpool(hear, heard)


async def _answer(socket: WebSocket, ear: Ear, hear: Hearing, waiting: list[Heard], ready: asyncio.Event) -> None:
    """Send what is said to every reading as soon as it is there."""
    while True:
        await ready.wait()
        ready.clear()
        waiting += ear.heard()
        while waiting:
            answer = await run_in_threadpool(hear, waiting.pop(0))
            if answer is not None:
                await socket.send_json(answer)


def warm_up(ear: Ear) -> None:
    """A first reading of nothing much, so that the first strike does not wait for the libraries to load."""
    t = np.arange(ear.rate) / ear.rate
    tone = np.where(t > 0.2, 0.1 * np.exp(-(t - 0.2) / 0.2) * np.sin(2 * np.pi * 80 * (t - 0.2)), 0.0)
    reader = session.live_reader(ear.rate, ear.names, drum=ear.drum)
    reader.feed(np.repeat(tone[:, None], len(ear.names), axis=1))
    reader.finish()
