"""One zip of open formats, and back, to the bit; damaged or hostile zips change nothing."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import random
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bothheads.errors import LogError
from bothheads.log.check import check
from bothheads.log.export import export_log, import_log
from bothheads.log.store import Log, open_log
from bothheads.records import Drum


def fill(log: Log, drum: Drum, keep: Any) -> Log:
    for name in ("Street bass", "Große Trommel"):
        entry = log.add_drum(Drum(name, drum.diameter, drum.depth, drum.batter, drum.resonant), f'name = "{name}"\n')
        for seed in range(4):
            keep(log, entry.id, drum, entry.id * 100 + seed)
    log.add_state(1, drum=drum, reading=None, fit=None)
    log.update_state(1, 2, remark="corrected", turns=())
    log.correct_drum(1, drum, "by hand, again")
    log.set_note(1, "rods/batter", {"rods": [1.25, None]})
    log.set_note(None, "learner", {"level": 3})
    log.add_head_event(1, "batter", "fitted", kind="10 mil", hours=2.5)
    log.add_photograph(1, b"\xff\xd8 edge", name="edge.JPG", number=1)
    log.add_photograph(2, b"\xff\xd8 whole", name="no ending")
    log.keep("cache", b"not exported")
    return log


@pytest.fixture
def filled(log: Log, drum: Drum, keep: Any) -> Log:
    return fill(log, drum, keep)


@pytest.fixture(scope="module")
def good(drum: Drum, keep: Any, quick_disk: str | None) -> Iterator[Path]:
    """An export as it should be."""
    with tempfile.TemporaryDirectory(dir=quick_disk) as name:
        with open_log(Path(name) / "log.sqlite") as log:
            export_log(fill(log, drum, keep), Path(name) / "good.zip")
        yield Path(name) / "good.zip"


def snapshot(log: Log) -> tuple[Any, ...]:
    rows = tuple(tuple(log._rows(f"SELECT * FROM {table} ORDER BY 1, 2")) for table in
                 ("drums", "states", "turns", "takes", "recordings", "state_revisions", "drum_revisions", "notes",
                  "head_events", "photographs", "drum_aliases"))
    files = sorted(str(p) for v in (log.recordings, log.photographs_folder) for p in v.folder.rglob("*") if p.is_file())
    return rows, tuple(files)


def test_round_trip_to_the_bit(filled: Log, tmp_path: Path) -> None:
    first = export_log(filled, tmp_path / "a.zip")
    assert (first.drums, first.states, first.photographs, first.missing) == (2, 9, 2, ())
    with open_log(tmp_path / "there" / "log.sqlite") as other:
        brought = import_log(other, tmp_path / "a.zip")
        assert (brought.drums, brought.states, brought.takes, brought.photographs) == (2, 9, first.takes, 2)
        assert brought.warnings == []
        second = export_log(other, tmp_path / "b.zip")
        for mine, theirs in zip(filled.drums(), other.drums(), strict=True):
            assert (mine.name, mine.drum, mine.toml, mine.added_at) == (theirs.name, theirs.drum, theirs.toml, theirs.added_at)
            assert filled.states(mine.id) == other.states(theirs.id)
            assert [r.state for r in filled.revisions(mine.id, 2)] == [r.state for r in other.revisions(theirs.id, 2)]
        assert other.get_note(1, "rods/batter") == {"rods": [1.25, None]} and other.get_note(None, "learner") == {"level": 3}
        assert other.heads_now(1) == filled.heads_now(1)
        assert other.photograph_bytes(other.photographs(1, 1)[0].sha256) == b"\xff\xd8 edge"
        assert other.kept("cache") is None
    assert first.sha256 == second.sha256 == hashlib.sha256((tmp_path / "b.zip").read_bytes()).hexdigest()
    assert check(tmp_path / "there" / "log.sqlite").clean
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.zip", "b.zip", "log.sqlite", "log.sqlite-shm", "log.sqlite-wal",
                                                          "log.sqlite.files", "there"]


def test_importing_twice_brings_nothing(filled: Log, tmp_path: Path) -> None:
    export_log(filled, tmp_path / "a.zip")
    before = snapshot(filled)
    again = import_log(filled, tmp_path / "a.zip")
    assert (again.drums, again.states, again.takes, again.corrected, again.kept_aside) == (0, 0, 0, 0, 0)
    assert snapshot(filled) == before


def test_the_zip_can_be_read_without_us(filled: Log, tmp_path: Path) -> None:
    report = export_log(filled, tmp_path / "a.zip")
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        names = archive.namelist()
        manifest = json.loads(archive.read("manifest.json"))
        assert set(manifest["files"]) == set(names) - {"manifest.json"}
        for name, entry in manifest["files"].items():
            assert hashlib.sha256(archive.read(name)).hexdigest() == entry["sha256"]
        readme = archive.read("README.txt").decode()
        for kind in ("drums.csv", "drum.toml", "states/", "takes/", "photographs/", "notes.json", "manifest.json"):
            assert kind in readme
        table = list(csv.DictReader(io.StringIO(archive.read("states.csv").decode())))
        assert [row["state"] for row in table] == ["1", "2", "3", "4", "5", "1", "2", "3", "4"]
        state = filled.state(1, 1)
        assert float(table[0]["drum_note_hz"]) == state.reading["note"]["frequency_hz"]
        assert table[0]["remark"] == "'" + state.remark  # begins with '=': no formula in a spreadsheet
        assert table[0]["place"] == state.place
        takes = list(csv.DictReader(io.StringIO(archive.read("takes.csv").decode())))
        assert len(takes) == report.takes and all(row["file"] in names for row in takes)
        (folder,) = [f for f in manifest["drums"] if "grosse" in f or "groe" in f]
        assert archive.read(f"{folder}/drum.toml").decode() == 'name = "Große Trommel"\n'
        assert {i.date_time for i in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_a_single_drum(filled: Log, tmp_path: Path) -> None:
    assert export_log(filled, tmp_path / "a.zip", ["große trommel"]).drums == 1
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        assert "notes.json" not in archive.namelist()
        assert sum("drum.json" in name for name in archive.namelist()) == 1
    with pytest.raises(LogError, match=r"no drum 'none'"):
        export_log(filled, tmp_path / "b.zip", ["none"])
    assert not (tmp_path / "b.zip").exists()


def test_a_lost_recording_does_not_stop_an_export(filled: Log, tmp_path: Path) -> None:
    sha256 = filled.state(1, 1).takes[0].sha256
    filled.take_path(sha256).unlink()
    assert export_log(filled, tmp_path / "a.zip").missing == (f"takes/{sha256}.flac",)
    with open_log(tmp_path / "there.sqlite") as other:
        import_log(other, tmp_path / "a.zip")
        assert other.state(1, 1) == filled.state(1, 1)
    assert [Path(p).stem for p in check(tmp_path / "there.sqlite").missing] == [sha256]


def test_places_that_cannot_be_written(filled: Log, tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"cannot be written"):
        export_log(filled, tmp_path / "no" / "where" / "a.zip")
    export_log(filled, tmp_path / "a.zip")
    with open_log(tmp_path / "log.sqlite", readonly=True) as log, pytest.raises(LogError, match=r"can only be read"):
        import_log(log, tmp_path / "a.zip")
    with pytest.raises(LogError, match=r"there is no file .*none.zip"):
        import_log(filled, tmp_path / "none.zip")
    with pytest.raises(LogError, match=r"cannot be read"):
        import_log(filled, tmp_path)


# ------------------------------------------------------------------ zips from somebody else
def rewrite(source: Path, target: Path, change: Callable[[dict[str, bytes]], None], *, manifest: bool = True) -> Path:
    """A copy of an export with members changed, its manifest made to agree unless told otherwise."""
    with zipfile.ZipFile(source) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    if manifest:
        m = json.loads(members["manifest.json"])
        m["files"] = {n: {"bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for n, d in members.items()
                      if n != "manifest.json"}
        members["manifest.json"] = json.dumps(m).encode()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return target


def first(members: dict[str, bytes], part: str) -> str:
    return sorted(name for name in members if part in name)[0]


def edit(part: str, key: str, value: Any) -> Callable[[dict[str, bytes]], None]:
    def change(members: dict[str, bytes]) -> None:
        name = first(members, part)
        document = json.loads(members[name])
        target = document
        *path, last = key.split(".")
        for step in path:
            target = target[int(step)] if step.isdigit() else target[step]
        target[last] = value
        members[name] = json.dumps(document).encode()
    return change


def put(name: str, data: bytes) -> Callable[[dict[str, bytes]], None]:
    return lambda members: members.update({name: data})


def drop(part: str) -> Callable[[dict[str, bytes]], None]:
    return lambda members: members.pop(first(members, part)) and None


HOSTILE: dict[str, tuple[Callable[[dict[str, bytes]], None], str]] = {
    "climbs out": (put("../../evil.flac", b"x"), r"'\.\./\.\./evil\.flac' is no part of an export"),
    "absolute": (put("/etc/passwd", b"x"), r"is no part of an export"),
    "backslashes": (put("takes\\..\\..\\evil", b"x"), r"is no part of an export"),
    "drive": (put("C:evil", b"x"), r"is no part of an export"),
    "bomb": (put("drums/bomb/drum.json", bytes(63_000_000)), r"would unpack to 63 MB"),
    "large": (put("drums/bomb/drum.json", random.Random(1).randbytes(100) * 650_000), r"too large|would unpack"),
    "wrong recording": (lambda m: m.update({first(m, "takes/"): b"fLaC another"}), r"a recording or photograph in it is damaged"),
    "recording gone": (drop("takes/"), r"'takes/.*' is missing"),
    "state gone": (drop("states/00001"), r"."),
    "drum gone": (drop("drum.json"), r"drum\.json' is missing"),
    "no json": (lambda m: m.update({first(m, "drum.json"): b"{"}), r"is not JSON"),
    "not utf-8": (lambda m: m.update({first(m, "drum.json"): b"\xff\xfe"}), r"is not JSON"),
    "infinity": (lambda m: m.update({first(m, "states/"): b'{"schema": Infinity}'}), r"is not JSON"),
    "deep": (lambda m: m.update({first(m, "drum.json"): b"[" * 100_000 + b"]" * 100_000}), r"is not JSON|would unpack"),
    "a list": (lambda m: m.update({first(m, "drum.json"): b"[]"}), r"is not what its name says"),
    "uuid": (edit("drum.json", "uuid", "1; DROP TABLE drums"), r"are not whole"),
    "no name": (edit("drum.json", "name", " "), r"cannot be a drum's name"),
    "number for text": (edit("drum.json", "toml", 5), r"a str is missing"),
    "impossible drum": (edit("drum.json", "drum.diameter_m", -1.0), r"are not whole"),
    "no drum": (edit("drum.json", "drum", {}), r"are not whole"),
    "revision": (edit("drum.json", "revisions", [{"document": None}]), r"are not whole"),
    "head": (edit("drum.json", "head_events", [{"uuid": "x"}]), r"are not whole"),
    "state number": (edit("states/00001", "number", "one"), r"are not whole"),
    "state reading": (edit("states/00001", "reading", [1]), r"are not whole"),
    "state time": (edit("states/00001", "made_at", "then"), r"is not a time"),
    "turn": (edit("states/00001", "turns", [{"head": "side", "turns": 1.0}]), r"a turn names a head"),
    "take path": (edit("states/00001", "takes.0.file", "../../evil"), r"in a way that no export does"),
    "take hash": (edit("states/00001", "takes.0.sha256", "0" * 64), r"in a way that no export does"),
    "take rate": (edit("states/00001", "takes.0.sample_rate_hz", -5), r"are not whole"),
    "take channels": (edit("states/00001", "takes.0.channels", {"a": 1}), r"are not whole"),
    "settings": (edit("states/00001", "settings", {"a": {}}), r"are not whole"),
    "newer": (edit("manifest.json", "schema", "bothheads.export/2"), r"made by a newer version"),
    "other": (edit("manifest.json", "schema", 3), r"not one of an export"),
    "folders": (edit("manifest.json", "drums", [{}]), r"its manifest is not whole"),
    "no manifest": (lambda m: m.clear() or m.update({"README.txt": b"x"}), r"no manifest\.json"),  # type: ignore[func-returns-value]
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_zip_that_is_not_as_it_should_be_changes_nothing(good: Path, tmp_path: Path, what: str) -> None:
    change, words = HOSTILE[what]
    bad = rewrite(good, tmp_path / "bad.zip", change, manifest=what not in ("newer", "other", "folders", "no manifest"))
    with open_log(tmp_path / "new" / "log.sqlite") as other:
        before = snapshot(other)
        if what == "state gone":  # the manifest agrees: a log with one state less is a log
            assert import_log(other, bad).states == 8
            return
        with pytest.raises(LogError, match=words):
            import_log(other, bad)
        assert snapshot(other) == before
    assert check(tmp_path / "new" / "log.sqlite").clean
    assert not list(tmp_path.rglob("evil*"))


def test_the_same_zip_packed_again_is_welcome(good: Path, tmp_path: Path) -> None:
    again = rewrite(good, tmp_path / "again.zip", lambda members: None, manifest=False)
    with open_log(tmp_path / "new.sqlite") as other:
        assert import_log(other, again).states == 9


def test_members_that_its_manifest_does_not_name(good: Path, tmp_path: Path) -> None:
    bad = rewrite(good, tmp_path / "bad.zip", put("drums/x/drum.toml", b""), manifest=False)
    with open_log(tmp_path / "new.sqlite") as other, pytest.raises(LogError, match=r"missing from it or were added"):
        import_log(other, bad)


def test_cut_short_or_flipped_anywhere(good: Path, tmp_path: Path) -> None:
    """Every cut is refused; a flipped byte is refused, or hits something that no state depends on."""
    data = good.read_bytes()
    rng = random.Random(5)
    with open_log(tmp_path / "new.sqlite") as other:
        empty = snapshot(other)
        for cut in [0, 1, 30, len(data) // 2, len(data) - 30, len(data) - 1, *(rng.randrange(len(data)) for _ in range(10))]:
            (tmp_path / "bad.zip").write_bytes(data[:cut])
            with pytest.raises(LogError, match=r"cut short or no zip|cannot be brought in"):
                import_log(other, tmp_path / "bad.zip")
            assert snapshot(other) == empty
    for n in range(30):
        at, bit = rng.randrange(len(data)), 1 << rng.randrange(8)
        (tmp_path / "bad.zip").write_bytes(data[:at] + bytes([data[at] ^ bit]) + data[at + 1:])
        with open_log(tmp_path / f"flip-{n}.sqlite") as other:
            try:
                import_log(other, tmp_path / "bad.zip")
            except LogError:
                assert snapshot(other)[0] == empty[0]
            else:
                assert [len(other.states(1)), len(other.states(2))] == [5, 4]
        assert check(tmp_path / f"flip-{n}.sqlite").clean
