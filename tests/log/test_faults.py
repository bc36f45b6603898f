"""What people run into: each is one sentence, and nothing is half-written."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bothheads.errors import LogError
from bothheads.log import migrate
from bothheads.log.check import check
from bothheads.log.store import Log, open_log
from bothheads.log.takes import Vault
from bothheads.records import Drum


def child(code: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a script in another process."""
    return subprocess.run([sys.executable, "-c", textwrap.dedent(code), *map(str, arguments)], capture_output=True,
                          text=True, timeout=60)


def as_plain_user(act: Callable[[], str]) -> str:
    """What ``act`` says in a process without root's right to write anywhere."""
    reads, writes = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            if os.getuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            os.write(writes, act().encode())
        except BaseException as error:
            os.write(writes, repr(error).encode())
        finally:
            os._exit(0)
    os.close(writes)
    os.waitpid(pid, 0)
    with os.fdopen(reads) as said:
        return said.read()


@pytest.fixture
def filled(log: Log, drum: Drum, keep: Any) -> Log:
    entry = log.add_drum(drum, "")
    for seed in range(3):
        keep(log, entry.id, drum, seed)
    return log


def test_no_log_there(tmp_path: Path) -> None:
    for options in ({"create": False}, {"readonly": True}):
        with pytest.raises(LogError, match=r"there is no log at .*: add a drum with"):
            open_log(tmp_path / "none.sqlite", **options)
    with pytest.raises(LogError, match=r"is a folder: name the log's file"):
        open_log(tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(LogError, match=r"cannot be"):
        open_log(tmp_path / "file" / "log.sqlite")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file"]


def test_files_that_are_no_log(tmp_path: Path) -> None:
    text = tmp_path / "text.sqlite"
    text.write_text("not a database at all " * 100)
    with pytest.raises(LogError, match=r"is not a log of this program"):
        open_log(text)
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE things (a)")
    db.close()
    before = other.read_bytes()
    for readonly in (False, True):
        with pytest.raises(LogError, match=r"is a database of another program"):
            open_log(other, readonly=readonly)
    assert other.read_bytes() == before


def test_an_empty_file_becomes_a_log(tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").touch()
    with open_log(tmp_path / "log.sqlite") as log:
        assert log.drums() == ()


@pytest.mark.parametrize("readonly", [False, True])
def test_a_newer_log_is_refused_untouched(filled: Log, readonly: bool) -> None:
    filled._connection.execute(f"PRAGMA user_version = {migrate.newest() + 1}")
    filled.close()
    before = filled.path.read_bytes()
    with pytest.raises(LogError, match=rf"newer version \(schema {migrate.newest() + 1}, this one knows {migrate.newest()}\)"):
        open_log(filled.path, readonly=readonly)
    assert filled.path.read_bytes() == before


def test_a_log_opened_for_reading_refuses_to_write(filled: Log, drum: Drum, keep: Any) -> None:
    with open_log(filled.path, readonly=True) as log:
        assert len(log.states(1)) == 3
        for act in (lambda: keep(log, 1, drum, 9), lambda: log.add_drum(drum, ""), lambda: log.keep("a", b"b"),
                    lambda: log.set_note(1, "a", 1), lambda: log.update_state(1, 1, remark="x"),
                    lambda: log.add_photograph(1, b"x", name="x")):
            with pytest.raises(LogError, match=r"can only be read: make it and its folder writable"):
                act()


def read_then_write(path: Path) -> str:
    lines = []
    for readonly in (True, False):
        with open_log(path, readonly=readonly) as log:
            states = log.states(1)
            lines.append(f"{len(states)} {log.readonly} {len(log.take_bytes(states[0].takes[0].sha256)) > 4}")
            try:
                log.add_state(1, drum=states[0].drum, reading=None, fit=None)
            except LogError as error:
                lines.append(str(error))
    return "\n".join(lines)


def test_a_folder_that_cannot_be_written(filled: Log) -> None:
    """As an ordinary user: the log can still be read, and says so when it is to be written."""
    filled.close()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "shelf"
        shutil.copytree(filled.path.parent, folder)
        for path in (*folder.rglob("*"), folder):
            path.chmod(0o555 if path.is_dir() else 0o444)
        Path(name).chmod(0o755)
        before = sorted(p.name for p in folder.rglob("*"))
        lines = as_plain_user(lambda: read_then_write(folder / filled.path.name)).splitlines()
        assert sorted(p.name for p in folder.rglob("*")) == before
        for path in (folder, *folder.rglob("*")):
            path.chmod(0o755)
    assert lines[0] == lines[2] == "3 True True", lines
    assert all("can only be read: make it and its folder writable" in line for line in (lines[1], lines[3])), lines


def test_an_old_log_that_cannot_be_written(tmp_path: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "log.sqlite"
        db = sqlite3.connect(path, isolation_level=None)
        migrate.migrate(db, path, to=1)
        db.close()
        path.chmod(0o444)
        Path(name).chmod(0o555)

        def say() -> str:
            try:
                open_log(path, readonly=True)
            except LogError as error:
                return str(error)
            return "opened"

        assert "has an older schema and cannot be written: copy it" in as_plain_user(say)
        Path(name).chmod(0o755)


def test_a_busy_log_is_waited_for_and_then_named(filled: Log, drum: Drum, keep: Any) -> None:
    holder = sqlite3.connect(filled.path, isolation_level=None, check_same_thread=False)
    holder.execute("BEGIN IMMEDIATE")
    with open_log(filled.path, wait_s=0.05) as log:
        with pytest.raises(LogError, match=r"is busy, another program is writing to it"):
            keep(log, 1, drum, 9)
        assert len(log.states(1)) == 3  # reading goes on
        assert log.recordings.unfinished() == [] and len(list(log.recordings.files())) == sum(len(s.takes) for s in log.states(1))
    with open_log(filled.path, wait_s=20.0) as log:
        timer = threading.Timer(0.2, lambda: holder.execute("ROLLBACK"))
        timer.start()
        assert keep(log, 1, drum, 9).number == 4  # waited
        timer.join()
    holder.close()


def test_a_full_database_says_so_and_keeps_nothing(filled: Log, drum: Drum, keep: Any) -> None:
    files = list(filled.recordings.files())
    pages = filled._connection.execute("PRAGMA page_count").fetchone()[0]
    filled._connection.execute(f"PRAGMA max_page_count = {pages}")
    big = {"partials": [{"frequency_hz": i / 7} for i in range(20_000)]}
    with pytest.raises(LogError, match=r"the disk with .* is full: nothing was changed, make room"):
        keep(filled, 1, drum, 9, reading=big)
    with pytest.raises(LogError, match=r"is full"):
        filled.set_note(1, "big", big)
    assert len(filled.states(1)) == 3 and list(filled.recordings.files()) == files
    filled._connection.execute("PRAGMA max_page_count = 1000000")
    assert keep(filled, 1, drum, 9).number == 4
    filled.close()
    assert check(filled.path).clean


FULL_DISK = """
    import json, resource, signal, sys
    from bothheads.errors import LogError
    from bothheads.log.store import TakeInput, open_log
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    with open_log(sys.argv[1]) as log:
        drum = log.state(1, 1).drum
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))  # the system refuses to write beyond
        take = TakeInput(bytes(500_000), ("seat",), 48000, 10, "2026-01-01T00:00:00+00:00")
        for act in (lambda: log.add_state(1, drum=drum, takes=[take], reading=None, fit=None),
                    lambda: log.add_photograph(1, bytes(500_000), name="a.jpg"),
                    lambda: log.keep("a", bytes(5_000_000))):
            try:
                act()
                print("kept")
            except LogError as error:
                print(error)
        print(len(log.states(1)))
"""


def test_a_disk_that_takes_no_more(filled: Log) -> None:
    """Refused by the system itself, in the middle of a file."""
    filled.close()
    done = child(FULL_DISK, filled.path)
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert "is full: nothing was changed" in lines[0] and "is full: nothing was changed" in lines[1]
    assert "nothing was changed" in lines[2] and lines[3] == "3"
    assert check(filled.path).clean


@pytest.mark.parametrize("step", ["replace", "fsync", "mkdir"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EIO])
def test_a_disk_that_fails_at_any_step(
    filled: Log, drum: Drum, keep: Any, monkeypatch: pytest.MonkeyPatch, step: str, code: int
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        patch.setattr(os, step, fail)
        if step == "mkdir":
            patch.setattr(Path, "mkdir", fail)
        with pytest.raises(LogError, match=r"full|only be read|cannot be written"):
            keep(filled, 1, drum, 9)
    assert len(filled.states(1)) == 3
    filled.close()
    assert check(filled.path).clean


def test_a_state_that_fails_halfway_takes_its_files_back(
    filled: Log, drum: Drum, keep: Any, make_take: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = list(filled.recordings.files())
    real = Vault.settle
    calls: list[int] = []

    def settle(vault: Vault, staged: Any, again: Any) -> bool:
        calls.append(1)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "full")
        return real(vault, staged, again)

    monkeypatch.setattr(Vault, "settle", settle)
    with pytest.raises(LogError, match=r"is full"):
        keep(filled, 1, drum, 9, takes=[make_take(901), make_take(902)])
    assert len(calls) == 2 and list(filled.recordings.files()) == before and len(filled.states(1)) == 3


def test_a_damaged_database_is_named(filled: Log) -> None:
    filled.close()
    data = bytearray(filled.path.read_bytes())
    for at in range(4096, len(data), 512):
        data[at:at + 200] = b"\xa5" * 200
    filled.path.write_bytes(data)
    with pytest.raises(LogError, match=r"is damaged: keep it as it is"), open_log(filled.path) as log:
        log.states(1)
        log.state_summaries(1)


def test_a_check_says_that_the_database_is_damaged(filled: Log) -> None:
    filled._connection.execute("VACUUM")
    filled.close()
    root = sqlite3.connect(filled.path)
    (page,) = root.execute("SELECT rootpage FROM sqlite_master WHERE name = 'takes'").fetchone()
    root.close()
    data = bytearray(filled.path.read_bytes())
    data[(page - 1) * 4096: page * 4096] = bytes(4096)
    filled.path.write_bytes(data)
    report = check(filled.path)
    assert report.damaged and report.faults


def test_odd_names_of_files(tmp_path: Path, drum: Drum) -> None:
    path = tmp_path / "a?b#c%20d ü" / "my log's.sqlite"
    with open_log(path) as log:
        log.add_drum(drum, "")
    assert [p.name for p in path.parent.iterdir()] == ["my log's.sqlite"]
    with open_log(path, readonly=True) as log:
        assert len(log.drums()) == 1


def test_a_log_with_an_open_journal_on_a_read_only_medium(filled: Log, tmp_path: Path) -> None:
    from bothheads.log.connection import _open_unchanging

    waiting = filled.path.with_name(filled.path.name + "-wal")
    assert waiting.stat().st_size > 0
    with pytest.raises(LogError, match=r"was not closed properly and lies where nothing can be written"):
        _open_unchanging(filled.path, 1.0)
