"""Gliding takes of a non-linear simulation: errors of resting pitch and decay, cover, misses, inventions, glide, CPU.

usage: python bench/gliding.py FOLDER [--cases N] [--jobs J] [--seed S] [--out FILE.json] [--quick] [--verbose]
FOLDER holds gliding.json and its *.flac (or a folder of that name beside it); --seed picks which N takes.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from types import SimpleNamespace
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "src"))

import numpy as np

TOLERANCE_CENTS = 35.0  # farther from every answer: missed
STRONG_DB = -15.0  # 40 ms after the touch


def one(name_and_truth: tuple[str, dict[str, Any]], *, folder: Path, quick: bool) -> dict[str, Any]:
    """Read one take at its true onsets."""
    from bothheads.sound.audio import read_audio
    from bothheads.sound.reading import read_spans

    name, truth = name_and_truth
    path = next(p for p in (folder / truth["file"], folder / Path(truth["file"]).name) if p.exists())
    recording = read_audio(path)
    x, rate = recording.samples, recording.sample_rate_hz
    onsets = [min(s["audible_s"]) for s in truth["strikes"]]
    ends = [*(t - 0.01 for t in onsets[1:]), len(x) / rate]
    spans = [SimpleNamespace(onset_s=a, end_s=b, peak_dbfs=(0.0,), delay_s=(0.0,))
             for a, b in zip(onsets, ends, strict=True)]
    clock = time.process_time()
    found = read_spans(x, rate, spans, quick=quick)
    cpu = time.process_time() - clock
    if found is None:
        return {"name": name, "cpu": cpu, "f": [], "sd": [], "a": [], "sa": [], "glide": []}
    return {"name": name, "cpu": cpu, "f": found.frequency_hz.tolist(), "sd": found.frequency_sd_hz.tolist(),
            "a": found.rate.tolist(), "sa": found.rate_sd.tolist(), "glide": list(found.glide_cents)}


def compare(truth: dict[str, Any], got: dict[str, Any]) -> dict[str, Any]:
    """Errors of the required partials, misses, and answers that belong to no mode of the drum."""
    f = np.array(got["f"])
    required = [p for p in truth["partials"] if p["required"]]
    lowest = min((p["frequency_hz"] for p in required), default=0.0)
    rows, missed = [], []
    for p in required:
        cents = 1200 * np.log2(f / p["frequency_hz"]) if f.size else np.zeros(0)
        k = int(np.argmin(np.abs(cents))) if f.size else -1
        strong = max(p["level_40ms_db"]) > STRONG_DB
        if k < 0 or abs(cents[k]) > TOLERANCE_CENTS:
            missed.append((p["frequency_hz"], strong))
            continue
        rate = 1 / p["decay_s"]
        rows.append((float(cents[k]), float((f[k] - p["frequency_hz"]) / got["sd"][k]), got["a"][k] / rate - 1,
                     (got["a"][k] - rate) / got["sa"][k], p["frequency_hz"] == lowest, strong))
    modes = np.array([p["frequency_hz"] for p in truth["partials"]] + [p[0] for p in truth["also_present"]])
    invented, taken = [], set()
    for x in f[np.argsort([np.abs(modes - y).min() for y in f])] if f.size else ():
        k = int(np.argmin(np.abs(modes - x)))
        known = abs(1200 * np.log2(x / modes[k])) < 50 or abs(x - modes[k]) < 1.0
        if not known or k in taken:
            invented.append(float(x))
        taken.add(k)
    glide = [(g, s["glide_cents"]) for g, s in zip(got["glide"], truth["strikes"], strict=False) if g is not None]
    return {"rows": rows, "missed": missed, "required": len(required), "strong": sum(
        max(p["level_40ms_db"]) > STRONG_DB for p in required), "invented": invented, "glide": glide}


def summary(results: list[tuple[dict[str, Any], float]]) -> dict[str, float]:
    """Figures over takes: (comparison, CPU seconds)."""
    rows = np.array([r for c, _ in results for r in c["rows"]], float)
    cpu = np.array([s for _, s in results])
    if not len(rows):
        return {"takes": float(len(results))}
    e, low = np.abs(rows[:, 0]), np.abs(rows[rows[:, 4] > 0, 0])
    glide = np.array([(abs(a - b), abs(a - b) / max(b, 1.0)) for c, _ in results for a, b in c["glide"]])
    return {
        "takes": float(len(results)), "median_cents": float(np.median(e)), "p95_cents": float(np.percentile(e, 95)),
        "lowest_median_cents": float(np.median(low)), "lowest_p95_cents": float(np.percentile(low, 95)),
        "covers_f_percent": float(100 * (np.abs(rows[:, 1]) < 1.96).mean()),
        "covers_decay_percent": float(100 * (np.abs(rows[:, 3]) < 1.96).mean()),
        "decay_median_percent": float(100 * np.median(np.abs(rows[:, 2]))),
        "missed": float(sum(len(c["missed"]) for c, _ in results)),
        "required": float(sum(c["required"] for c, _ in results)),
        "strong_missed": float(sum(s for c, _ in results for _, s in c["missed"])),
        "strong": float(sum(c["strong"] for c, _ in results)),
        "invented_per_10": float(10 * sum(len(c["invented"]) for c, _ in results) / len(results)),
        "glide_median_cents": float(np.median(glide[:, 0])) if len(glide) else 0.0,
        "glide_median_relative": float(np.median(glide[:, 1])) if len(glide) else 0.0,
        "cpu_s_median": float(np.median(cpu)), "cpu_s_mean": float(cpu.mean()), "cpu_s_max": float(cpu.max()),
    }


def main() -> None:
    """Read the takes and print a table by glide."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cases", type=int, default=0, help="how many takes; 0 = all")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out")
    parser.add_argument("--quick", action="store_true", help="the first reading instead of the joint one")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    truths: dict[str, dict[str, Any]] = json.loads((args.folder / "gliding.json").read_text(encoding="utf-8"))
    names = sorted(truths)
    if args.cases:
        names = sorted(np.random.default_rng(args.seed).choice(names, min(args.cases, len(names)), replace=False))
    with Pool(args.jobs) as pool:
        got = pool.map(partial(one, folder=args.folder, quick=args.quick), [(n, truths[n]) for n in names], chunksize=1)
    scored = [(n, compare(truths[n], g), g["cpu"]) for n, g in zip(names, got, strict=True)]
    table = {}
    print("glide   takes | cents: median p95, lowest median p95 | covers f, decay | decay median | missed, strong | "
          "invented/10 | glide error | CPU s median mean max")
    for label, low, high in (("< 1 %", 0.0, 1.0), ("1-4 %", 1.0, 4.0), ("> 4 %", 4.0, 99.0), ("all", 0.0, 99.0)):
        part = [(c, cpu) for n, c, cpu in scored if low <= truths[n]["glide_goal_percent"] < high]
        s = table[label] = summary(part)
        if "median_cents" not in s:
            continue
        print(f"{label:7s} {s['takes']:4.0f} | {s['median_cents']:.3f} {s['p95_cents']:.2f}, "
              f"{s['lowest_median_cents']:.3f} {s['lowest_p95_cents']:.2f} | {s['covers_f_percent']:.0f} "
              f"{s['covers_decay_percent']:.0f} % | {s['decay_median_percent']:.1f} % | {s['missed']:.0f}/"
              f"{s['required']:.0f}, {s['strong_missed']:.0f}/{s['strong']:.0f} | {s['invented_per_10']:.1f} | "
              f"{s['glide_median_cents']:.1f} c, {100 * s['glide_median_relative']:.0f} % | {s['cpu_s_median']:.2f} "
              f"{s['cpu_s_mean']:.2f} {s['cpu_s_max']:.2f}")
    if args.verbose:
        for n, c, cpu in scored:
            errors = [abs(r[0]) for r in c["rows"]]
            print(f"{n} {truths[n]['glide_goal_percent']:.2f} % {truths[n]['noise']['db_below_first_100ms']} dB: "
                  f"median {np.median(errors) if errors else float('nan'):.2f} max {max(errors, default=0):.2f} cents, "
                  f"missed {[m[0] for m in c['missed']]}, invented {np.round(c['invented'], 1).tolist()}, {cpu:.2f} s")
    if args.out:
        Path(args.out).write_text(json.dumps({"quick": args.quick, "table": table}, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
