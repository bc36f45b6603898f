"""A log with one drum of three states, and the page in process or served for a real browser."""

from __future__ import annotations

import asyncio
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bothheads import drumfile, session, wire
from bothheads.log.store import TakeInput
from bothheads.records import Drum, Fit, HeadFit, Note, Partial, Reading, StrikeReading, Turn
from bothheads.sound.audio import encode_flac
from bothheads.web.app import create_app

HOST = "127.0.0.1:8642"
TOKEN = "test-token"
DRUM = """
name = "Dance-hall bass drum"
diameter_in = 20
depth_in = 14
[batter]
film_mil = 10
rods = 8
tension = 620
resistance = 2
[resonant]
film_mil = 10
rods = 8
tension = 470
resistance = 2
"""


def as_heard(drum: Drum) -> Reading:
    """What three centre strikes at the seat would read, from the model."""
    prediction = session.predict(drum)
    partials = []
    for p in prediction.partials:
        if p.m in (0, 1) and p.frequency_hz < 200:
            level = -10.0 - p.frequency_hz / 15 if p.m else max(p.level_db["seat"] - 112, -30)
            partials.append(Partial(p.frequency_hz, 0.08, p.decay_s, 0.05 * p.decay_s, (level,), (level - 10,), 3))
    strikes = tuple(StrikeReading(0.5 + 2 * i, (-6.0,), 20.0) for i in range(3))
    n = prediction.note
    return Reading(48000, ("seat",), strikes, tuple(partials),
                   Note(n.frequency_hz, 0.06, n.decay_s, n.t60_s, n.name))


def sound_of(frequency_hz: float, seconds: float = 1.5) -> np.ndarray[Any, Any]:
    """A decaying tone with half a second of silence before it."""
    t = np.arange(round(48000 * seconds)) / 48000 - 0.3
    return (0.3 * np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.4) * np.sin(2 * np.pi * frequency_hz * t), 0.0))[:, None]


def fill(path: Path) -> None:
    """The log of the tests."""
    drum = drumfile.parse(DRUM)[0]
    with session.open_log(path) as log:
        entry = log.add_drum(drum, DRUM)
        for i, (batter, turns) in enumerate(((560, ()), (590, (Turn("batter", 0.125),)), (620, (Turn("batter", 0.125),)))):
            stood = replace(drum.with_head("batter", tension=float(batter)))
            reading = as_heard(stood)
            fit = Fit(HeadFit(batter, 9.0, 98.0), HeadFit(470.0, 8.0, 90.0), 0.9, (), (), True, None)
            samples = sound_of(reading.note.frequency_hz or 40.0)
            take = TakeInput(flac=encode_flac(samples, 48000), channels=("seat",), sample_rate_hz=48000,
                             frames=len(samples), recorded_at=f"2026-11-1{i}T10:00:00+00:00", source_name=f"s{i + 1}.wav")
            log.add_state(entry.id, drum=stood, turns=turns, takes=[take], reading=wire.reading(reading),
                          fit=wire.fit(fit), place="dance hall", remark="<b>as it came</b>")


@pytest.fixture(scope="session")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("log") / "log.sqlite"
    fill(path)
    return path


def copied(log_path: Path, folder: Path) -> Path:
    """The same log with its recordings somewhere else."""
    shutil.copytree(log_path.parent, folder)
    return folder / log_path.name


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class Client:
    """Calls the application in process, the way a browser on the page would."""

    app: Any
    headers: dict[str, str] = field(default_factory=lambda: {"host": HOST, "cookie": f"bothheads={TOKEN}",
                                                              "origin": f"http://{HOST}"})

    def __call__(self, method: str, url: str, *, body: bytes = b"", **headers: str) -> Answer:
        return asyncio.run(self._call(method, url, body, {k.replace("_", "-"): v for k, v in headers.items()}))

    async def _call(self, method: str, url: str, body: bytes, extra: dict[str, str]) -> Answer:
        path, _, query = url.partition("?")
        headers = {**self.headers, "content-length": str(len(body)), **extra}
        scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "path": path,
                 "raw_path": path.encode(), "query_string": query.encode(), "root_path": "", "scheme": "http",
                 "headers": [(k.encode(), v.encode()) for k, v in headers.items() if v], "server": ("127.0.0.1", 8642),
                 "client": ("127.0.0.1", 5)}
        sent: list[dict[str, Any]] = []
        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            return given.pop(0) if given else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        await self.app(scope, receive, send)
        start = next(m for m in sent if m["type"] == "http.response.start")
        return Answer(start["status"], {k.decode(): v.decode() for k, v in start["headers"]},
                      b"".join(m.get("body", b"") for m in sent if m["type"] == "http.response.body"))


@pytest.fixture
def client(log_path: Path) -> Client:
    return Client(create_app(log_path, token=TOKEN))


@pytest.fixture
def fresh(log_path: Path, tmp_path: Path) -> Client:
    """A page over a log of its own, for tests that write."""
    return Client(create_app(copied(log_path, tmp_path / "own"), token=TOKEN))


def form(fields: dict[str, str], files: dict[str, tuple[str, bytes]] | None = None) -> tuple[bytes, str]:
    """A multipart body and its content type."""
    edge = "----edge"
    parts = [f'--{edge}\r\ncontent-disposition: form-data; name="{k}"\r\n\r\n{v}\r\n'.encode() for k, v in fields.items()]
    parts += [f'--{edge}\r\ncontent-disposition: form-data; name="{k}"; filename="{name}"\r\n'
              f"content-type: application/octet-stream\r\n\r\n".encode() + data + b"\r\n"
              for k, (name, data) in (files or {}).items()]
    return b"".join(parts) + f"--{edge}--\r\n".encode(), f"multipart/form-data; boundary={edge}"


@pytest.fixture
def multipart() -> Any:
    return form


@contextmanager
def serving(path: Path) -> Iterator[str]:
    """The page over a log on a real port; its address."""
    import uvicorn

    sock = socket.socket()
    sock.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(create_app(path), log_level="error", access_log=False,
                                           timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True)
    thread.start()
    until = time.monotonic() + 10
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{sock.getsockname()[1]}"
    server.should_exit = True
    thread.join(5)
    sock.close()


@pytest.fixture(scope="session")
def served(log_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The page on a real port for a real browser, over a log of its own."""
    with serving(copied(log_path, tmp_path_factory.mktemp("served") / "log")) as address:
        yield address
