"""SIGKILL at random moments while the log works: what was acknowledged must be there, and a check must be clean.

    python bench/kills.py [--cases 2000] [--jobs 2] [--seed 1] [--folder DIR] [--out kills.json]

Each case forks a child that keeps takes, corrects, migrates, imports, exports or mends without pause and says
after each act that it is done; the parent kills it at a random moment. Then everything said to be done is
compared to the bit, the check must find no damage, and after mending nothing at all.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from bothheads.errors import BothheadsError
from bothheads.log.check import check
from bothheads.log.export import export_log, import_log
from bothheads.log.migrate import copy_path, migrate
from bothheads.log.store import Log, TakeInput, open_log
from bothheads.records import Drum, Head, Turn

DRUM = Drum("Street bass", 0.6604, 0.3048, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0))
Say = Callable[[dict[str, Any]], None]


def recording(seed: int, low: int = 200, high: int = 60_000) -> TakeInput:
    """Bytes that stand for a FLAC file; the log looks at their hash only."""
    rng = random.Random(seed)
    data = b"fLaC" + rng.randbytes(rng.randint(low, high))
    return TakeInput(data, ("seat", "front"), 48000, len(data), "2026-03-14T20:30:00+00:00", f"take-{seed}.wav")


def reading(seed: int, partials: int = 12) -> dict[str, Any]:
    """An object shaped like a reading, large enough to spread over database pages."""
    rng = random.Random(seed)
    heard = [{"frequency_hz": rng.uniform(30, 300), "decay_s": rng.uniform(0.1, 2)} for _ in range(partials)]
    return {"schema": "bothheads.reading/1", "partials": heard,
            "note": {"frequency_hz": rng.uniform(40, 90), "t60_s": rng.uniform(0.5, 3), "name": "B1+7"}}


def keep(log: Log, drum_id: int, seed: int) -> dict[str, Any]:
    """One state with one to three takes; returns what must be found again."""
    rng = random.Random(seed)
    takes = [recording(rng.getrandbits(40)) for _ in range(rng.randint(1, 3))]
    state = log.add_state(drum_id, drum=DRUM, turns=(Turn("batter", rng.choice((-0.25, 0.5))),), takes=takes,
                          reading=reading(seed), fit=None, remark=f"seed {seed}")
    return {"act": "take", "number": state.number, "seed": seed, "sha256": [t.sha256 for t in state.takes]}


# ------------------------------------------------------------------ what the child does until it is killed
def takes(folder: Path, rng: random.Random, say: Say) -> None:
    with open_log(folder / "log.sqlite") as log:
        drum_id = log.drums()[0].id
        while True:
            say(keep(log, drum_id, rng.getrandbits(40)))


def edits(folder: Path, rng: random.Random, say: Say) -> None:
    with open_log(folder / "log.sqlite") as log:
        drum_id = log.drums()[0].id
        last = len(log.revisions(drum_id, 1))
        while True:
            last += 1
            log.update_state(drum_id, 1, remark=f"version {last}", reading=reading(last))
            say({"act": "edit", "version": last})
            log.set_note(drum_id, "rods/batter", {"version": last, "rods": [rng.random() for _ in range(40)]})
            say({"act": "note", "version": last})
            log.add_photograph(drum_id, rng.randbytes(3000), name="a.jpg", number=1)


def opening(folder: Path, rng: random.Random, say: Say) -> None:
    """A new log each time: its creation is what is killed."""
    count = 0
    while True:
        count += 1
        with open_log(folder / f"new-{count}.sqlite") as log:
            log.add_drum(DRUM, "")
        say({"act": "new", "name": f"new-{count}.sqlite"})


def migration(folder: Path, rng: random.Random, say: Say) -> None:
    open_log(folder / "old.sqlite").close()
    say({"act": "migrated"})
    signal.pause()


def importing(folder: Path, rng: random.Random, say: Say) -> None:
    with open_log(folder / "log.sqlite") as log:
        import_log(log, folder / "other.zip")
    say({"act": "imported"})
    signal.pause()


def exporting(folder: Path, rng: random.Random, say: Say) -> None:
    while True:
        with open_log(folder / "log.sqlite", readonly=True) as log:
            export_log(log, folder / "out.zip")
        say({"act": "exported"})


def mending(folder: Path, rng: random.Random, say: Say) -> None:
    """Orphans made and mended, over and over."""
    while True:
        data = rng.randbytes(500)
        name = hashlib.sha256(data).hexdigest()
        place = folder / "log.sqlite.files" / name[:2]
        place.mkdir(exist_ok=True)
        (place / f"{name}.flac").write_bytes(data)
        check(folder / "log.sqlite", mend=True)


# ------------------------------------------------------------------ how it starts, and what must hold afterwards
def prepare(folder: Path, what: str, rng: random.Random) -> None:
    """The folder before the child starts."""
    if not (folder / "log.sqlite").exists():
        with open_log(folder / "log.sqlite") as log:
            drum_id = log.add_drum(DRUM, "name = 'Street bass'").id
            for _ in range(3):
                keep(log, drum_id, rng.getrandbits(40))
    if what == "migration":
        _old_log(folder / "old.sqlite", rng)
    if what == "importing":
        with tempfile.TemporaryDirectory() as other, open_log(Path(other) / "log.sqlite") as log:
            drum_id = log.add_drum(DRUM, "").id
            for _ in range(12):
                keep(log, drum_id, rng.getrandbits(40))
            export_log(log, folder / "other.zip")


def _old_log(path: Path, rng: random.Random) -> None:
    """A log of schema 1 with 150 states, as an earlier version left it."""
    import sqlite3

    for left in path.parent.glob("old.sqlite*"):
        shutil.rmtree(left) if left.is_dir() else left.unlink()
    with open_log(path.with_name("model.sqlite")) as log:
        drum = log.drums()[0] if log.drums() else log.add_drum(DRUM, "")
        for _ in range(max(0, 150 - drum.states)):
            log.add_state(drum.id, drum=DRUM, reading=reading(rng.getrandbits(40), 40), fit=None)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    migrate(db, path, to=1)
    db.execute("ATTACH ? AS m", (str(path.with_name("model.sqlite")),))
    db.execute("BEGIN")
    for table in ("drums", "states", "turns"):
        names = ", ".join(row[1] for row in db.execute(f"PRAGMA main.table_info({table})"))
        db.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM m.{table}")
    db.execute("COMMIT")
    db.close()


def expect(condition: bool, words: str, faults: list[str]) -> None:
    if not condition:
        faults.append(words)


def verify(folder: Path, what: str, said: list[dict[str, Any]], faults: list[str]) -> Counter[str]:
    """Compare what was acknowledged with what is there; anything lost goes into ``faults``."""
    seen: Counter[str] = Counter(acknowledged=len(said))
    path = folder / "log.sqlite"
    found = check(path)
    expect(not found.damaged, f"{what}: {found.words()}", faults)
    seen["orphans"], seen["unfinished"] = len(found.orphans), len(found.unfinished)
    with open_log(path) as log:
        drum = log.drums()[0]
        for entry in said:
            if entry["act"] == "take":
                state = log.state(drum.id, entry["number"])
                expect(state.remark == f"seed {entry['seed']}" and state.reading == reading(entry["seed"]),
                       f"state {entry['number']} is another", faults)
                for sha256, take in zip(entry["sha256"], state.takes, strict=True):
                    expect(take.sha256 == sha256 and hashlib.sha256(log.take_bytes(sha256)).hexdigest() == sha256,
                           f"a take of state {entry['number']} is another", faults)
        versions = [entry["version"] for entry in said if entry["act"] == "edit"]
        if versions:
            at = int(log.state(drum.id, 1).remark.removeprefix("version "))
            expect(versions[-1] <= at <= versions[-1] + 1, f"edit {versions[-1]} said, {at} there", faults)
            expect(len(log.revisions(drum.id, 1)) == at, f"{at} edits but another number of revisions", faults)
        notes = [entry["version"] for entry in said if entry["act"] == "note"]
        if notes:
            there = log.get_note(drum.id, "rods/batter")["version"]
            expect(notes[-1] <= there <= notes[-1] + 1, f"note {notes[-1]} said, {there} there", faults)
    _verify_files(folder, what, said, faults)
    mended = check(path, mend=True)
    expect(check(path).clean, f"{what}: not clean after mending: {mended.words()}", faults)
    return seen


def _verify_files(folder: Path, what: str, said: list[dict[str, Any]], faults: list[str]) -> None:
    acts = {entry["act"] for entry in said}
    if what == "migration":
        old = folder / "old.sqlite"
        with open_log(old) as log:
            expect(log.drums()[0].states == 150 and len(log.state_summaries(1)) == 150, "states lost in migration", faults)
            expect(all(s.note_hz for s in log.state_summaries(1)), "summaries not filled by the migration", faults)
        expect(check(old, mend=True).clean and check(old).clean, "migrated log is not clean", faults)
        copy = copy_path(old, 1)
        expect(copy.exists(), "no copy was made before the migration", faults)
        copied = folder / "copied.sqlite"
        shutil.copy(copy, copied)
        with open_log(copied) as log:
            expect(log.drums()[0].states == 150, "the copy is not whole", faults)
        for left in folder.glob("copied.sqlite*"):
            left.unlink()
    elif what == "importing":
        with open_log(folder / "log.sqlite") as log:
            states = log.drums()[0].states
            before = import_log(log, folder / "other.zip")  # again: brings all, or nothing at all
        expect(before.states in (0, 12), f"half an import: {12 - before.states} of 12 states", faults)
        expect("imported" not in acts or before.states == 0, f"an import said done is gone ({states} states)", faults)
    elif what == "exporting" and ((folder / "out.zip").exists() or "exported" in acts):
        with open_log(folder / "again.sqlite") as log:
            expect(import_log(log, folder / "out.zip").drums == 1, "an export is not whole", faults)
        for left in folder.glob("again.sqlite*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()
    elif what == "opening":
        for path in sorted(folder.glob("new-*.sqlite")):
            said_so = any(entry.get("name") == path.name for entry in said)
            with open_log(path) as log:
                expect(len(log.drums()) == 1 or not said_so, f"{path.name} is empty", faults)
        for left in folder.glob("new-*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()


WORK: dict[str, tuple[Callable[[Path, random.Random, Say], None], float, float]] = {
    # what, weight, longest wait before the kill [s]
    "takes": (takes, 0.40, 0.06), "edits": (edits, 0.20, 0.05), "migration": (migration, 0.12, 0.06),
    "importing": (importing, 0.14, 0.16), "exporting": (exporting, 0.05, 0.05), "opening": (opening, 0.05, 0.04),
    "mending": (mending, 0.04, 0.04),
}


def pace(folder: Path) -> float:
    """How much slower than 4 ms this disk keeps one state: waits before the kill grow with it."""
    with tempfile.TemporaryDirectory(dir=folder) as name, open_log(Path(name) / "log.sqlite") as log:
        drum_id = log.add_drum(DRUM, "").id
        begin = time.perf_counter()
        for seed in range(4):
            keep(log, drum_id, seed)
        return min(max((time.perf_counter() - begin) / 4 / 0.004, 0.5), 10.0)


def kill_once(folder: Path, what: str, rng: random.Random, faults: list[str], slow: float) -> Counter[str]:
    """One child, one kill, one comparison."""
    prepare(folder, what, rng)
    work, _, longest = WORK[what]
    seed, wait = rng.getrandbits(40), rng.uniform(0.0, longest * slow)
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reads)
        try:
            os.write(writes, b"{}\n")
            work(folder, random.Random(seed), lambda entry: os.write(writes, json.dumps(entry).encode() + b"\n") and None)
        except BaseException as error:
            os.write(writes, json.dumps({"act": "error", "words": repr(error)}).encode() + b"\n")
        finally:
            os._exit(1)
    os.close(writes)
    data = os.read(reads, 3)  # it has started
    time.sleep(wait)
    os.kill(child, signal.SIGKILL)
    while block := os.read(reads, 1 << 16):
        data += block
    os.close(reads)
    status = os.waitpid(child, 0)[1]
    said = [json.loads(line) for line in data.decode().splitlines()[1:] if line]
    for entry in said:
        expect(entry["act"] != "error", f"{what}: the child failed: {entry.get('words')}", faults)
    try:
        seen = verify(folder, what, said, faults)
    except BothheadsError as error:  # something that was said to be there cannot be read
        faults.append(f"{what}: {error}")
        seen = Counter(acknowledged=len(said))
    seen["killed"] = int(os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL)
    return seen


def series(job: tuple[int, int, str | None]) -> tuple[dict[str, Counter[str]], list[str]]:
    """A run of kills, a fresh log every 25."""
    seed, cases, where = job
    rng = random.Random(seed)
    totals: dict[str, Counter[str]] = {what: Counter() for what in WORK}
    faults: list[str] = []
    done = 0
    while done < cases:
        with tempfile.TemporaryDirectory(prefix="kills-", dir=where) as name:
            slow = pace(Path(name))
            for _ in range(min(25, cases - done)):
                what = rng.choices(list(WORK), [w for _, w, _ in WORK.values()])[0]
                seen = kill_once(Path(name), what, rng, faults, slow)
                totals[what] += seen
                totals[what]["cases"] += 1
                done += 1
    return totals, faults


def run(cases: int, *, jobs: int = 1, seed: int = 1, folder: str | None = None) -> dict[str, Any]:
    """All kills, in ``folder`` (None: the system's temporary one); the report as a plain object."""
    pieces = [(seed * 1000 + i, min(100, cases - i * 100), folder) for i in range((cases + 99) // 100)]
    totals: dict[str, Counter[str]] = {what: Counter() for what in WORK}
    faults: list[str] = []
    begin = time.perf_counter()
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for part, wrong in (pool.map(series, pieces) if jobs > 1 else map(series, pieces)):
            faults += wrong
            for what, counts in part.items():
                totals[what] += counts
    table = {what: {key: counts[key] for key in ("cases", "killed", "acknowledged", "orphans", "unfinished")}
             for what, counts in totals.items()}
    return {"cases": cases, "seed": seed, "faults": faults, "by_work": table, "seconds": time.perf_counter() - begin}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", help="where the logs lie: a real disk waits for its syncs, /dev/shm does not")
    parser.add_argument("--out")
    options = parser.parse_args()
    report = run(options.cases, jobs=options.jobs, seed=options.seed, folder=options.folder)
    print(f"{'work':12} {'kills':>6} {'killed':>7} {'acknowledged':>13} {'orphans':>8} {'unfinished':>11}")
    for what, row in report["by_work"].items():
        print(f"{what:12} {row['cases']:6} {row['killed']:7} {row['acknowledged']:13} {row['orphans']:8} {row['unfinished']:11}")
    print(f"{report['cases']} kills, {len(report['faults'])} faults, {report['seconds']:.0f} s")
    for fault in report["faults"][:10]:
        print("fault:", fault)
    if options.out:
        Path(options.out).write_text(json.dumps(report, indent=1), encoding="utf-8")
    return 1 if report["faults"] else 0


if __name__ == "__main__":
    sys.exit(main())
