"""Bad input: one sentence on stderr, nothing on stdout, the right exit code, and nothing of the user's lost."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import bothheads
from bothheads.sound.audio import write_wav


def refused(result: tuple[int, object, str], sentence: str, code: int = 2) -> None:
    got, out, err = result
    assert got == code, err
    assert out == ""
    assert sentence.lower() in err.lower()
    assert "Traceback" not in err
    assert len(err.strip().splitlines()) == 1


@pytest.mark.parametrize(("argv", "sentence"), [
    (("predict", "no.toml"), "there is no drum file"),
    (("predict", "Nobody's drum"), "log"),
    (("read", "no.wav"), "no.wav"),
    (("plan",), "required: drum"),
    (("pound", "x"), "invalid choice"),
    (("serve", "--port", "99999"), "--port must be from 1 to 65535"),
    (("choose", "size"), "is not KEY=VALUE"),
])
def test_arguments(run, argv, sentence) -> None:  # type: ignore[no-untyped-def]
    refused(run(*argv), sentence)


@pytest.mark.parametrize(("extra", "sentence"), [
    (("--turns", "batter"), "is not a turn"),
    (("--turns", "batter=lots"), "is not a number of turns"),
    (("--turns", "batter:99=1/8"), "there is no rod 99"),
    (("--turns", "snare=1"), "is not a turn"),
    (("--set", "batter.tension"), "is not KEY=VALUE"),
    (("--set", "batter.tension=-1"), "outside 20 to 20000 N/m"),
    (("--set", "batter.colour=blue"), "is not a key"),
    (("--set", "diameter_in=400"), "outside"),
])
def test_predict(run, drum_file, extra, sentence) -> None:  # type: ignore[no-untyped-def]
    refused(run("predict", drum_file, *extra), sentence)


@pytest.mark.parametrize(("extra", "sentence"), [
    ((), "say what is wished"),
    (("--note", "H1"), "is not a note"),
    (("--note", "9999"), "outside 10 to 2000 Hz"),
    (("--wish", "louder-than-love"), "wish"),
    (("--state", "3"), "needs a drum from the log"),
    (("--note", "60", "--minutes", "0"), "--minutes must be"),
    (("--taps", "x.wav"), "--taps goes with --even"),
    (("--even", "batter"), "give --taps FILE"),
])
def test_plan(run, drum_file, extra, sentence) -> None:  # type: ignore[no-untyped-def]
    refused(run("plan", drum_file, *extra), sentence)


def test_no_tension_and_no_history(run, bare_file) -> None:  # type: ignore[no-untyped-def]
    refused(run("predict", bare_file), "no batter.tension and no history")


@pytest.mark.parametrize(("name", "content", "sentence"), [
    ("empty.wav", b"", "empty"),
    ("text.wav", b"this is not sound at all" * 40, "text.wav"),
    ("half.flac", b"fLaC" + bytes(60), "half.flac"),
])
def test_files_that_are_not_sound(run, tmp_path, name, content, sentence) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / name
    path.write_bytes(content)
    refused(run("read", path), sentence)


def test_a_folder_without_recordings(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "empty").mkdir()
    refused(run("read", tmp_path / "empty"), "holds no recordings")


def test_not_finite(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    import soundfile

    x = np.zeros((48000, 1))
    x[1000] = np.nan
    soundfile.write(tmp_path / "nan.wav", x, 48000, subtype="FLOAT")
    refused(run("read", tmp_path / "nan.wav"), "finite")


@pytest.mark.parametrize(("extra", "sentence"), [
    (("--channels", "seat"), "1 channel names for 2 channels"),
    (("--channels", "seat,seat"), "same name"),
    (("--from", "3", "--to", "2"), "--to after --from"),
    (("--taps",), "how many rods"),
    (("--taps", "--rods", "2"), "from 3 to 24"),
])
def test_read(run, strike, extra, sentence) -> None:  # type: ignore[no-untyped-def]
    refused(run("read", strike, *extra), sentence)


@pytest.mark.parametrize("kind", ["silence", "noise"])
def test_nothing_to_read_is_answered_in_full_with_exit_3(run, tmp_path, kind) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(0)
    x = np.zeros((96000, 2)) if kind == "silence" else 1e-3 * rng.standard_normal((96000, 2))
    write_wav(tmp_path / "x.wav", x, 48000)
    code, answer, err = run("read", tmp_path / "x.wav", "--json")
    assert code == 3
    assert answer["strikes"] == []
    assert answer["refused"]
    assert answer["schema"] == "bothheads.reading/1"
    assert "strike" in err


def test_a_log_that_is_not_one(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    bad = tmp_path / "bad.sqlite"
    bad.write_text("not a database, only words " * 50)
    refused(run("log", "show", "--log", bad), "bad.sqlite")
    assert bad.read_text().startswith("not a database")


def test_a_log_from_a_newer_program(run, drum_file, tmp_path) -> None:  # type: ignore[no-untyped-def]
    run("log", "add", drum_file)
    path = Path(os.environ["BOTHHEADS_LOG"])
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 999")
    db.close()
    refused(run("log", "show"), "newer")


def test_a_log_that_may_only_be_read(run, drum_file, strike, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    from bothheads import session

    run("log", "add", drum_file)
    keep = session.open_log

    def only_reading(path=None, *, create=True, readonly=False):  # type: ignore[no-untyped-def]
        return keep(path, create=False, readonly=True)

    monkeypatch.setattr(session, "open_log", only_reading)
    refused(run("log", "add", drum_file), "read")
    assert run("log", "show", "--json")[1]["drums"][0]["states"] == 0


def test_a_locked_log(run, drum_file, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    run("log", "add", drum_file)
    path = Path(os.environ["BOTHHEADS_LOG"])
    other = sqlite3.connect(path, isolation_level=None)
    try:
        from bothheads.log import store

        monkeypatch.setattr(store, "WAIT_S", 0.2, raising=False)
        other.execute("BEGIN IMMEDIATE")
        text = drum_file.read_text().replace("Test bass", "Other bass")
        drum_file.write_text(text)
        refused(run("log", "add", drum_file), "another")
    finally:
        other.rollback()
        other.close()
    assert run("log", "add", drum_file)[0] == 0


def test_a_drum_added_twice(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    assert run("log", "add", drum_file)[0] == 0
    refused(run("log", "add", drum_file), "Test bass")


def test_unknown_state_names_the_known_ones(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    run("log", "add", drum_file)
    refused(run("log", "state", "Test bass", "7"), "state")


@pytest.mark.parametrize("argv", [("--help",), ("read", "kick-5-very-hard.flac", "--json")])
def test_a_reader_of_the_answer_that_has_gone_away_is_passed_over(argv: tuple[str, ...]) -> None:
    """What is still held back is written at the very end: the pipe that is closed by then must not be a traceback."""
    recordings = Path(bothheads.__file__).parent / "data" / "recordings"
    read_end, write_end = os.pipe()
    os.close(read_end)
    try:
        done = subprocess.run([sys.executable, "-m", "bothheads", *argv], stdout=write_end, stderr=subprocess.PIPE, text=True,
                              cwd=recordings, check=False, timeout=120,
                              env={k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"})
    finally:
        os.close(write_end)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    assert "BrokenPipeError" not in done.stderr
