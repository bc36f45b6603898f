"""Reference and published drums beside the model: partials, decays, levels, and what a forecast costs.

    python bench/predict.py [--cases N] [--jobs J] [--seed S] [--out FILE.json]

Prints a plain table and writes JSON. ``--cases`` random drums are solved to see that none fails.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import bothheads  # noqa: F401 - sets one thread for the matrix library before NumPy loads

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT / "tests"))

import numpy as np  # noqa: E402

import reference_drums as ref  # noqa: E402
from bothheads.physics.coupled import solve  # noqa: E402
from bothheads.physics.forecast import forecast  # noqa: E402
from bothheads.physics.response import pressures  # noqa: E402
from bothheads.records import Drum, Head, Muffling, Opening, Strike  # noqa: E402


def reference_table() -> list[dict[str, Any]]:
    """Rows of every reference drum that counts, without the reference's film grid, with it in its own columns."""
    out = []
    for name in (*ref.PLAIN, "bass18x14-opening"):
        plain, grid = ref.rows(name, False), ref.rows(name, True)
        print(f"\n{name}\n  m  reference Hz     ours Hz  cents  (grid)  decay s   ours s     %   " + " ".join(
            f"{p:>6}" for p in ref.PLACES))
        for a, b in zip(plain, grid, strict=True):
            levels = " ".join("     -" if a.levels[p] is None else f"{a.levels[p]:+6.2f}" for p in ref.PLACES)
            print(f" {a.m if a.m >= 0 else '-':>2}  {a.reference_hz:12.3f}  {a.hz:10.3f} {a.cents:+6.2f} {b.cents:+7.2f}"
                  f"  {a.reference_decay_s:7.3f}  {a.decay_s:7.3f} {a.decay_percent:+6.1f}  {levels}")
            out.append({"drum": name, "m": a.m, "reference_hz": a.reference_hz, "hz": a.hz, "cents": a.cents,
                        "cents_with_grid": b.cents, "reference_decay_s": a.reference_decay_s, "decay_s": a.decay_s,
                        "level_error_db": {p: a.levels[p] for p in ref.PLACES}})
        decays = [abs(r.decay_percent) for r in grid[1:] if r.decay_counts]
        level = {p: ref.rms(x) for p in ref.PLACES if (x := [r.levels[p] for r in grid if r.levels[p] is not None])}
        print(f"  frequency rms {ref.rms(r.percent for r in plain):.3f} % (with grid "
              f"{ref.rms(r.percent for r in grid):.3f} %, worst {max(abs(r.percent) for r in grid):.3f} %), decay median "
              f"{np.median(decays):.2f} % worst {max(decays):.2f} %, levels rms "
              + ", ".join(f"{p} {v:.2f} dB" for p, v in level.items()))
    return out


def published_table() -> list[dict[str, Any]]:
    """Published ratios beside the model's."""
    sys.path.insert(0, str(ROOT / "tests/published"))
    import test_fletcher_bassett1978 as bass
    import test_rossing1982 as timpano

    out = []
    base = timpano.loaded(1)
    for m, ratio in timpano.RATIOS.items():
        out.append({"drum": "bare timpano head (Rossing 1982)", "partial": f"({m},1)/(1,1)", "published": ratio,
                    "ours": timpano.loaded(m) / base})
    got = bass.ratios(**bass.FITTED)
    for key, ratio in bass.RATIOS.items():
        out.append({"drum": "orchestral bass drum (Fletcher & Bassett 1978, second hand)", "partial": f"({key[0]},1)"
                    + key[1:] + "/(0,1) low", "published": ratio, "ours": got[key]})
    print("\npublished drums (ratios)")
    for row in out:
        row["cents"] = float(1200 * np.log2(row["published"] / row["ours"]))
        print(f"  {row['drum']:62} {row['partial']:22} {row['published']:.3f} {row['ours']:.3f} {row['cents']:+6.1f} cents")
    return out


def timings() -> dict[str, float]:
    """Least of eight runs [ms of processor time]; the ratio to an eigenvalue problem of 200 unknowns is the measure."""
    plain, open_, pad = ref.drum("bass24x14-equal"), ref.drum("bass18x14-opening"), ref.drum("bass24x14-light-pad")
    modes = solve(plain, fmax_hz=250.0)
    matrix = np.random.default_rng(1).standard_normal((200, 200))
    jobs = {
        "eigenvalues of 200 x 200": lambda: np.linalg.eig(matrix),
        "plain drum to 250 Hz with slopes": lambda: solve(plain, fmax_hz=250.0).slopes(),
        "strike and four places": lambda: pressures(modes, plain.strike, plain.places),
        "opening to 250 Hz": lambda: solve(open_, fmax_hz=250.0),
        "light pad to 250 Hz": lambda: solve(pad, fmax_hz=250.0),
        "heavy pad to 250 Hz": lambda: solve(ref.drum("bass24x14-pad"), fmax_hz=250.0),
        "forecast of a plain drum": lambda: forecast(plain),
    }
    out = {}
    for name, job in jobs.items():
        job()
        runs = []
        for _ in range(8):
            start = time.process_time()
            job()
            runs.append(time.process_time() - start)
        out[name] = 1e3 * min(runs)
    unit = out["eigenvalues of 200 x 200"]
    print("\ncost (ratio to the eigenvalues of a 200 x 200 matrix, and ms of processor time here)")
    for name, value in out.items():
        print(f"  {name:36} {value / unit:7.3f} {value:9.2f} ms")
    return {name: value / unit for name, value in out.items()}


def random_drum(seed: int) -> dict[str, Any]:
    """One random drum, 10-26 in, slack to tight, holes and things: what came out, or why not."""
    rng = np.random.default_rng(seed)
    a = rng.uniform(0.127, 0.33)
    tensions = np.exp(rng.uniform(np.log(100), np.log(5000), 2))
    heads = [Head(float(rng.uniform(0.2, 0.6)), tension=float(t), resistance=float(rng.uniform(0, 5))) for t in tensions]
    depth = float(np.clip(rng.uniform(0.1, 0.508), 0.3 * a, 3.5 * a))
    spot = rng.uniform(-0.6, 0.6, 2) * a
    drum = Drum(f"random-{seed}", 2 * a, depth, heads[0], heads[1], strike=Strike(float(spot[0]), float(spot[1])))
    if rng.random() < 0.3:
        size = rng.uniform(0.05, 0.5) * a
        drum = drum.with_head("resonant", opening=Opening(2 * size, float(rng.uniform(0, 0.95 * a - size))))
    if rng.random() < 0.3:
        both = ("batter", "resonant") if rng.random() < 0.5 else ("batter",)
        radius = rng.uniform(0.05, 0.35) * a
        drum = replace(drum, muffling=(Muffling("pad", both, 0.0, float(rng.uniform(0, 0.9) * (a - radius)), radius=radius,
                                                mass=float(rng.uniform(0, 0.1)), resistance=float(rng.uniform(0, 200))),))
    start = time.process_time()
    try:
        p = forecast(drum)
        fine = bool(p.partials) and all(np.isfinite([x.frequency_hz, x.decay_s]).all() and x.decay_s > 0
                                        for x in p.partials)
        return {"seed": seed, "ok": fine, "note_hz": p.note.frequency_hz, "partials": len(p.partials),
                "seconds": time.process_time() - start}
    except Exception as error:  # a case that fails is a result
        return {"seed": seed, "ok": False, "error": f"{type(error).__name__}: {error}"}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    result: dict[str, Any] = {"reference": reference_table(), "published": published_table(), "cost_ratios": timings()}
    seeds = range(args.seed, args.seed + args.cases)
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            cases = list(pool.map(random_drum, seeds, chunksize=4))
    else:
        cases = [random_drum(seed) for seed in seeds]
    bad = [c for c in cases if not c["ok"]]
    print(f"\n{len(cases)} random drums, {len(bad)} failed; median "
          f"{np.median([c.get('seconds', np.nan) for c in cases]) if cases else 0:.3f} s of processor time")
    for case in bad[:10]:
        print("  ", case)
    result["random"] = cases
    if args.out:
        args.out.write_text(json.dumps(result, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
