"""A sweep as a command: the same rows on every engine, after kills and when taken up again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bothheads.__main__ import main
from bothheads.runs import store as stores
from bothheads.runs.design import Design
from bothheads.runs.engine import Engine
from bothheads.runs.store import Lock
from bothheads.runs.sweep import run_sweep
from sweeps_small import TINY, parsed

Run = tuple[int, str, str]


def run(capsys: pytest.CaptureFixture[str], *argv: object) -> Run:
    code = main([str(a) for a in argv])
    out, err = capsys.readouterr()
    return code, out, err


def test_every_engine_gives_the_same_file(sweep_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec, files = sweep_folder / "small.toml", []
    for name, options in (("here", ["--jobs", 1]), ("pool", ["--jobs", 2]), ("cluster", ["--jobs", 1, "--engine", "cluster"])):
        code, out, err = run(capsys, "sweep", spec, "--out", sweep_folder / name, *options, "--json")
        answer = json.loads(out)
        assert code == 0
        assert (answer["points"], answer["failed"], answer["engine"]) == (12, 0, name)
        assert "12 points on " in err
        files.append(Path(answer["results"]).read_bytes())
        assert sorted(p.name for p in (sweep_folder / name).iterdir()) == [".lock", "results.parquet", "sweep.json"]
    assert files[0] == files[1] == files[2]


def test_a_killed_run_is_taken_up_again_and_ends_in_the_same_rows(
        sweep_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec, out = sweep_folder / "small.toml", sweep_folder / "killed"
    command = [sys.executable, "-m", "bothheads", "sweep", spec, "--out", out, "--jobs", "2", "--engine", "pool"]
    started = subprocess.Popen([str(c) for c in command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    parts, deadline = out / "parts", time.monotonic() + 60
    while time.monotonic() < deadline and started.poll() is None and not (parts.exists() and list(parts.glob("part-*"))):
        time.sleep(0.02)
    children = Path(f"/proc/{started.pid}/task/{started.pid}/children")
    workers = [int(pid) for pid in children.read_text().split()] if children.exists() else []
    os.kill(started.pid, signal.SIGKILL)
    started.wait()
    kept = {p.name: p.read_bytes() for p in parts.glob("part-*")}
    assert 0 < len(kept) < 12
    (parts / ".part-000011.parquet.1").write_bytes(b"half")
    code, answer, _ = run(capsys, "sweep", spec, "--out", out, "--jobs", 1, "--json")
    assert code == 0
    assert json.loads(answer)["kept_from_before"] >= len(kept)
    run(capsys, "sweep", spec, "--out", sweep_folder / "whole", "--jobs", 1)
    assert (out / "results.parquet").read_bytes() == (sweep_folder / "whole" / "results.parquet").read_bytes()
    assert not [pid for pid in workers if Path(f"/proc/{pid}").exists() and "spawn" in Path(f"/proc/{pid}/cmdline").read_text()]


def test_a_finished_sweep_is_left_alone(sweep_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec, out = sweep_folder / "small.toml", sweep_folder / "out"
    run(capsys, "sweep", spec, "--out", out, "--jobs", 1)
    before = (out / "results.parquet").stat().st_mtime_ns
    code, words, _ = run(capsys, "sweep", spec, "--out", out, "--jobs", 1)
    assert code == 0 and "12 were there before" in words
    assert (out / "results.parquet").stat().st_mtime_ns == before


def test_without_pyarrow_the_rows_are_json_lines(
        sweep_folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    import pyarrow.parquet as pq

    spec = sweep_folder / "small.toml"
    run(capsys, "sweep", spec, "--out", sweep_folder / "a", "--jobs", 1)
    monkeypatch.setattr(stores, "format_here", lambda: "jsonl")
    _, _, err = run(capsys, "sweep", spec, "--out", sweep_folder / "b", "--jobs", 1)
    assert "Results are JSON lines" in err
    lines = [json.loads(line) for line in (sweep_folder / "b" / "results.jsonl").read_text().splitlines()]
    file = pq.ParquetFile(sweep_folder / "a" / "results.parquet")
    assert file.read().to_pylist() == lines
    assert sorted(row["point"] for row in lines) == list(range(12))
    metadata = {k.decode(): v.decode() for k, v in file.schema_arrow.metadata.items()}
    assert metadata["bothheads.sweep"] == lines[0]["sweep"] == json.loads((sweep_folder / "a" / "sweep.json").read_text())["sweep"]
    assert metadata["bothheads.version"] == lines[0]["version"]
    assert 'name = "bass"' in metadata["drum.bass.toml"]
    code, _, err = run(capsys, "sweep", spec, "--out", sweep_folder / "a", "--jobs", 1)
    assert code == 2 and "was begun as parquet: install pyarrow" in err


def test_a_chunk_that_cannot_be_worked_out_is_kept_with_its_reason(tmp_path: Path) -> None:
    class Broken(Engine):
        def run(self, function, tasks):  # type: ignore[no-untyped-def]
            for task in tasks:
                yield from Engine.run(self, function if task.key else _fails, [task])

    tally = run_sweep(Design(parsed(TINY)), tmp_path / "out", Broken("here", 1, ""), "jsonl")
    rows = [json.loads(line) for line in tally.results.read_text().splitlines()]
    assert tally.failed == sum(row["error"] is not None for row in rows) == 1
    assert {row["error"] for row in rows if row["error"]} == {"RuntimeError: out of luck"}
    assert all(row["set_batter.tension"] > 0 and row["strike"] == "centre" for row in rows)


def _fails(_: object) -> None:
    raise RuntimeError("out of luck")


@pytest.mark.parametrize(("argv", "sentence"), [
    (["small.toml"], "say where the rows go"),
    (["missing.toml", "--out", "x"], "there is no sweep file"),
    (["small.toml", "--out", "used"], "holds other files: choose an empty or a new folder"),
    (["small.toml", "--out", "other"], "holds another sweep"),
    (["small.toml", "--out", "bass.toml"], "cannot be written"),
    (["small.toml", "--out", "x", "--jobs", "0"], "--jobs must be from 1 to 512"),
    (["bass.toml", "batter.tension"], "name the values"),
    (["bass.toml", "batter.tension", "500", "--out", "x"], "belong to a sweep's file"),
])
def test_what_cannot_be_done_is_one_sentence(
        sweep_folder: Path, capsys: pytest.CaptureFixture[str], argv: list[str], sentence: str) -> None:
    (sweep_folder / "used").mkdir()
    (sweep_folder / "used" / "letter.txt").write_text("dear")
    (sweep_folder / "other").mkdir()
    (sweep_folder / "other" / "sweep.json").write_text(json.dumps({"schema": "bothheads.sweep-run/1", "sweep": "0"}))
    given = [str(sweep_folder / a) if a.endswith(".toml") or a in ("used", "other", "x") else a for a in argv]
    code, out, err = run(capsys, "sweep", *given)
    assert code == 2 and not out
    assert sentence in err.lower() and "Traceback" not in err


def test_two_runs_do_not_share_a_folder(sweep_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Lock(sweep_folder / "out"):
        code, _, err = run(capsys, "sweep", sweep_folder / "small.toml", "--out", sweep_folder / "out", "--jobs", 1)
    assert code == 2 and "nother run is at work" in err
    assert run(capsys, "sweep", sweep_folder / "small.toml", "--out", sweep_folder / "out", "--jobs", 1)[0] == 0


def test_the_old_form_stays(sweep_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "sweep", sweep_folder / "bass.toml", "batter.tension", 500, 700, "--json")
    answer = json.loads(out)
    assert code == 0 and answer["schema"] == "bothheads.sweep/1"
    assert [row["value"] for row in answer["rows"]] == [500.0, 700.0]


def test_help_loads_none_of_it() -> None:
    code = ("import sys, bothheads.__main__ as m; m.main(['sweep', '--help']); import bothheads.session;"
            "print([n for n in ('dask', 'distributed', 'pyarrow', 'scipy', 'numpy.linalg', 'bothheads.runs') if n in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.splitlines()[-1] in ("[]", "['numpy.linalg']")
