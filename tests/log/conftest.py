"""A drum, recordings and logs for the tests of the log."""

from __future__ import annotations

import os
import random
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bothheads.log.store import Log, TakeInput, open_log
from bothheads.records import Air, Drum, Floor, Head, Microphone, Muffling, Opening, Strike, Turn


@pytest.fixture(scope="session")
def quick_disk() -> str | None:
    """A disk in memory where there is one: these tests sync thousands of files; bench/ does it on a real one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


@pytest.fixture
def tmp_path(quick_disk: str | None) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="log-", dir=quick_disk) as name:
        yield Path(name)


@pytest.fixture(scope="session")
def drum() -> Drum:
    return Drum(
        "Street bass", 0.6604, 0.3048, Head(0.353, 10, tension=620.0, resistance=4.5, stiffness_loss=2e-6, plies=2),
        Head(0.25, 10, first_rod_deg=18.0, tension=470.1, opening=Opening(0.127, 0.1, -0.05)),
        muffling=(Muffling("pad", ("batter", "resonant"), y=-0.19, radius=0.09, mass=0.06, resistance=80.0),
                  Muffling("ring", ("batter",), width=0.03)),
        strike=Strike(0.05, 0.01, 80.0, 0.007, 0.03), microphones=(Microphone("seat", 0.0, 0.45, -0.45),),
        air=Air(340.1, 1.21, temperature_c=16.0, humidity_percent=55.0), floor=Floor(0.02),
    )


@pytest.fixture(scope="session")
def make_take() -> Callable[..., TakeInput]:
    def make(seed: int, size: int = 300) -> TakeInput:
        return TakeInput(b"fLaC" + random.Random(seed).randbytes(size), ("seat", "front"), 48000, size,
                         "2026-03-14T20:30:00+00:00", f"take-{seed}.wav")
    return make


def reading(seed: int) -> dict[str, Any]:
    rng = random.Random(seed)
    return {"schema": "bothheads.reading/1", "partials": [{"frequency_hz": rng.uniform(30, 300)} for _ in range(3)],
            "note": {"frequency_hz": rng.uniform(40, 90), "sd_hz": 0.1, "t60_s": rng.uniform(0.5, 3), "name": "B1+7"}}


@pytest.fixture(scope="session")
def keep(make_take: Callable[..., TakeInput]) -> Callable[..., Any]:
    """Keep one state made from a seed."""
    def one(log: Log, drum_id: int, drum: Drum, seed: int, **more: Any) -> Any:
        rng = random.Random(seed)
        details = {
            "turns": (Turn("batter", rng.choice((-0.25, 0.5))), Turn("resonant", 0.125, 3)),
            "takes": [make_take(seed * 10 + i) for i in range(rng.randint(1, 2))], "reading": reading(seed),
            "fit": {"schema": "bothheads.fit/1", "odds": rng.random()}, "place": "harbour, \"old\" shed, 2nd",
            "remark": f"=seed {seed}, naïve ♪", "who": "two of us", "beater": "felt", "settings": {"room": "hall"},
            **more,
        }
        return log.add_state(drum_id, drum=drum, **details)
    return one


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path / "log.sqlite") as opened:
        yield opened
