"""Do the bars hold? Synthetic intervals cell by cell, and real strength layers of one drum.

usage: python bench/intervals.py [--cases N] [--jobs J] [--seed S] [--out FILE.json] [--recordings FOLDER] [--reader quick|take]
Recordings are grouped by their name up to the layer's number (tom-high-1-very-soft.flac, tom-high-2-soft.flac, ...).
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from multiprocessing import Pool
from pathlib import Path
from statistics import NormalDist
from types import SimpleNamespace
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / folder) for folder in ("tests", "src")]

import numpy as np  # noqa: E402

from synthetic import strike  # noqa: E402

LEVELS = (0.5, 0.8, 0.9, 0.95, 0.99)
CELLS: dict[str, dict[str, Any]] = {"separated": {}, "pair 1-3 Hz": {"pair": True}, "glide to 6 %": {"glide": 0.06}}


def synthetic_case(job: tuple[str, int, int, str]) -> list[tuple[float, float]]:
    """(frequency error / bar, rate error / bar) of every partial that the bound lets be read."""
    from bothheads.sound.partials import fit_strike
    from bothheads.sound.reading import read_spans
    from synthetic import ONSET_S, RATE

    cell, snr, seed, reader = job
    truth = strike(np.random.default_rng([seed, snr, 17]), snr_db=snr, **CELLS[cell])
    end = len(truth.samples) / RATE
    span = SimpleNamespace(onset_s=ONSET_S, end_s=end, peak_dbfs=(0.0,), delay_s=(0.0,))
    fit = (fit_strike(truth.samples, RATE, ONSET_S, end) if reader == "quick"
           else read_spans(truth.samples, RATE, [span], quick=False))
    if fit is None:
        return []
    out = []
    for k in np.nonzero(truth.bound()[0] < 0.15)[0]:
        j = int(np.argmin(np.abs(fit.frequency_hz - truth.f[k])))
        error = fit.frequency_hz[j] - truth.f[k]
        if abs(error) < 2.0:
            out.append((float(error / fit.frequency_sd_hz[j]), float((fit.rate[j] - 1 / truth.tau[k]) / fit.rate_sd[j])))
    return out


def layer(path: Path) -> dict[str, Any]:
    """The reading of one recording: the partial that is loudest after 250 ms, its bar, whether it is settled."""
    from bothheads.sound.audio import read_audio
    from bothheads.sound.reading import read_samples

    recording = read_audio(path)
    reading = read_samples(recording.samples, recording.sample_rate_hz)
    if not reading.partials:
        return {"file": path.name, "hz": None}

    def late(p: Any) -> float:
        return max((v for v in p.level_db if v is not None), default=-99.0) - 8.686 * 0.25 / p.decay_s

    p = max(reading.partials, key=late)
    return {"file": path.name, "hz": p.frequency_hz, "sd": p.frequency_sd_hz, "settled": reading.settled,
            "explained_db": reading.explained_db, "note": reading.note.frequency_hz, "refused": reading.note.refused,
            "remainder": {r.cause.split(":")[0]: round(r.share, 4) for r in reading.remainder}}


def layers(folder: Path, pool: Any) -> dict[str, Any]:
    """Print the strength-layer table; share of bars (95 %) that hold the layers' median."""
    files = sorted(p for p in folder.iterdir() if p.suffix.lower() in (".wav", ".flac", ".aiff", ".aif"))
    table: dict[str, list[dict[str, Any]]] = {}
    for path, row in zip(files, pool.map(layer, files, chunksize=1), strict=True):
        table.setdefault(re.split(r"[-_ ]?\d", path.stem)[0], []).append(row)
    held, counted = 0, 0
    print("\nstrength layers: Hz (bar in cents, * = not settled); range of the settled")
    for drum, rows in table.items():
        heard = [r for r in rows if r["hz"]]
        settled = [r for r in heard if r["settled"]]
        words = ", ".join(f"{r['hz']:.2f} ({1731 * r['sd'] / r['hz']:.1f}{'' if r['settled'] else '*'})" for r in heard)
        spread = 1731 * np.ptp([r["hz"] for r in settled]) / np.mean([r["hz"] for r in settled]) if settled else 0.0
        print(f"{drum:16s} {words}; {spread:.1f} cents over {len(settled)} of {len(rows)}")
        if len(settled) >= 3:
            middle = float(np.median([r["hz"] for r in settled]))
            held += sum(abs(r["hz"] - middle) < 1.96 * r["sd"] for r in settled)
            counted += len(settled)
    share = held / counted if counted else float("nan")
    print(f"bars that hold the layers' median: {held} of {counted}")
    return {"layers": table, "held": held, "counted": counted, "share": None if counted == 0 else share}


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40, help="strikes a cell")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out")
    parser.add_argument("--recordings", type=Path)
    parser.add_argument("--reader", choices=("quick", "take"), default="quick")
    args = parser.parse_args()
    out: dict[str, Any] = {}
    print("share of intervals that hold the truth, nominal " + " ".join(f"{100 * q:.0f}" for q in LEVELS) + " %")
    with Pool(args.jobs) as pool:
        for cell in CELLS:
            for snr in (20, 40, 60):
                jobs = [(cell, snr, args.seed * 100000 + i, args.reader) for i in range(args.cases)]
                z = np.abs(np.array([r for rows in pool.map(synthetic_case, jobs, chunksize=4) for r in rows]))
                reach = [NormalDist().inv_cdf(0.5 + q / 2) for q in LEVELS]
                f, a = ([round(float(100 * (z[:, c] < r).mean()), 1) for r in reach] for c in (0, 1))
                out[f"{cell} {snr} dB"] = {"n": len(z), "frequency": f, "decay": a}
                print(f"{cell:14s} {snr} dB  n {len(z):4d}  frequency {f}  decay {a}", flush=True)
        if args.recordings:
            out["recordings"] = layers(args.recordings, pool)
    if args.out:
        Path(args.out).write_text(json.dumps({"levels": LEVELS, "seed": args.seed, "cells": out}, indent=1),
                                  encoding="utf-8")


if __name__ == "__main__":
    main()
