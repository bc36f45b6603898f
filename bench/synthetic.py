"""Synthetic strikes against the Cramer-Rao bound, cell by cell.

usage: python bench/synthetic.py [--cases N] [--jobs J] [--seed S] [--out FILE.json] [--reader quick|take]
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from multiprocessing import Pool
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / folder) for folder in ("tests", "src")]

import numpy as np  # noqa: E402

from synthetic import ONSET_S, RATE, strike  # noqa: E402

CELLS: dict[str, dict[str, object]] = {
    "separated": {}, "pair 1-3 Hz": {"pair": True}, "glide to 6 %": {"glide": 0.06},
    "pink + hum": {"pink": 0.7, "hum": True}, "pink + hum + glide": {"pink": 0.7, "hum": True, "glide": 0.06},
}


def one(job: tuple[str, int, int, str]) -> dict[str, object]:
    """Read one strike; errors against truth and bound."""
    cell, snr, seed, reader = job
    from types import SimpleNamespace

    from bothheads.sound.partials import fit_strike
    from bothheads.sound.reading import read_spans

    rng = np.random.default_rng([seed, snr, list(CELLS).index(cell)])
    truth = strike(rng, snr_db=snr, **CELLS[cell])  # type: ignore[arg-type]
    sd_f, sd_a = truth.bound()
    end = len(truth.samples) / RATE
    clock = time.process_time()
    f = a = sf = sa = np.zeros(0)
    if reader == "quick":
        fit = fit_strike(truth.samples, RATE, ONSET_S, end)
        if fit is not None:
            f, a, sf, sa = fit.frequency_hz, fit.rate, fit.frequency_sd_hz, fit.rate_sd
    else:
        span = SimpleNamespace(onset_s=ONSET_S, end_s=end, peak_dbfs=(0.0,), delay_s=(0.0,))
        found = read_spans(truth.samples, RATE, [span], quick=False)
        if found is not None:
            f, a, sf, sa = found.frequency_hz, found.rate, found.frequency_sd_hz, found.rate_sd
    cpu = time.process_time() - clock
    rows, used = [], set()
    for k in range(len(truth.f)):
        if sd_f[k] > 0.15:
            continue
        near = np.abs(f - truth.f[k]) if len(f) else np.zeros(0)
        j = int(np.argmin(near)) if len(near) else -1
        limit = max(3.0, 0.02 * truth.f[k]) if truth.glide else 2.0
        if j < 0 or near[j] > limit or j in used:
            rows.append(None)
            continue
        used.add(j)
        e, d = f[j] - truth.f[k], a[j] - 1 / truth.tau[k]
        rows.append((float(1200 / np.log(2) * e / truth.f[k]), float(e / sd_f[k]), float(e / sf[j]),
                     float(d / sd_a[k]), float(d / sa[j]), float(d * truth.tau[k])))
    far = np.maximum(0.5, 4.0 * sd_f)  # a partial whose own bound is 0.5 Hz may be read 1 Hz off and is no invention
    phantoms = sum(1 for j, x in enumerate(f) if j not in used and (np.abs(truth.f - x) > far).all())
    return {"rows": rows, "phantoms": phantoms, "cpu": cpu}


def summary(results: list[dict[str, object]]) -> dict[str, float]:
    """Figures of one cell."""
    rows = [r for x in results for r in x["rows"]]  # type: ignore[attr-defined]
    got = np.array([r for r in rows if r is not None])
    if not len(got):
        return {"partials": 0.0}
    inside, decays = got[np.abs(got[:, 1]) < 8], got[np.abs(got[:, 3]) < 8]
    cpu = np.array([x["cpu"] for x in results])
    return {
        "partials": float(len(rows)), "missed": float(len(rows) - len(got)),
        "median_cents": float(np.median(np.abs(got[:, 0]))), "bias_cents": float(np.median(got[:, 0])),
        "f_over_bound": float(np.sqrt((inside[:, 1] ** 2).mean())),
        "outliers_percent": float(100 * (np.abs(got[:, 1]) >= 8).mean()),
        "decay_over_bound": float(np.sqrt((decays[:, 3] ** 2).mean())),
        "covers_f_percent": float(100 * (np.abs(got[:, 2]) < 1.96).mean()),
        "covers_decay_percent": float(100 * (np.abs(got[:, 4]) < 1.96).mean()),
        "decay_median_percent": float(100 * np.median(np.abs(got[:, 5]))),
        "phantoms_per_100": float(100 * sum(x["phantoms"] for x in results) / len(results)),  # type: ignore[misc]
        "cpu_ms": float(1e3 * cpu.mean()), "cpu_ms_p95": float(1e3 * np.percentile(cpu, 95)),
    }


def main() -> None:
    """Run all cells and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40, help="strikes a cell")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out")
    parser.add_argument("--reader", choices=("quick", "take"), default="quick")
    args = parser.parse_args()
    table: dict[str, dict[str, float]] = {}
    print(f"{'cell':26s} dB | n  missed | median cents, x bound, outliers | decay x bound | covers f, decay | "
          "phantoms/100 | CPU ms mean, p95")
    with Pool(args.jobs) as pool:
        for cell in CELLS:
            for snr in (20, 40, 60):
                jobs = [(cell, snr, args.seed * 100000 + i, args.reader) for i in range(args.cases)]
                s = table[f"{cell} {snr} dB"] = summary(pool.map(one, jobs, chunksize=4))
                print(f"{cell:26s} {snr} | {s['partials']:4.0f} {s['missed']:3.0f} | {s['median_cents']:.4f} "
                      f"{s['f_over_bound']:.2f} {s['outliers_percent']:.1f} % | {s['decay_over_bound']:.2f} | "
                      f"{s['covers_f_percent']:.1f} {s['covers_decay_percent']:.1f} % | {s['phantoms_per_100']:.1f} | "
                      f"{s['cpu_ms']:.0f} {s['cpu_ms_p95']:.0f}", flush=True)
    if args.out:
        Path(args.out).write_text(json.dumps({"cases": args.cases, "seed": args.seed, "reader": args.reader,
                                              "cells": table}, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
