"""A folder of recordings on the engine: the same lines whatever the engine, and a file that stops its process."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

import run_jobs
from bothheads import session
from bothheads.__main__ import main
from bothheads.runs.task import KILLED
from bothheads.session import sweeps
from takes import BASS, recording, tuned


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("many")
    first = recording(where / "a.wav", tuned(BASS, 900.0, 700.0))
    shutil.copy(first, where / "b.wav")
    (where / "c.wav").write_bytes(b"no sound")
    return where


def lines_of(folder: Path, out: Path, *options: str) -> dict[str, Any]:
    assert main(["read", str(folder), "--out", str(out), *options]) == 0
    return {Path(line["file"]).name: line for line in map(json.loads, out.read_text().splitlines())}


def test_every_engine_reads_the_same(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    here = lines_of(folder, tmp_path / "here.jsonl")
    pool = lines_of(folder, tmp_path / "pool.jsonl", "--jobs", "2")
    assert "3 files on a pool of 2 processes" in capsys.readouterr().err
    cluster = lines_of(folder, tmp_path / "cluster.jsonl", "--jobs", "1", "--engine", "cluster")
    assert "3 files on a Dask cluster of 1 process, as asked" in capsys.readouterr().err
    assert here == pool == cluster
    assert sorted(here) == ["a.wav", "b.wav", "c.wav"]
    assert "refused" in here["c.wav"] and here["a.wav"]["note"]["frequency_hz"] > 30


def test_a_file_that_stops_every_process_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweeps, "_one_line", run_jobs.kills_itself_at_c)
    found = {Path(line["file"]).name: line for line in session.read_folder(folder, jobs=2)}
    assert found["c.wav"]["refused"] == KILLED
    assert found["a.wav"]["schema"] == found["b.wav"]["schema"] == "read"
