"""The streaming reader: how soon, how right, how much.

    python bench/live.py [--cases N] [--jobs J] [--seed S] [--minutes M] [--out FILE.json]

One core is simulated: blocks of 2048 frames arrive at the pace of the sound, all work is done within ``feed``, and the clock
goes on by the CPU time it took. ``strike_ms``: from the onset to the word that something was struck. ``first_ms``: from
0.6 s after the onset to the first reading. Scenes are those of ``bench/onsets.py`` (24 s, hum, swells, pedal clicks, strokes
60 ms apart) at 40 dB; their strikes are set against ``find_strikes`` on the whole scene. Recordings: the shipped ones behind
a second of noise; readings are set against ``read`` of the same samples. Memory and CPU: M minutes of noise with and without
a strike every 10 s.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from numpy.typing import NDArray
from onsets import RATE_HZ, scene, strike

Array = NDArray[np.float64]
BLOCK = 2048
WITHIN_S = 0.005
RECORDINGS = Path(__file__).resolve().parents[1] / "tests" / "data" / "recordings"


def listened(x: Array, rate: int) -> list[tuple[Any, float]]:
    """Events of the streaming reader with the time [s] at which each is known on one core."""
    from bothheads import session

    reader = session.live_reader(rate, tuple(f"ch{i + 1}" for i in range(x.shape[1])))
    clock, out = 0.0, []
    for at in range(0, len(x) + BLOCK, BLOCK):
        block = x[at : at + BLOCK]
        clock = max(clock, (at + len(block)) / rate)
        begun = time.process_time()
        events = reader.feed(block, frame=at) if len(block) else reader.finish()
        clock += time.process_time() - begun
        out += [(e, clock) for e in events]
        if not len(block):
            break
    return out


def delays(told: list[tuple[Any, float]]) -> dict[str, list[float]]:
    """[ms] of the two words that must come soon."""
    return {"strike_ms": [1e3 * (at - e.at_s) for e, at in told if e.kind == "strike"],
            "first_ms": [1e3 * (at - e.at_s - 0.6) for e, at in told if e.kind == "first" and not e.final]}


def one_scene(seed: int) -> dict[str, Any]:
    """Delays of a scene, and its strikes against those of the whole."""
    from bothheads.sound.strikes import find_strikes

    truth = scene(seed, 40.0, channels=1 + seed % 2)
    told = listened(truth.samples, RATE_HZ)
    gone = {e.number for e, _ in told if e.kind == "withdrawn"}
    live = [e.at_s for e, _ in told if e.kind == "strike" and e.number not in gone]
    whole = [s.onset_s for s in find_strikes(truth.samples, RATE_HZ)]
    return {**delays(told), "live": len(live), "file": len(whole), "withdrawn": len(gone), "true": len(truth.onset_s),
            "file_only": _alone(whole, live), "live_only": _alone(live, whole),
            "true_missed": _alone(truth.onset_s, live), "invented": _alone(live, truth.onset_s)}


def _alone(these: list[float], those: list[float]) -> int:
    return sum(not any(abs(a - b) < WITHIN_S * 3 for b in those) for a in these)


def one_recording(path: str) -> dict[str, Any]:
    """Delays of a recording, and its readings against those of the file [cents, per partial within 12 dB]."""
    from bothheads.sound.audio import read_audio
    from bothheads.sound.reading import read_samples

    sound = read_audio(path)
    rate = sound.sample_rate_hz
    x = np.concatenate([np.zeros((rate, sound.samples.shape[1])), sound.samples])
    x = np.rint((x + 3e-5 * np.random.default_rng(1).standard_normal(x.shape)) * 2**23) / 2**23  # as a file holds them
    told = listened(x, rate)
    said = {e.kind: e for e, _ in told}
    out: dict[str, Any] = {"file": Path(path).stem, **delays(told), "kinds": [e.kind for e, _ in told]}
    for kind, quick in (("first", True), ("refined", False)):
        event = said.get(kind)
        if event is not None:
            held = read_samples(x[: event.window_end], rate, quick=quick)
            out[f"{kind}_cents"] = _apart(event.reading, held)
            out[f"{kind}_note_cents"] = _cents(event.reading.note.frequency_hz, held.note.frequency_hz)
    return out


def _apart(live: Any, held: Any) -> list[float]:
    strong = [p.frequency_hz for p in held.partials if max(p.level_db) > -12.0]
    return [min((abs(1200 * np.log2(p.frequency_hz / f)) for p in live.partials), default=9999.0) for f in strong]


def _cents(a: float | None, b: float | None) -> float | None:
    if a is None or b is None:
        return None if (a is None) == (b is None) else 9999.0
    return float(abs(1200 * np.log2(a / b)))


def resident_mb() -> float:
    """Resident memory of this process [MB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def endurance(job: tuple[float, bool, int]) -> dict[str, Any]:
    """Memory every tenth of the time and the share of one core, over minutes of noise with or without strikes."""
    from bothheads import session

    minutes, struck, seed = job
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1e-4, (10 * RATE_HZ, 2))
    ten = noise.copy()
    if struck:
        wave = 0.3 * strike(rng)
        ten[RATE_HZ : RATE_HZ + len(wave)] += wave[:, None]
    reader = session.live_reader(RATE_HZ, ("left", "right"))
    begun, count, rows = time.process_time(), 0, []
    rounds = max(2, round(6 * minutes))
    for i in range(rounds):
        for at in range(0, len(ten), BLOCK):
            count += sum(e.kind == "first" for e in reader.feed(ten[at : at + BLOCK]))
        if i % max(1, rounds // 10) == 0:
            rows.append(round(resident_mb(), 1))
    spent = time.process_time() - begun
    return {"struck": struck, "minutes": rounds / 6, "first_readings": count, "expected": rounds if struck else 0,
            "memory_mb": rows, "share_of_a_core": spent / (10.0 * rounds)}


def quantiles(values: list[float]) -> dict[str, float]:
    """Count, median, 95th percentile, worst."""
    v = np.array(values or [np.nan])
    return {"count": len(values), "p50": float(np.median(v)), "p95": float(np.percentile(v, 95)), "max": float(v.max())}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=12)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    with ProcessPoolExecutor(max_workers=options.jobs) as pool:
        scenes = list(pool.map(one_scene, range(options.seed, options.seed + options.cases)))
        files = list(pool.map(one_recording, [str(p) for p in sorted(RECORDINGS.glob("*.flac"))]))
    with ProcessPoolExecutor(max_workers=options.jobs, max_tasks_per_child=1) as pool:
        long = list(pool.map(endurance, [(options.minutes, s, options.seed) for s in (False, True)]))
    result: dict[str, Any] = {
        "strike_ms": quantiles([v for r in (*scenes, *files) for v in r["strike_ms"]]),
        "first_ms": quantiles([v for r in (*scenes, *files) for v in r["first_ms"]]),
        "first_ms_scenes": quantiles([v for r in scenes for v in r["first_ms"]]),
        "first_ms_recordings": quantiles([v for r in files for v in r["first_ms"]]),
        **{k: sum(r[k] for r in scenes) for k in ("true", "file", "live", "file_only", "live_only", "withdrawn", "true_missed",
                                                   "invented")},
        **{f"{k}_cents": quantiles([v for r in files for v in r.get(f"{k}_cents", [])]) for k in ("first", "refined")},
        "recordings": files, "endurance": long,
    }
    for key, value in result.items():
        if key not in ("recordings", "endurance"):
            print(f"{key:20s} {value if not isinstance(value, dict) else {k: round(v, 1) for k, v in value.items()}}")
    for r in files:
        print(f"{r['file']:22s} {' '.join(r['kinds']):28s} first {[round(v, 2) for v in r.get('first_cents', [])]} "
              f"refined {[round(v, 2) for v in r.get('refined_cents', [])]}")
    for r in long:
        print(r)
    if options.out:
        options.out.write_text(json.dumps(result, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
