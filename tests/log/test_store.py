"""The log: what goes in comes out to the last bit; corrections keep what was there before."""

from __future__ import annotations

import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bothheads.errors import LogError
from bothheads.log import store
from bothheads.log.rows import drum_of, drum_text, moment
from bothheads.log.store import Log, open_log
from bothheads.log.takes import Vault
from bothheads.records import Drum, Head, Turn


def test_a_state_comes_back_whole(log: Log, drum: Drum, keep: Any, make_take: Any) -> None:
    entry = log.add_drum(drum, "diameter_in = 26  # by hand")
    kept = keep(log, entry.id, drum, 1, made_at="2026-03-14T21:30:00+01:00")
    log.close()
    with open_log(log.path, readonly=True) as again:
        state = again.state(entry.id, 1)
        assert state == kept
        assert state.drum == drum
        assert state.made_at == "2026-03-14T20:30:00+00:00"
        assert state.remark == "=seed 1, naïve ♪" and state.settings == {"room": "hall"}
        assert [t.channels for t in state.takes] == [("seat", "front")] * len(state.takes)
        assert again.take_bytes(state.takes[0].sha256) == make_take(10).flac
        assert again.find_drum("STREET  bass").toml == "diameter_in = 26  # by hand"
        assert again.last_state(entry.id) == state
        assert again.drums()[0].states == 1


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tension=st.floats(1e-3, 1e6), density=st.floats(1e-3, 50), resistance=st.none() | st.floats(0, 1e5),
       name=st.text(min_size=1).filter(lambda s: s.strip() == s and s.isprintable()), rods=st.integers(4, 20))
def test_any_drum_that_a_fit_can_leave_comes_back(
    drum: Drum, tension: float, density: float, resistance: float | None, name: str, rods: int
) -> None:
    """Also beyond the limits that a drum file has: a take is not lost because its fit went wild."""
    head = Head(density, rods, tension=tension, resistance=resistance)
    one = replace(drum, name=name, batter=head)
    assert drum_of(drum_text(one)) == one


def test_states_count_from_one_on_each_drum(log: Log, drum: Drum, keep: Any) -> None:
    first, second = log.add_drum(drum, ""), log.add_drum(replace(drum, name="Hall bass"), "")
    assert [keep(log, d.id, drum, s).number for s, d in enumerate((first, second, first, first))] == [1, 1, 2, 3]
    assert [s.number for s in log.states(first.id)] == [1, 2, 3]
    assert [s.number for s in log.states(first.id, newest_first=True, limit=2)] == [3, 2]
    assert [s.number for s in log.states(first.id, offset=1)] == [2, 3]
    assert log.last_state(second.id) == log.state(second.id, 1)


def test_a_listing_says_what_the_states_say(log: Log, drum: Drum, keep: Any) -> None:
    entry = log.add_drum(drum, "")
    for seed in range(5):
        keep(log, entry.id, drum, seed)
    log.add_state(entry.id, drum=replace(drum, resonant=None, muffling=()), reading=None, fit=None)
    listed = log.state_summaries(entry.id, limit=10)
    assert [line.number for line in listed] == [6, 5, 4, 3, 2, 1]
    for line, state in zip(listed, log.states(entry.id, newest_first=True), strict=True):
        note = (state.reading or {}).get("note", {})
        assert (line.made_at, line.note_hz, line.t60_s, line.remark) == (
            state.made_at, note.get("frequency_hz"), note.get("t60_s"), state.remark)
        assert line.batter_tension == state.drum.batter.tension
        assert line.resonant_tension == (state.drum.resonant.tension if state.drum.resonant else None)
    assert log.state_summaries(entry.id, 2, 1)[0].number == 5


def test_a_correction_keeps_what_was_there(log: Log, drum: Drum, keep: Any) -> None:
    entry = log.add_drum(drum, "")
    before = keep(log, entry.id, drum, 3)
    after = log.update_state(entry.id, 1, remark="church hall", turns=(Turn("batter", 1.0),),
                             drum=drum.with_head("batter", tension=700.0), reading={"note": {"frequency_hz": 51.5}})
    assert after.remark == "church hall" and after.turns == (Turn("batter", 1.0),)
    assert after.takes == before.takes and after.fit == before.fit
    assert log.state_summaries(entry.id)[0].note_hz == 51.5 and log.state_summaries(entry.id)[0].batter_tension == 700.0
    (old,) = log.revisions(entry.id, 1)
    assert old.state == before
    log.update_state(entry.id, 1, who="me")
    assert [r.state for r in log.revisions(entry.id, 1)] == [before, after]
    with pytest.raises(LogError, match=r"'takes' of a state cannot be corrected"):
        log.update_state(entry.id, 1, takes=())


def test_a_drum_can_be_corrected(log: Log, drum: Drum) -> None:
    entry = log.add_drum(drum, "old")
    log.add_drum(replace(drum, name="Hall bass"), "")
    new = log.correct_drum(entry.id, replace(drum, name="Carnival bass", depth=0.35), "new")
    assert (new.id, new.name, new.toml) == (entry.id, "Carnival bass", "new")
    (old,) = log.drum_revisions(entry.id)
    assert (old.name, old.drum, old.toml) == ("Street bass", drum, "old")
    with pytest.raises(LogError, match=r"already holds a drum called Hall bass \(drum 2\)"):
        log.correct_drum(entry.id, replace(drum, name="HALL bass"), "")


def test_unknown_drums_and_states_say_what_there_is(log: Log, drum: Drum, keep: Any) -> None:
    with pytest.raises(LogError, match=r"holds no drum yet: add one"):
        log.find_drum("anything")
    entry = log.add_drum(drum, "")
    with pytest.raises(LogError, match=r"no drum 'tom': it holds Street bass \(1\)"):
        log.find_drum("tom")
    with pytest.raises(LogError, match=r"no drum '9'"):
        log.find_drum("9")
    with pytest.raises(LogError, match=r"Street bass has no state yet"):
        log.state(entry.id, 1)
    keep(log, entry.id, drum, 1)
    with pytest.raises(LogError, match=r"no state 4: its states are 1 to 1"):
        log.state(entry.id, 4)
    with pytest.raises(LogError, match=r"no drum '77'"):
        keep(log, 77, drum, 1)
    with pytest.raises(LogError, match=r"already holds a drum called Street bass"):
        log.add_drum(replace(drum, name=" street BASS"), "")
    with pytest.raises(LogError, match=r"'12' cannot be a drum's name"):
        log.add_drum(replace(drum, name="12"), "")
    assert log.find_drum("1") == log.find_drum(1) == log.find_drum("Street bass")


def test_takes_that_cannot_be_kept_leave_nothing(log: Log, drum: Drum, keep: Any, make_take: Any) -> None:
    entry = log.add_drum(drum, "")
    good = make_take(1)
    for bad, words in ((replace(good, flac=b""), "without sound"), (replace(good, sample_rate_hz=0), "sample rate"),
                       (replace(good, recorded_at="yesterday"), "is not a time")):
        with pytest.raises(LogError, match=words):
            keep(log, entry.id, drum, 1, takes=[good, bad])
    with pytest.raises(LogError, match=r"cannot be kept as JSON"):
        keep(log, entry.id, drum, 1, settings={"a": object()})
    with pytest.raises(LogError, match=r"a turn names a head"):
        keep(log, entry.id, drum, 1, turns=(Turn("batter", float("nan")),))
    assert log.states(entry.id) == () and list(log.recordings.files()) == [] and log.recordings.unfinished() == []


def test_the_same_recording_is_stored_once(log: Log, drum: Drum, keep: Any, make_take: Any) -> None:
    entry = log.add_drum(drum, "")
    for _ in range(3):
        keep(log, entry.id, drum, 1, takes=[make_take(5), make_take(5)])
    assert len(list(log.recordings.files())) == 1
    assert len({t.id for s in log.states(entry.id) for t in s.takes}) == 6


def test_a_damaged_file_is_replaced_by_the_same_recording(log: Log, drum: Drum, keep: Any, make_take: Any) -> None:
    entry = log.add_drum(drum, "")
    sha256 = keep(log, entry.id, drum, 1, takes=[make_take(5)]).takes[0].sha256
    log.take_path(sha256).write_bytes(b"rotten")
    with pytest.raises(LogError, match=r"is damaged: run 'bothheads log check'"):
        log.take_bytes(sha256)
    keep(log, entry.id, drum, 2, takes=[make_take(5)])
    assert log.take_bytes(sha256) == make_take(5).flac
    log.take_path(sha256).unlink()
    with pytest.raises(LogError, match=r"is missing: run 'bothheads log check'"):
        log.take_bytes(sha256)
    with pytest.raises(LogError, match=r"is not the name of a recording"):
        log.take_bytes("../../etc/passwd")


def test_files_are_synced_before_the_row_that_names_them(
    log: Log, drum: Drum, keep: Any, make_take: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order that a power cut asks for: content, then name, then folder, then the row."""
    entry = log.add_drum(drum, "")
    done: list[str] = []
    real_sync, real_replace = os.fsync, os.replace

    def fsync(descriptor: int) -> None:
        where = Path(os.readlink(f"/proc/self/fd/{descriptor}"))
        done.append(f"sync {where.name}" if where.is_dir() else "sync file")
        real_sync(descriptor)

    def rename(a: Any, b: Any) -> None:
        done.append("rename")
        real_replace(a, b)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", rename)
    log._connection.set_trace_callback(lambda sql: done.append(sql.split()[0]))
    sha256 = keep(log, entry.id, drum, 1, takes=[make_take(1)]).takes[0].sha256
    names = log.take_path(sha256).parent.name, log.recordings.folder.name, log.path.parent.name  # new folders: up to the log's
    steps = ("sync file", "rename", *(f"sync {name}" for name in names), "INSERT", "COMMIT")
    order = [done.index(step) for step in steps]
    assert order == sorted(order), done
    assert log._connection.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL: a commit outlives a power cut
    assert log._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_documents_cache_heads_and_photographs(log: Log, drum: Drum, keep: Any) -> None:
    entry = log.add_drum(drum, "")
    keep(log, entry.id, drum, 1)
    log.set_note(entry.id, "taps/batter", {"taps": [1, 2.5, None]})
    log.set_note(entry.id, "taps/batter", {"taps": [3]})
    log.set_note(None, "learner", {"level": 2})
    assert log.get_note(entry.id, "taps/batter") == {"taps": [3]} and log.get_note(entry.id, "no") is None
    assert log.get_note(None, "learner") == {"level": 2} and log.notes(entry.id, "taps/") == {"taps/batter": {"taps": [3]}}
    log.keep("setup", b"\x00\xff")
    log.keep("setup", b"\x01")
    assert log.kept("setup") == b"\x01" and log.kept("other") is None
    log.add_head_event(entry.id, "batter", "fitted", kind="10 mil, one ply", happened_at="2026-01-05", words="new")
    log.add_head_event(entry.id, "batter", "played", hours=6.5, happened_at="2026-02-01")
    log.add_head_event(entry.id, "batter", "fault", words="dent at rod 4", happened_at="2026-02-02")
    now = log.heads_now(entry.id)["batter"]
    assert now == {"kind": "10 mil, one ply", "fitted_at": "2026-01-05T00:00:00+00:00", "hours": 6.5,
                   "faults": ["dent at rod 4"]}
    assert [e["what"] for e in log.head_events(entry.id)] == ["fitted", "played", "fault"]
    log.add_head_event(entry.id, "batter", "fitted", kind="12 mil", happened_at="2026-02-03")
    assert log.heads_now(entry.id)["batter"]["hours"] == 0.0 and log.heads_now(entry.id)["batter"]["faults"] == []
    for wrong in ({"head": "side", "what": "fitted"}, {"head": "batter", "what": "lost"},
                  {"head": "batter", "what": "played", "hours": -1.0}):
        with pytest.raises(LogError, match=r"head|hours"):
            log.add_head_event(entry.id, **wrong)
    picture = log.add_photograph(entry.id, b"\xff\xd8 picture", name="edge.jpg", number=1, words="the edge")
    assert log.photographs(entry.id) == log.photographs(entry.id, 1) == (picture,)
    assert log.photograph_bytes(picture.sha256) == b"\xff\xd8 picture"
    with pytest.raises(LogError, match=r"no state 9"):
        log.add_photograph(entry.id, b"x", name="x", number=9)
    assert len(list(log.photographs_folder.files())) == 1


def test_the_cache_does_not_grow_without_end(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bothheads.log.beside.CACHE_BYTES", 1000)
    for i in range(10):
        log.keep(f"k{i}", bytes(300))
    assert [log.kept(f"k{i}") is not None for i in range(10)] == [False] * 7 + [True] * 3
    log.keep("large", bytes(5000))
    assert log.kept("large") is not None and log.kept("k9") is None


def test_threads_share_a_log(log: Log, drum: Drum, keep: Any) -> None:
    entry = log.add_drum(drum, "")
    wrong: list[BaseException] = []

    def work(base: int) -> None:
        try:
            for i in range(8):
                state = keep(log, entry.id, drum, base + i)
                assert log.state(entry.id, state.number).remark == f"=seed {base + i}, naïve ♪"
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=work, args=(100 * n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong
    assert sorted(s.remark for s in log.states(entry.id)) == sorted(
        f"=seed {100 * n + i}, naïve ♪" for n in range(4) for i in range(8))
    assert [s.number for s in log.states(entry.id)] == list(range(1, 33))


def test_where_the_log_lies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BOTHHEADS_LOG", str(tmp_path / "mine.sqlite"))
    assert store.default_path() == tmp_path / "mine.sqlite"
    with open_log() as log:
        assert log.path == tmp_path / "mine.sqlite"
    monkeypatch.delenv("BOTHHEADS_LOG")
    assert store.default_path().name == "log.sqlite" and "bothheads" in store.default_path().parts


def test_a_closed_log_says_so(log: Log) -> None:
    log.close()
    log.close()
    with pytest.raises(LogError, match=r"was closed: open it again"):
        log.drums()


def test_times_are_brought_to_one_form() -> None:
    assert moment("2026-03-14") == "2026-03-14T00:00:00+00:00"
    assert moment("2026-03-14T20:30:00.5-05:00") == "2026-03-15T01:30:00.500000+00:00"
    for text in ("yesterday", "", "2026-13-01", "0001-01-01T00:00:00+14:00"):
        with pytest.raises(LogError, match=r"is not a time"):
            moment(text)


def test_half_characters_of_odd_file_names_are_replaced(log: Log, drum: Drum, keep: Any) -> None:
    entry = log.add_drum(drum, "")
    assert keep(log, entry.id, drum, 1, remark="a\udcffb\x00").remark == "a?b\ufffd"


def test_a_file_cleared_away_under_a_take_is_written_again(tmp_path: Path) -> None:
    """A check in another process may clear a temporary file away before it gets its name."""
    vault = Vault(tmp_path / "v")
    staged = vault.stage(b"sound")
    staged.path.unlink()
    assert vault.settle(staged, lambda: b"sound")
    assert vault.read(staged.sha256) == b"sound"
