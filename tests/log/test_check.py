"""A check finds what is missing, damaged or lying about, and mends what can be."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from bothheads.log.check import check
from bothheads.log.export import export_log, import_log
from bothheads.log.store import open_log
from bothheads.records import Drum


@pytest.fixture
def path(tmp_path: Path, drum: Drum, keep: Any, make_take: Any) -> Path:
    where = tmp_path / "log.sqlite"
    with open_log(where) as log:
        entry = log.add_drum(drum, "")
        for seed in range(4):
            keep(log, entry.id, drum, seed, takes=[make_take(seed)])
        log.add_photograph(entry.id, b"picture", name="a.jpg")
        export_log(log, tmp_path / "out.zip")
    return where


def files(path: Path) -> list[Path]:
    with open_log(path, readonly=True) as log:
        return list(log.recordings.files())


def test_a_whole_log(path: Path) -> None:
    report = check(path)
    assert report.clean and not report.damaged
    assert (report.drums, report.states, report.takes, report.photographs) == (1, 4, 4, 1)
    assert report.words() == (f"the log {path} is whole: 1 drums, 4 states, 4 takes, 1 photographs.",)
    assert report.as_json()["clean"] is True


def test_a_missing_and_a_damaged_recording_are_found_and_come_back_with_an_export(path: Path, tmp_path: Path) -> None:
    first, second = files(path)[:2]
    first.unlink()
    second.write_bytes(second.read_bytes()[:-1] + b"?")
    report = check(path)
    assert (report.missing, report.corrupt, report.damaged) == ([str(first)], [str(second)], True)
    assert "1 missing, 1 damaged" in report.words()[0]
    assert check(path, mend=True).damaged  # nothing here holds them
    with open_log(path) as log:
        assert import_log(log, tmp_path / "out.zip").states == 0
    assert check(path).clean


def test_a_missing_photograph_is_found(path: Path) -> None:
    with open_log(path) as log:
        log.photographs_folder.path(hashlib.sha256(b"picture").hexdigest()).unlink()
    assert [Path(p).suffix for p in check(path).missing] == [".photo"]


def test_orphans_are_put_aside_and_never_deleted(path: Path) -> None:
    data = b"fLaC of a take that was stopped"
    name = hashlib.sha256(data).hexdigest()
    orphan = path.with_name("log.sqlite.files") / name[:2] / f"{name}.flac"
    orphan.parent.mkdir(exist_ok=True)
    orphan.write_bytes(data)
    stray = orphan.with_name("notes.txt")
    stray.write_text("mine")
    report = check(path)
    assert sorted(report.orphans) == sorted([str(orphan), str(stray)]) and not report.damaged and not report.clean
    mended = check(path, mend=True)
    assert mended.clean and len(mended.mended) == 2
    assert check(path).clean
    aside = path.with_name("log.sqlite.files") / "unclaimed"
    assert (aside / orphan.name).read_bytes() == data and (aside / "notes.txt").read_text() == "mine"


def test_a_lost_recording_comes_back_from_what_lies_unclaimed(path: Path) -> None:
    lost, damaged = files(path)[:2]
    aside = path.with_name("log.sqlite.files") / "unclaimed"
    aside.mkdir()
    (aside / damaged.name).write_bytes(damaged.read_bytes())
    lost.rename(aside / lost.name)
    damaged.write_bytes(b"rotten")
    report = check(path, mend=True)
    assert report.clean and len(report.mended) == 2
    assert check(path).clean
    assert [p.read_bytes() for p in aside.iterdir()] == [b"rotten"]


def test_unfinished_files_are_cleared_away(path: Path) -> None:
    left = path.with_name("log.sqlite.files") / "writing-999999999-abc"  # no process has this number
    left.write_bytes(b"half")
    assert check(path).unfinished == [str(left)]
    assert check(path, mend=True).clean and not left.exists()


def test_a_file_being_written_now_is_left_alone(path: Path) -> None:
    with open_log(path) as log:
        staged = log.recordings.stage(b"under way")
    assert check(path, mend=True).clean
    assert staged.path.exists()


def test_a_gap_in_the_numbers_is_found(path: Path) -> None:
    with open_log(path) as log:
        log._connection.execute("UPDATE states SET number = 9 WHERE number = 4")
    assert check(path).faults == ["the states of drum 1 are not numbered from 1 without a gap"]


def test_a_broken_index_is_rebuilt(path: Path) -> None:
    with open_log(path) as log:
        db = log._connection
        (sql,) = db.execute("SELECT sql FROM sqlite_master WHERE name = 'takes_of_recording'").fetchone()
        db.execute("DROP INDEX takes_of_recording")
        db.execute("CREATE INDEX spare ON takes (frames)")  # an index on one column made one on another
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET name = 'takes_of_recording', sql = ? WHERE name = 'spare'", (sql,))
        db.execute("PRAGMA writable_schema = RESET")
    assert any("takes_of_recording" in fault for fault in check(path).faults)
    mended = check(path, mend=True)
    assert mended.mended == ["the indexes were rebuilt"] and mended.clean
    assert check(path).clean


def test_rows_that_point_nowhere_are_found(path: Path) -> None:
    with open_log(path) as log:
        log._connection.execute("PRAGMA foreign_keys = OFF")
        log._connection.execute("DELETE FROM recordings")
    assert check(path).faults == ["a row of takes points at a row of recordings that is not there"] * 4
