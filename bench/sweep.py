"""Sweeps at scale: designs a second, what a second worker brings, memory over time, and what kills cost.

    python bench/sweep.py [--cases N] [--jobs J] [--seed S] [--out FILE.json] [--mixed N]

``--cases`` plain designs (bass drums and toms, both heads, no opening, no muffling) are worked out on 1 and on J workers,
on the process pool and, where Dask is installed, on its cluster; then with a worker killed, with the whole run killed and
taken up again. ``--mixed`` designs with openings and with pads are timed too. Needs numpy and scipy only.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

SOURCE = Path(__file__).resolve().parents[1] / "src"
sys.path.insert(0, str(SOURCE))

DRUM = """
[drum]
name = "plain"
diameter_in = 22
depth_in = 16
[drum.batter]
film_mil = 10
tension = 900
resistance = 3
[drum.resonant]
film_mil = 10
tension = 700
resistance = 3
"""
DRAWS = """
[random]
count = {count}
seed = {seed}
diameter_in = [{diameters}]
depth_in = [{depths}]
batter.tension = {{from = 350, to = 2500, distribution = "log-uniform"}}
resonant.tension = {{from = 0.7, to = 2, distribution = "log-uniform", times = "batter.tension"}}
batter.film_mil = [7, 7.5, 10, 12, 14]
resonant.film_mil = [7, 7.5, 10]
batter.resistance = {{from = 2.5, to = 12, distribution = "log-uniform"}}
resonant.resistance = {{from = 2.5, to = 12, distribution = "log-uniform"}}
"""
OPENING = "resonant.opening_diameter_in = [4, 5, 6]\nresonant.opening_x_m = {from = 0, to = 0.1}\n"
PAD = ('[[drum.muffling]]\nkind = "pad"\nheads = ["batter"]\ny_m = -0.15\nradius_m = 0.06\nmass_kg = 0.03\n'
       "resistance = 60\n")
DIAMETERS, DEPTHS = "10,12,13,14,16,18,20,22,24,26", "8,9,10,11,12,13,14,15,16,17,18"  # inches, 110 shapes


def spec_text(kind: str, count: int, seed: int, diameters: str = DIAMETERS, depths: str = DEPTHS) -> str:
    """The sweep of a kind of designs: plain, opening, pad (bass drums only)."""
    draws = DRAWS.format(count=count, seed=seed, depths=depths, diameters=diameters if kind == "plain" else "18,20,22,24,26")
    return DRUM + (PAD if kind == "pad" else "") + draws + (OPENING if kind == "opening" else "")


def children(pid: int) -> list[int]:
    """Processes below a process, all generations."""
    try:
        own = [int(p) for t in Path(f"/proc/{pid}/task").iterdir() for p in (t / "children").read_text().split()]
    except OSError:
        return []
    return [q for p in own for q in (p, *children(p))]


def resident(pid: int) -> int:
    """Resident bytes of a process, 0 when it is gone."""
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return 0


class Watch(threading.Thread):
    """Resident bytes of a run and its workers, once every half second, with how far it was."""

    def __init__(self, pid: int, folder: Path) -> None:
        super().__init__(daemon=True)
        self.pid, self.folder = pid, folder
        self.rows: list[tuple[float, int, int]] = []
        self.over = threading.Event()

    def run(self) -> None:
        start = time.monotonic()
        while not self.over.wait(0.5):
            parts = self.folder / "parts"
            done = len(list(parts.glob("part-*"))) if parts.exists() else 0
            self.rows.append((time.monotonic() - start, done, sum(resident(p) for p in (self.pid, *children(self.pid)))))

    def quarters(self, chunks: int) -> tuple[float, float]:
        """Median bytes while the second and the last eighth-to-whole of the chunks were at work: first, last quarter."""
        first = sorted(b for _, done, b in self.rows if chunks / 8 <= done < chunks / 4)
        last = sorted(b for _, done, b in self.rows if 3 * chunks / 4 <= done < chunks)
        return (first[len(first) // 2] if first else 0.0), (last[len(last) // 2] if last else 0.0)


def begin(spec: Path, out: Path, jobs: int, engine: str) -> subprocess.Popen[str]:
    """Starts the command."""
    environment = {**os.environ, "PYTHONPATH": str(SOURCE), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "bothheads", "sweep", str(spec), "--out", str(out), "--jobs", str(jobs),
               "--engine", engine, "--json"]
    return subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def timed(spec: Path, out: Path, jobs: int, engine: str) -> dict[str, Any]:
    """One whole run: seconds, processor seconds, memory, and the hash of its rows."""
    start, before = time.monotonic(), os.times()
    started = begin(spec, out, jobs, engine)
    watch = Watch(started.pid, out)
    watch.start()
    words, errors = started.communicate()
    watch.over.set()
    watch.join()
    after = os.times()
    if started.returncode:
        raise SystemExit(f"{engine} on {jobs} failed: {errors[-2000:]}")
    answer = json.loads(words)
    chunks = json.loads((out / "sweep.json").read_text())["chunks"]
    first, last = watch.quarters(chunks)
    seconds = time.monotonic() - start
    return {"engine": engine, "jobs": jobs, "points": answer["points"], "seconds": seconds, "failed": answer["failed"],
            "processor_s": sum(after[2:4]) - sum(before[2:4]), "a_second": answer["points"] / seconds,
            "first_quarter_mb": first / 1e6, "last_quarter_mb": last / 1e6, "sha256": rows_hash(Path(answer["results"]))}


def rows_hash(path: Path) -> str:
    """Hash of a file of results, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def with_kills(spec: Path, out: Path, jobs: int, engine: str, *, whole: bool) -> dict[str, Any]:
    """A run in which a worker (or all of it, then taken up again) is killed when a third is done."""
    started = begin(spec, out, jobs, engine)
    parts = out / "parts"

    def kept() -> int:
        return len(list(parts.glob("part-*"))) if parts.exists() else 0

    while not (out / "sweep.json").exists() and started.poll() is None:
        time.sleep(0.05)
    chunks = json.loads((out / "sweep.json").read_text())["chunks"]
    while started.poll() is None and kept() < max(1, chunks // 3):
        time.sleep(0.02)
    at_kill = kept()
    if whole:
        started.kill()
    else:
        workers = [p for p in children(started.pid) if "tracker" not in command_of(p)]
        if workers:
            os.kill(max(workers, key=resident), signal.SIGKILL)
    words, errors = started.communicate()
    start = time.monotonic()
    if whole:
        at_kill = kept()
        started = begin(spec, out, jobs, engine)
        words, errors = started.communicate()
    if started.returncode:
        raise SystemExit(f"{engine} after a kill failed: {errors[-2000:]}")
    answer = json.loads(words)
    return {"engine": engine, "killed": "run" if whole else "worker", "chunks": chunks, "chunks_kept_at_kill": at_kill,
            "points_kept": answer["kept_from_before"], "failed": answer["failed"], "seconds_after": time.monotonic() - start,
            "sha256": rows_hash(Path(answer["results"]))}


def command_of(pid: int) -> str:
    """Command line of a process."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        return ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=4000, help="plain designs of every run")
    parser.add_argument("--mixed", type=int, default=64, help="designs with openings, and with pads")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", default="speed,kills,mixed", help="which parts to run")
    parser.add_argument("--diameters", default=DIAMETERS, help="inches; a million designs have 9,000 to each of 110 shapes, "
                        "so fewer shapes make a small run more like it")
    parser.add_argument("--depths", default=DEPTHS)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    from bothheads.runs.cluster import is_installed

    engines = ["pool", *(["cluster"] if is_installed() else [])]
    if len(engines) == 1:
        print("Dask is not installed: its part is left out.")
    result: dict[str, Any] = {"cases": args.cases, "seed": args.seed, "diameters": args.diameters, "depths": args.depths,
                              "load_before": os.getloadavg()}
    with tempfile.TemporaryDirectory(prefix="bench-sweep-") as name:
        folder = Path(name)
        spec = folder / "plain.toml"
        spec.write_text(spec_text("plain", args.cases, args.seed, args.diameters, args.depths), encoding="utf-8")
        if "speed" in args.runs:
            result["speed"] = speed(spec, folder, args.jobs, engines)
        if "kills" in args.runs:
            result["kills"] = kills(spec, folder, args.jobs, engines, result.get("speed"))
        if "mixed" in args.runs and args.mixed:
            result["mixed"] = mixed(folder, args.mixed, args.jobs, args.seed)
    if args.out:
        args.out.write_text(json.dumps(result, indent=1), encoding="utf-8")


def speed(spec: Path, folder: Path, jobs: int, engines: list[str]) -> list[dict[str, Any]]:
    """The table of designs a second, memory and efficiency."""
    print(f"{'engine':8} workers  designs  failed  seconds  designs/s  efficiency  CPU ms/design  RSS MB 1st, last quarter  "
          "a million")
    out = []
    for engine in engines:
        alone = None
        for count in dict.fromkeys((1, jobs)):
            row = timed(spec, folder / f"{engine}-{count}", count, engine)
            alone = alone or row
            row["efficiency_percent"] = 100 * row["a_second"] / (alone["a_second"] * count)
            row["million_min"] = 1e6 / row["a_second"] / 60
            out.append(row)
            grown = 100 * (row["last_quarter_mb"] / row["first_quarter_mb"] - 1) if row["first_quarter_mb"] else float("nan")
            print(f"{engine:8} {count:7d}  {row['points']:7d}  {row['failed']:6d}  {row['seconds']:7.1f}  {row['a_second']:9.1f}  "
                  f"{row['efficiency_percent']:8.1f} %  {1e3 * row['processor_s'] / row['points']:13.2f}  "
                  f"{row['first_quarter_mb']:8.0f} {row['last_quarter_mb']:6.0f} {grown:+5.1f} %  {row['million_min']:6.1f} min",
                  flush=True)
    print(f"the same rows in all runs: {'yes' if len({row['sha256'] for row in out}) == 1 else 'NO'}")
    return out


def kills(spec: Path, folder: Path, jobs: int, engines: list[str], before: list[dict[str, Any]] | None) -> list[dict[str, Any]]:
    """The table of what kills cost; every run must end in the rows of one that was left alone."""
    want = before[0]["sha256"] if before else timed(spec, folder / "calm", jobs, "pool")["sha256"]
    out = []
    print(f"\n{'engine':8} killed  chunks  kept at the kill  points kept  failed  same rows as uninterrupted")
    for engine in engines:
        for whole in (False, True):
            row = with_kills(spec, folder / f"{engine}-kill-{whole}", jobs, engine, whole=whole)
            row["same_rows"] = row["sha256"] == want
            out.append(row)
            print(f"{engine:8} {row['killed']:6}  {row['chunks']:6d}  {row['chunks_kept_at_kill']:16d}  {row['points_kept']:11d}  "
                  f"{row['failed']:6d}  {'yes' if row['same_rows'] else 'NO'}", flush=True)
    return out


def mixed(folder: Path, count: int, jobs: int, seed: int) -> list[dict[str, Any]]:
    """Designs with openings and with pads, on the pool."""
    out = []
    print("\ndesigns   workers  designs/s  failed  CPU ms/design")
    for kind in ("opening", "pad"):
        spec = folder / f"{kind}.toml"
        spec.write_text(spec_text(kind, count, seed), encoding="utf-8")
        row = timed(spec, folder / kind, jobs, "pool")
        out.append(row | {"designs": kind})
        print(f"{kind:9} {jobs:7d}  {row['a_second']:9.2f}  {row['failed']:6d}  {1e3 * row['processor_s'] / row['points']:13.1f}",
              flush=True)
    return out


if __name__ == "__main__":
    main()
