"""A drum file, a log and recordings made by the model, shared by the tests of the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bothheads import drumfile
from bothheads.__main__ import main
from takes import BASS, recording, tuned

Run = Callable[..., tuple[int, Any, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command; gives the exit code, the JSON object or text of stdout, and stderr."""
    monkeypatch.setenv("BOTHHEADS_LOG", str(tmp_path / "log" / "log.sqlite"))
    (tmp_path / "log").mkdir()

    def call(*argv: object) -> tuple[int, Any, str]:
        capsys.readouterr()
        code = main([str(a) for a in argv])
        out, err = capsys.readouterr()
        if "--json" in argv and out:
            return code, json.loads(out, parse_constant=lambda c: pytest.fail(f"{c} in the JSON")), err
        return code, out, err

    return call


@pytest.fixture
def drum_file(tmp_path: Path) -> Path:
    path = tmp_path / "bass.toml"
    path.write_text(drumfile.write(tuned(BASS, 900.0, 700.0)), encoding="utf-8")
    return path


@pytest.fixture
def bare_file(tmp_path: Path) -> Path:
    """The same drum without tensions."""
    path = tmp_path / "bare.toml"
    path.write_text(drumfile.write(BASS), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def strike(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three strikes, seat and front, of the drum at 900 / 700 N/m."""
    return recording(tmp_path_factory.mktemp("takes") / "strike.wav", tuned(BASS, 900.0, 700.0))
