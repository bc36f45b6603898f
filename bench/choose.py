"""Choosing: is the search as good as every setting tried, and how long does it take?

Every case draws a job (a note or a range within what is customary for a size, some of: tail, level in front and at the seat,
answer, roundness; sometimes a second job) and a small grid: two or three sizes, films, now and then an opening, two or three
ways of muffling, five by five tensions. The grid is searched whole by the exact model, by ``plan.choose`` on the same grid
('on grid'), and by ``plan.choose`` with free tensions and sizes ('free'). Costs are compared on one scale. With --whole the
same job is also answered with everything on offer, and its time is taken (process time: what one free core needs).

    PYTHONPATH=src python bench/choose.py [--cases N] [--jobs J] [--seed S] [--whole] [--out FILE.json]
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from bothheads.plan.carrying import carried
from bothheads.plan.choice import Choice
from bothheads.plan.choose import choose
from bothheads.plan.cost import EIGHTH, KILOGRAM, Scale, part_misses
from bothheads.plan.design import LAID, builds_of, figures_of, reach, set_up, tensions
from bothheads.plan.front import hypervolume
from bothheads.plan.hunt import Lattice
from bothheads.plan.job import parse_job
from bothheads.plan.kit import good_range
from bothheads.plan.surface import note_window

SIZES = {"bass": ((18, 14), (20, 14), (20, 16), (22, 14), (22, 16), (24, 14), (26, 12)),
         "tom": ((10, 8), (12, 8), (12, 10), (13, 10), (14, 12), (16, 14), (16, 16))}
OFFER = ("diameters_in", "depths_in", "films_mil", "resonant_films_mil", "opening")
SLOPE = 300.0


def wishes(rng: np.random.Generator, use: str, diameter_in: float, *, must: bool = True) -> dict[str, Any]:
    """A few wishes for a drum of about this size."""
    low, high = good_range(0.0254 * diameter_in, use)
    note = float(np.exp(rng.uniform(np.log(low * 1.05), np.log(high * 0.95))))
    out: dict[str, Any] = {}
    if must or rng.random() < 0.9:
        out["note"] = f"{note:.1f}Hz" if rng.random() < 0.6 else f"{0.93 * note:.1f}-{1.07 * note:.1f}Hz"
    if rng.random() < 0.8:
        out["tail_s"] = round(float(np.exp(rng.uniform(np.log(0.35), np.log(1.6)))), 2)
    if rng.random() < 0.5:
        out["front"] = str(rng.choice(["loud", "loud", "quiet"]))
    if rng.random() < 0.2:
        out["seat"] = str(rng.choice(["loud", "quiet"]))
    if rng.random() < 0.2:
        out["quick"] = True
    if rng.random() < 0.1:
        out["round"] = True
    return out


def drawn(seed: int) -> tuple[dict[str, Any], Lattice]:
    """A job and its grid."""
    rng = np.random.default_rng(seed)
    use = str(rng.choice(["bass", "tom"]))
    pool = SIZES[use]
    start = int(rng.integers(0, len(pool) - 2))
    sizes = pool[start: start + int(rng.integers(2, 4))]
    job: dict[str, Any] = {"use": use, **wishes(rng, use, sizes[len(sizes) // 2][0])}
    if rng.random() < 0.25:
        job |= {f"second.{k}": v for k, v in wishes(rng, use, sizes[0][0]).items() if k not in ("quick", "round")}
    job["diameters_in"] = sorted({d for d, _ in sizes})
    job["depths_in"] = sorted({h for _, h in sizes})[:2]
    job["films_mil"] = [10, 14] if rng.random() < 0.3 else [10]
    job["resonant_films_mil"] = [10] if rng.random() < 0.6 else [7.5]
    job["opening"] = [0, 5] if use == "bass" and rng.random() < 0.25 else False
    laid = ("none", "ring", str(rng.choice(["pad", "strip", "pads"]))) if rng.random() < 0.4 else ("none", "ring")
    build = builds_of(parse_job(job))[0]
    wish = parse_job(job).parts[0].wish("note")

    assert wish is not None
    low, high = reach(build.drum)
    window = note_window(build, parse_job(job).parts[0], wish.low * 0.9, wish.high * 1.1, (low, high))
    return job, Lattice(tuple(np.linspace(max(window.u[0], low), min(window.u[1], high), 5)), (-1.0, -0.5, 0.0, 0.5, 1.0),
                        (0.35, 0.85), laid)


Rows = list[list[list[tuple[Any, dict[str, float], Any]]]]


def whole_grid(job: dict[str, Any], lattice: Lattice) -> tuple[Rows, int]:
    """Exact figures of every setting of every build and part: rows[build][part][k] = (setting, values, build)."""
    asked = parse_job(job)
    count, out = 0, []
    for build in builds_of(asked):
        each = []
        for part in asked.parts:
            each.append([(s, figures_of(set_up(build, s, part)).values, build) for s in lattice.settings(build)])
            count += len(each[-1])
        out.append(each)
    return out, count


def costs(job: dict[str, Any], rows: Rows, scale: Scale) -> tuple[float, np.ndarray[Any, Any]]:
    """Least cost over the grid, weight and turning included; misses of the wishes of every single-job design."""
    asked = parse_job(job)
    best, vectors = np.inf, []
    for each in rows:
        build = each[0][0][2]
        totals, pulls = [], []
        for part, settings in zip(asked.parts, each, strict=True):
            u, d = (np.array([getattr(s, k) for s, _, _ in settings]) for k in "ud")
            values = {k: np.array([v[k] for _, v, _ in settings]) for k in settings[0][1]}
            things = np.array([LAID[s.laid].things for s, _, _ in settings])
            misses = part_misses(build, part, asked.use, values, u, d, things, scale)
            totals.append(sum(misses.values()))
            pulls.append(np.array(tensions(build.drum, u, d)))
            if len(asked.parts) == 1:
                film = misses[f"{part.name}.film"]
                good = np.isfinite(film)
                vectors.append(np.column_stack([*(misses[c.key] for c in part.criteria), film])[good])
        load = KILOGRAM * np.array([carried(set_up(build, s, asked.parts[0]), asked.use).weight_kg for s, _, _ in each[0]])
        if len(each) == 1:
            best = min(best, float((totals[0] + load).min()))
        else:
            turn = 8.0 / SLOPE * np.abs(pulls[0][:, :, None] - pulls[1][:, None, :]).sum(0)
            best = min(best, float((totals[0][:, None] + load[:, None] + totals[1][None] + EIGHTH * turn).min()))
    return best, np.vstack(vectors) if vectors else np.zeros((0, 0))


def on_scale(choice: Choice, scale: Scale) -> float:
    """The choice's best cost on another scale: wishes for as much as can be move by their ideals' difference."""
    from bothheads.plan.job import STEPS

    shift = 0.0
    for c in choice.job.criteria:
        if c.aim != "range":
            sign = 1.0 if c.aim == "most" else -1.0
            shift += sign * (scale.ideal(c) - choice.scale.ideal(c)) / STEPS[c.what]
    return choice.designs[0].cost + shift


def case(task: tuple[int, bool]) -> dict[str, Any]:
    """One job, three ways."""
    seed, whole = task
    job, lattice = drawn(seed)
    row: dict[str, Any] = {"seed": seed, "job": job}
    began = time.process_time()
    choice = choose(job, lattice=lattice)
    row["grid_s"] = time.process_time() - began
    if not choice.designs:
        return row | {"refused": choice.refused}
    began = time.process_time()
    rows, count = whole_grid(job, lattice)
    row |= {"settings": count, "exhaustive_s": time.process_time() - began, "solved": choice.searched["solved"]}
    best, vectors = costs(job, rows, choice.scale)
    row |= {"best": best, "on_grid": choice.designs[0].cost}
    began = time.process_time()
    free = choose(job, laid=lattice.laid)
    row |= {"free": on_scale(free, choice.scale), "free_s": time.process_time() - began}
    if len(vectors) and vectors.shape[1] <= 5:
        mine = np.array([[d.misses[c.key] for c in choice.job.criteria] + [d.misses["first.film"]] for d in choice.designs])
        box = np.maximum(np.minimum(np.percentile(vectors, 60, axis=0), mine[0] + 6.0), mine[0] + 1.0)
        floor = np.minimum(vectors.min(0), mine.min(0))
        whole_volume = hypervolume(vectors - floor, box - floor)
        row["front_share"] = hypervolume(mine - floor, box - floor) / whole_volume if whole_volume > 0 else None
    if whole:
        wide = {k: v for k, v in job.items() if k not in OFFER}
        began = time.process_time()
        answer = choose(wide)
        row |= {"whole_s": time.process_time() - began, "whole_solved": answer.searched.get("solved"),
                "whole_designs": answer.searched.get("designs")}
    return row


def excess(row: dict[str, Any], key: str) -> float:
    """Above the whole grid's best, as a share of it or of one step, whichever is larger."""
    return float((row[key] - row["best"]) / max(row["best"], 1.0))


def _say(r: dict[str, Any]) -> None:
    if "best" not in r:
        print(f"{r['seed']:6d} refused: {r['refused']}", flush=True)
        return
    share = r.get("front_share")
    print(f"{r['seed']:6d} {r['settings']:8d} {r['solved']:6d} {r['best']:7.2f} {r['on_grid']:8.2f} {r['free']:8.2f} "
          f"{'' if share is None else format(share, '6.2f'):>6}  {r['grid_s']:.1f} / {r['exhaustive_s']:.1f}", flush=True)


def main() -> None:
    """Run, print the table, write JSON."""
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--cases", type=int, default=12)
    p.add_argument("--jobs", type=int, default=1)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--whole", action="store_true", help="also answer each job with everything on offer, for its time")
    p.add_argument("--out", metavar="FILE.json")
    o = p.parse_args()
    tasks = [(1000 * o.seed + i, o.whole) for i in range(o.cases)]
    print(f"{'seed':>6} {'settings':>8} {'solved':>6} {'best':>7} {'on grid':>8} {'free':>8} {'front':>6}  s")
    rows = []
    pool = ProcessPoolExecutor(o.jobs) if o.jobs > 1 else None
    for row in pool.map(case, tasks) if pool else map(case, tasks):
        rows.append(row)
        _say(row)
    done = [r for r in rows if "best" in r]
    if done:
        grid, free = (np.array([excess(r, k) for r in done]) for k in ("on_grid", "free"))
        print(f"{len(done)} jobs: on grid within 1 % of the whole grid's best (or of a step): {(grid <= 0.01).mean():.0%}, "
              f"worst {grid.max():+.3f}; free within 1 % or better: {(free <= 0.01).mean():.0%}, worst {free.max():+.3f}")
        shares = [r["front_share"] for r in done if r.get("front_share") is not None]
        if shares:
            print(f"share of the whole front's volume that the few designs shown cover: median {np.median(shares):.2f}, "
                  f"least {min(shares):.2f}")
        if o.whole:
            times = np.array([r["whole_s"] for r in done])
            print(f"everything on offer: {np.median(times):.1f} s of one core in the middle, {times.max():.1f} s at most")
    print(f"{len(rows) - len(done)} refused")
    if o.out:
        Path(o.out).write_text(json.dumps(rows, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
