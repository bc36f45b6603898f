"""A round of taps, live: one near each rod in order; a doubled tap is left out, a skipped rod tapped after all."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from .. import session
from ..errors import BothheadsError, InputError
from ..papers.strip import where
from ..records import HeadName
from . import forms, views
from .api import contract
from .app import show
from .bench import wav_bytes, wav_samples
from .ear import Ear, hello_of
from .rods_page import head_of
from .work import Desk, desk, drum_of


@dataclass
class Round:
    """Taps of one head in the making. ``next_rod``: which rod the next tap belongs to."""

    rods: int
    first_deg: float
    wavs: dict[int, tuple[int, bytes]] = field(default_factory=dict)  # rod -> (rate, WAV)
    next_rod: int = 1
    doubled: int = 0

    def tap(self, rate: int, wav: bytes) -> int:
        """A tap for the rod whose turn it is; the turn goes on to the next rod that has none."""
        rod = self.next_rod
        self.wavs[rod] = (rate, wav)
        missing = [r for r in (*range(rod + 1, self.rods + 1), *range(1, rod)) if r not in self.wavs]
        self.next_rod = missing[0] if missing else rod % self.rods + 1
        return rod

    def go_to(self, rod: int) -> None:
        """The next tap is for this rod."""
        self.next_rod = min(max(rod, 1), self.rods)

    def undo(self) -> None:
        """The last tap was a double: forget it and wait for that rod again."""
        last = next(reversed(self.wavs), None)
        if last is not None:
            del self.wavs[last]
            self.next_rod = last
            self.doubled += 1

    @property
    def whole(self) -> bool:
        """Whether every rod has its tap."""
        return len(self.wavs) == self.rods

    def recording(self) -> bytes:
        """All taps in the order of the rods as one WAV, a breath of silence between.

        Raises
        ------
        InputError
            When a rod has no tap.
        """
        missing = [r for r in range(1, self.rods + 1) if r not in self.wavs]
        if missing:
            raise InputError(f"rod {missing[0]} has no tap yet: tap near it, then read the round.")
        rate = next(iter(self.wavs.values()))[0]
        parts = [wav_samples(self.wavs[r][1]) for r in range(1, self.rods + 1)]
        return wav_bytes(np.concatenate(parts), rate)

    def message(self) -> dict[str, Any]:
        """What the page shows."""
        return {"next": self.next_rod, "where": where(self.next_rod, self.rods, self.first_deg), "whole": self.whole,
                "heard": sorted(self.wavs), "rods": self.rods}


def round_of(work: Desk, loaded: session.Loaded, head: HeadName) -> Round:
    """The round in the making of one head."""
    assert loaded.entry is not None
    key = (loaded.entry.id, head)
    found: Round | None = work.rounds.get(key)
    if found is None:
        film = loaded.drum.head(head)
        found = work.rounds[key] = Round(film.rods, film.first_rod_deg)
    return found


async def page(request: Request) -> Response:
    """The round: which rod next, which have been heard."""
    head = head_of(forms.text(request.query_params, "head", 20))

    def ask(log: Any) -> dict[str, Any]:
        loaded = drum_of(log, request.path_params["drum"])
        assert loaded.entry is not None
        if head == "resonant" and loaded.drum.resonant is None:
            raise InputError("this drum has no resonant head: tap round the batter.")
        made = round_of(desk(request), loaded, head)
        return {**views.frame(loaded.entry, loaded.drum, "rods"), "head": head, "round": made.message(),
                "other": "resonant" if head == "batter" else "batter"}

    return show(request, "taps.html", **await desk(request).read(ask))


async def listen(socket: WebSocket) -> None:
    """The socket of a round: packets in, the next rod out."""
    work: Desk = socket.app.state.desk
    await socket.accept()
    try:
        hello = await socket.receive_json()
        head = head_of(socket.query_params.get("head", ""))
        loaded = await work.read(lambda log: drum_of(log, socket.path_params["drum"]))
        rate, picked, names = hello_of(hello, tuple(p.name for p in loaded.drum.places))
    except (BothheadsError, ValueError, KeyError, TypeError):
        await socket.close(1003, "this is not a microphone's hello")
        return
    except WebSocketDisconnect:
        return
    ear = Ear(rate, picked[:1], names[:1], loaded.drum)
    made = round_of(work, loaded, head)
    rods: dict[int, int] = {}
    packets: asyncio.Queue[bytes | None] = asyncio.Queue()

    async def read() -> None:
        while (packet := await packets.get()) is not None:
            for heard in await run_in_threadpool(ear.feed, packet):
                if heard.onset not in rods:
                    rods[heard.onset] = made.tap(rate, heard.wav)
                elif rods[heard.onset] in made.wavs:
                    made.wavs[rods[heard.onset]] = (rate, heard.wav)
                await socket.send_json(made.message())

    reader = asyncio.create_task(read())
    with suppress(WebSocketDisconnect, KeyError, RuntimeError):
        while True:
            packets.put_nowait(await socket.receive_bytes())
    packets.put_nowait(None)
    with suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError):
        await reader


async def change(request: Request) -> Response:
    """The last tap was a double; the next tap is for another rod; begin again; read the round."""
    do, drum_id, form = request.path_params["do"], request.path_params["drum"], await request.form()
    head, work = head_of(forms.text(form, "head", 20)), desk(request)

    def ask(log: Any) -> dict[str, Any]:
        loaded = drum_of(log, drum_id)
        made = round_of(work, loaded, head)
        if do == "double":
            made.undo()
        elif do == "rod":
            made.go_to(forms.whole(form, "rod", 1, made.rods, made.next_rod))
        elif do == "clear":
            work.rounds.pop((drum_id, head), None)
        elif do == "read":
            with forms.on_disk([("round.wav", made.recording())]) as paths:
                taps = session.read_taps(paths[0], rods=made.rods, drum=loaded.drum, head=head)
                session.keep_taps(log, drum_id, head, session.as_json(taps))
                if not taps.refused:
                    session.plan(loaded, even=head, taps=paths[0], log=log)
            work.rounds.pop((drum_id, head), None)
        return round_of(work, loaded, head).message()

    answer = await work.read(ask)
    if request.url.path.startswith("/api/"):
        return contract(answer)
    view = "rods" if do == "read" else "taps"
    return RedirectResponse(f"/drums/{drum_id}/{view}?head={head}", status_code=303)


ROUTES = [
    Route("/drums/{drum:int}/taps", page),
    WebSocketRoute("/ws/drums/{drum:int}/taps", listen),
    Route("/drums/{drum:int}/taps/{do}", change, methods=["POST"]),
    Route("/api/drums/{drum:int}/taps/{do}", change, methods=["POST"]),
]
