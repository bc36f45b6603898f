"""A round of taps, live: one near each rod in order; a doubled tap is left out, a skipped rod tapped after all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket

from .. import session
from ..errors import InputError
from ..papers.strip import where
from ..records import HeadName
from . import forms, views
from .app import answered, show
from .bench import wav_bytes, wav_samples
from .ear import Ear, Heard
from .listening import Hearing, follow
from .rods_page import head_of, read_round
from .work import Desk, desk, glance


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
        loaded = glance(log, request.path_params["drum"])
        assert loaded.entry is not None
        if head == "resonant" and loaded.drum.resonant is None:
            raise InputError("this drum has no resonant head: tap round the batter.")
        made = round_of(desk(request), loaded, head)
        return {**views.frame(loaded.entry, loaded.drum, "rods"), "head": head, "round": made.message(),
                "other": "resonant" if head == "batter" else "batter"}

    return show(request, "taps.html", **await desk(request).read(ask))


async def listen(socket: WebSocket) -> None:
    """The socket of a round: packets in, the next rod out."""
    try:
        head = head_of(socket.query_params.get("head", ""))
    except InputError:
        await socket.close(1003, "this is not a head")
        return

    def begin(ear: Ear, loaded: session.Loaded) -> Hearing:
        made = round_of(socket.app.state.desk, loaded, head)
        rods: dict[int, int] = {}

        def hear(heard: Heard) -> dict[str, Any]:
            if heard.onset not in rods:
                rods[heard.onset] = made.tap(ear.rate, heard.wav)
            elif rods[heard.onset] in made.wavs:
                made.wavs[rods[heard.onset]] = (ear.rate, heard.wav)
            return made.message()

        return hear

    await follow(socket, begin, most_channels=1)


async def change(request: Request) -> Response:
    """The last tap was a double; the next tap is for another rod; begin again."""
    do, drum_id, form = request.path_params["do"], request.path_params["drum"], await request.form()
    head, work = head_of(forms.text(form, "head", 20)), desk(request)

    def ask(log: Any) -> dict[str, Any]:
        loaded = glance(log, drum_id)
        made = round_of(work, loaded, head)
        if do == "double":
            made.undo()
        elif do == "rod":
            made.go_to(forms.whole(form, "rod", 1, made.rods, made.next_rod))
        elif do == "clear":
            work.rounds.pop((drum_id, head), None)
        return round_of(work, loaded, head).message()

    return answered(request, await work.read(ask), f"/drums/{drum_id}/taps?head={head}")


async def read(request: Request) -> Response:
    """The whole round read as one recording."""
    drum_id, form = request.path_params["drum"], await request.form()
    head, work = head_of(forms.text(form, "head", 20)), desk(request)
    sound = await work.read(lambda log: round_of(work, glance(log, drum_id), head).recording())
    path = work.jobs.folder() / "round.wav"
    path.write_bytes(sound)
    work.rounds.pop((drum_id, head), None)
    return await read_round(request, head, str(path), path.parent)


ROUTES = [
    Route("/drums/{drum:int}/taps", page),
    WebSocketRoute("/ws/drums/{drum:int}/taps", listen),
    Route("/drums/{drum:int}/taps/read", read, methods=["POST"]),
    Route("/drums/{drum:int}/taps/{do}", change, methods=["POST"]),
    Route("/api/drums/{drum:int}/taps/{do}", change, methods=["POST"]),
]
