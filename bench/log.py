"""The log at size: opening and listing with 100,000 takes, a thousand takes out and in again, two writers for a minute.

    python bench/log.py [--cases 100000] [--takes 1000] [--writers 60] [--seed 1] [--folder DIR] [--out log.json]

``--cases`` is the number of takes in the large log, ``--takes`` those of the round trip, ``--writers`` the seconds
for which two processes write at once. A disk that is really full is tried where a small one can be mounted.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from bothheads.log.check import check
from bothheads.log.export import export_log, import_log
from bothheads.log.store import Log, TakeInput, open_log
from bothheads.records import Drum, Head, Turn

DRUM = Drum("Street bass", 0.6604, 0.3048, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0))


def recording(rng: random.Random, size: int) -> TakeInput:
    data = b"fLaC" + rng.randbytes(size)
    return TakeInput(data, ("seat", "front"), 48000, size, "2026-03-14T20:30:00+00:00", "strike.wav")


def reading(rng: random.Random, partials: int = 20) -> dict[str, Any]:
    """As large as a reading of one strike."""
    heard = [{"frequency_hz": rng.uniform(30, 300), "frequency_sd_hz": rng.random(), "decay_s": rng.uniform(0.1, 2),
              "decay_sd_s": rng.random(), "level_db": [rng.uniform(-40, 0)] * 2, "strikes": 1} for _ in range(partials)]
    return {"schema": "bothheads.reading/1", "partials": heard, "strikes": [{"onset_s": 0.1, "partials": heard}],
            "note": {"frequency_hz": rng.uniform(40, 90), "t60_s": rng.uniform(0.5, 3), "name": "B1+7"}}


def best_ms(act: Callable[[], Any], repeat: int = 7) -> float:
    """Median time [ms] of several runs."""
    times = []
    for _ in range(repeat):
        begin = time.perf_counter()
        act()
        times.append(1000 * (time.perf_counter() - begin))
    return statistics.median(times)


def fill(log: Log, count: int, rng: random.Random) -> None:
    """A large log: most states straight as rows with a reading each (their recordings are not looked at by a listing)."""
    first, second = log.add_drum(DRUM, "").id, log.add_drum(Drum("Hall bass", 0.5, 0.35, DRUM.batter, DRUM.resonant), "").id
    log.add_state(first, drum=DRUM, turns=(Turn("batter", 0.5),), takes=[recording(rng, 2000)], reading=reading(rng), fit=None,
                  remark="the pattern")
    texts = [json.dumps(reading(rng)) for _ in range(50)]
    with log._writing() as db:
        for number in range(2, count + 1):
            drum_id, n = (first, number - number // 4) if number % 4 else (second, number // 4)
            row = db.execute(
                "INSERT INTO states (uuid, drum_id, number, made_at, place, remark, changed_at, drum, reading, note_hz, "
                "note_name, t60_s, batter_tension, resonant_tension) SELECT ?, ?, ?, made_at, 'shed', ?, changed_at, drum, "
                "?, ?, 'B1', 1.0, 600.0, 400.0 FROM states WHERE id = 1",
                (f"{number:036d}", drum_id, n, f"state {number}", texts[number % 50], 40.0 + number % 50))
            db.execute("INSERT INTO turns VALUES (?, 0, 'batter', NULL, 0.125)", (row.lastrowid,))
            db.execute("INSERT INTO takes (uuid, state_id, position, sha256, channels, sample_rate_hz, frames, recorded_at) "
                       "SELECT ?, ?, 0, sha256, channels, sample_rate_hz, frames, recorded_at FROM takes WHERE id = 1",
                       (f"{number:036d}", row.lastrowid))


def large(folder: Path, count: int, rng: random.Random) -> dict[str, Any]:
    """Times [ms] of opening and of every listing with ``count`` takes."""
    path = folder / "large.sqlite"
    with open_log(path) as log:
        fill(log, count, rng)
    out: dict[str, Any] = {"takes": count, "megabytes": path.stat().st_size / 1e6}
    out["open_ms"] = best_ms(lambda: open_log(path).close())
    out["open_readonly_ms"] = best_ms(lambda: open_log(path, readonly=True).close())
    with open_log(path) as log:
        states = log.drum(1).states
        out["drums_ms"] = best_ms(log.drums)
        out["find_drum_ms"] = best_ms(lambda: log.find_drum("street bass"))
        out["last_state_ms"] = best_ms(lambda: log.last_state(1))
        out["summaries_50_ms"] = best_ms(lambda: log.state_summaries(1, 50, 0))
        out["summaries_50_middle_ms"] = best_ms(lambda: log.state_summaries(1, 50, states // 2))
        out["summaries_1000_ms"] = best_ms(lambda: log.state_summaries(1))
        out["summaries_all_ms"] = best_ms(lambda: log.state_summaries(1, None))
        out["summaries_all_rows"] = len(log.state_summaries(1, None))
        out["states_100_ms"] = best_ms(lambda: log.states(1, limit=100, newest_first=True))
        out["states_1000_ms"] = best_ms(lambda: log.states(1, limit=1000), 3)
        out["add_state_ms"] = best_ms(lambda: log.add_state(1, drum=DRUM, takes=[recording(rng, 200_000)],
                                                            reading=reading(rng), fit=None))
    return out


def round_trip(folder: Path, takes: int, rng: random.Random) -> dict[str, Any]:
    """Hashes of a log exported, imported elsewhere and exported again."""
    with open_log(folder / "a.sqlite") as log:
        log.add_drum(DRUM, "by hand")
        for _ in range(takes):
            log.add_state(1, drum=DRUM, turns=(Turn("batter", 0.125),), reading=reading(rng), fit=None,
                          takes=[recording(rng, rng.randint(1000, 90_000))], remark="naïve ♪")
        log.update_state(1, 2, remark="corrected")
        begin = time.perf_counter()
        first = export_log(log, folder / "a.zip")
        out: dict[str, Any] = {"takes": first.takes, "megabytes": first.bytes / 1e6, "export_s": time.perf_counter() - begin}
        with open_log(folder / "b.sqlite") as other:
            begin = time.perf_counter()
            out["imported_takes"] = import_log(other, folder / "a.zip").takes
            out["import_s"] = time.perf_counter() - begin
            second = export_log(other, folder / "b.zip")
            out["states_equal"] = log.states(1) == other.states(1)
            out["bytes_equal"] = all(log.take_bytes(t.sha256) == other.take_bytes(t.sha256)
                                     for s in log.states(1) for t in s.takes)
    out |= {"sha256": first.sha256, "sha256_again": second.sha256, "identical": first.sha256 == second.sha256}
    begin = time.perf_counter()
    out["check_clean"] = check(folder / "b.sqlite").clean
    out["check_s"] = time.perf_counter() - begin
    return out


def _write(path: Path, name: str, seconds: float, said: Any) -> None:
    rng, count, longest = random.Random(name), 0, 0.0
    with open_log(path) as log:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            begin = time.perf_counter()
            log.add_state(1, drum=DRUM, takes=[recording(rng, 20_000)], reading=None, fit=None, remark=f"{name} {count}")
            longest = max(longest, time.perf_counter() - begin)
            count += 1
    said.put((name, count, longest))


def two_writers(folder: Path, seconds: float) -> dict[str, Any]:
    """Two processes write states into one log; every one that was acknowledged must be there, in its order."""
    path = folder / "shared.sqlite"
    with open_log(path) as log:
        log.add_drum(DRUM, "")
    context = get_context("spawn")
    said = context.Queue()
    both = [context.Process(target=_write, args=(path, name, seconds, said)) for name in ("left", "right")]
    for process in both:
        process.start()
    results = [said.get() for _ in both]
    for process in both:
        process.join()
    with open_log(path) as log:
        remarks = [line.remark for line in log.state_summaries(1, None, newest_first=False)]
    lost = sum([r for r in remarks if r.startswith(name)] != [f"{name} {i}" for i in range(count)] for name, count, _ in results)
    return {"seconds": seconds, "written": {name: count for name, count, _ in results}, "there": len(remarks),
            "writers_with_a_loss": lost, "longest_wait_s": max(r[2] for r in results), "check_clean": check(path).clean}


FULL = """
import os, sys
from bothheads.errors import BothheadsError
sys.path.insert(0, os.path.dirname(sys.argv[2]))
from log import DRUM, recording, reading
from bothheads.log.check import check
from bothheads.log.export import export_log, import_log
from bothheads.log.store import open_log
import json, random
rng, kept, words = random.Random(1), [], []
path = sys.argv[1] + "/log.sqlite"
with open_log(path) as log:
    log.add_drum(DRUM, "")
    for _ in range(200):
        try:
            take = recording(rng, rng.randint(1, 200_000))
            kept.append(log.add_state(1, drum=DRUM, takes=[take], reading=reading(rng), fit=None))
        except BothheadsError as error:
            words.append(str(error))
    for act in (lambda: export_log(log, sys.argv[1] + "/out.zip"), lambda: import_log(log, sys.argv[3])):
        try:
            act()
            words.append("no refusal")
        except BothheadsError as error:
            words.append(str(error))
    same = list(log.states(1)) == kept
    sound = all(len(log.take_bytes(t.sha256)) for s in kept for t in s.takes)
print(json.dumps({"kept": len(kept), "refused": len(words), "sentences": sorted(set(words)), "kept_are_there": same and sound,
                  "clean": check(path).clean, "left_over": sorted(p for p in os.listdir(sys.argv[1]) if "zip" in p)}))
"""


def full_disk(folder: Path) -> dict[str, Any] | None:
    """A log on a disk of 6 MB that fills up; None where no small disk can be mounted."""
    place = folder / "small"
    place.mkdir()
    script = (f"mount -t tmpfs -o size=6m none {place} && "
              f"exec {sys.executable} - {place} {Path(__file__).resolve()} {folder / 'a.zip'}")
    try:
        done = subprocess.run(["unshare", "-rm", "sh", "-c", script], input=FULL, capture_output=True, text=True, timeout=120,
                              env={**os.environ, "TMPDIR": str(place)})
    except OSError:
        return None
    return json.loads(done.stdout) if done.returncode == 0 else {"error": done.stderr[-300:]}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--takes", type=int, default=1000)
    parser.add_argument("--writers", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1, help="not used: the parts run one after the other")
    parser.add_argument("--folder")
    parser.add_argument("--out")
    options = parser.parse_args()
    rng = random.Random(options.seed)
    with tempfile.TemporaryDirectory(prefix="log-", dir=options.folder) as name:
        folder = Path(name)
        report = {"large": large(folder, options.cases, rng), "round_trip": round_trip(folder, options.takes, rng),
                  "two_writers": two_writers(folder, options.writers), "full_disk": full_disk(folder)}
    for part, values in report.items():
        print(part)
        for key, value in (values or {"not tried": "no small disk can be mounted here"}).items():
            print(f"  {key:24} {value:.2f}" if isinstance(value, float) else f"  {key:24} {value}")
    if options.out:
        Path(options.out).write_text(json.dumps(report, indent=1), encoding="utf-8")
    trip, writers = report["round_trip"], report["two_writers"]
    good = trip["identical"] and trip["states_equal"] and trip["check_clean"] and not writers["writers_with_a_loss"]
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
