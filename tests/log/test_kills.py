"""A fiftieth of bench/kills.py, and two processes that write at once."""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from bothheads.log.check import check
from bothheads.log.store import open_log
from bothheads.records import Drum

BENCH = Path(__file__).parents[2] / "bench" / "kills.py"


@pytest.fixture(scope="module")
def kills() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_kills", BENCH)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_kills"] = module
    spec.loader.exec_module(module)
    return module


def test_killed_at_random_moments(kills: ModuleType, quick_disk: str | None) -> None:
    report = kills.run(40, seed=7, folder=quick_disk)
    assert report["faults"] == []
    assert sum(row["killed"] for row in report["by_work"].values()) == 40
    assert sum(row["acknowledged"] for row in report["by_work"].values()) > 40


def test_the_kill_test_sees_an_early_word(kills: ModuleType, quick_disk: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """A child that says 'kept' before it has kept must be caught, else the test above proves nothing."""
    def too_early(folder: Path, rng: Any, say: Any) -> None:
        with open_log(folder / "log.sqlite") as log:
            while True:
                seed = rng.getrandbits(40)
                say({"act": "take", "number": log.last_state(1).number + 1, "seed": seed, "sha256": []})
                log.add_state(1, drum=kills.DRUM, reading=kills.reading(seed, 3000), fit=None, remark=f"seed {seed}")

    monkeypatch.setattr(kills, "WORK", {"takes": (too_early, 1.0, 0.06)})
    assert kills.run(12, seed=3, folder=quick_disk)["faults"]


def write(path: Path, name: str, count: int, drum: Drum) -> None:
    with open_log(path) as log:
        for i in range(count):
            log.add_state(1, drum=drum, reading=None, fit=None, remark=f"{name} {i}")
            log.set_note(1, f"{name}", i)
    os._exit(0)


def test_two_processes_write_at_once(tmp_path: Path, drum: Drum) -> None:
    path = tmp_path / "log.sqlite"
    with open_log(path) as log:
        log.add_drum(drum, "")
    context = multiprocessing.get_context("fork")
    both = [context.Process(target=write, args=(path, name, 40, drum)) for name in ("left", "right")]
    for process in both:
        process.start()
    for process in both:
        process.join()
    assert [p.exitcode for p in both] == [0, 0]
    with open_log(path) as log:
        states = log.states(1)
        assert [s.number for s in states] == list(range(1, 81))
        for name in ("left", "right"):
            assert [s.remark for s in states if s.remark.startswith(name)] == [f"{name} {i}" for i in range(40)]
            assert log.get_note(1, name) == 39
    assert check(path).clean


def open_new(path: Path, drum: Drum, name: str) -> None:
    from dataclasses import replace

    with open_log(path) as log:
        log.add_drum(replace(drum, name=name), "")
    os._exit(0)


def test_processes_that_make_the_same_log(tmp_path: Path, drum: Drum) -> None:
    context = multiprocessing.get_context("fork")
    many = [context.Process(target=open_new, args=(tmp_path / "log.sqlite", drum, f"drum {n}")) for n in range(6)]
    for process in many:
        process.start()
    for process in many:
        process.join()
    assert [p.exitcode for p in many] == [0] * 6
    with open_log(tmp_path / "log.sqlite") as log:
        assert sorted(d.name for d in log.drums()) == [f"drum {n}" for n in range(6)]
