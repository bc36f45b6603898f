"""How good are the answers of a fit? Reference drums from their recordings, and calibration on synthetic drums.

python bench/fit.py --cases 1000 --jobs 16 --out fit.json
python bench/fit.py --reference FOLDER      recordings with drums.json, as the reference drums come

Synthetic drums differ from what the fit assumes: film masses (5 %), places of microphones (+-10 cm) and strike
(+-3 cm), a floor under half of them, scatter of a room, losses of the shell, rods that are uneven (modes of m > 0 split
and move), pitches of the model (0.2 %), dropped and foreign partials. 95 % intervals should cover 93-97 %, and in
every bin of odds the share right should lie within 7 points of the mean odds.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from math import pi
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from bothheads.constants import INCH
from bothheads.infer.heads import fit_heads, prepare
from bothheads.infer.scenes import Hearing, draw
from bothheads.physics.batch import BatchDrum
from bothheads.physics.radiation import radiation
from bothheads.records import HEADS, Drum, Head, Muffling, Note, Opening, Partial, Reading, Strike

SIZES_IN = ((10, 8), (12, 8), (13, 9), (14, 14), (16, 16), (18, 14), (20, 14), (22, 18), (24, 14), (26, 14))
FILMS = (0.25, 0.353, 0.494)
ODDS = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.9801)


# ------------------------------------------------------------------ synthetic drums
def random_drum(rng: np.random.Generator) -> tuple[Drum, np.ndarray]:
    """A drum as described (nominal films) and its true row of slope names."""
    d, depth = SIZES_IN[rng.integers(len(SIZES_IN))]
    radius = d * INCH / 2
    centre = 500.0 if d >= 18 else 900.0
    u = np.log(centre) + 0.35 * rng.normal()
    gap = 0.25 * rng.normal()
    film = FILMS[rng.integers(3)], FILMS[rng.integers(2)]
    drum = Drum("", 2 * radius, depth * INCH, Head(film[0]), Head(film[1]),
                strike=Strike(float(0.03 * rng.random()), 0.0, 60.0, 0.006 if d >= 18 else 0.004))
    loss = np.exp(rng.normal(np.log(2.0), 0.9, 2))
    row = np.array([np.exp(u + gap / 2), np.exp(u - gap / 2), film[0] * np.exp(0.05 * rng.normal()),
                    film[1] * np.exp(0.05 * rng.normal()), *loss, np.exp(rng.normal(np.log(2e-6), 0.5))])
    return drum, row


def perfect(rng: np.random.Generator, drum: Drum, row: np.ndarray, names: tuple[str, ...]) -> dict[str, np.ndarray]:
    """Modes of the true drum: f, tau, m, level (J, C) where the microphones and the strike really were."""
    places = [p for n in names for p in drum.places if p.name == n]
    scene = draw(drum, places, count=1, seed=int(rng.integers(1 << 31)))
    batch = BatchDrum(drum)
    r = np.hypot(scene.points[:, 0], scene.points[:, 1]) / drum.radius
    z = (scene.points[:, 2] - drum.depth / 2) / drum.radius
    travel, table = radiation(drum.depth / drum.radius).transfer(tuple(r.tolist()), tuple(z.tolist()), 5)
    modes = batch.modes(row[None], rounds=4)
    level = Hearing(drum, batch, scene, travel, table).levels(modes)[0, :, 0]
    return {"f": modes.frequency_hz[0], "tau": modes.decay_s[0], "m": batch.order, "level": level}


def uneven(rng: np.random.Generator, p: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Modes of m > 0 split into pairs: uneven rods (second harmonic for m = 1, weaker for the rest)."""
    out: dict[str, list] = {k: [] for k in p}
    split = {m: 0.006 * abs(rng.normal()) / (1 if m == 1 else 2) for m in range(1, 5)}
    angle = {m: rng.uniform(0, 2 * pi) for m in range(1, 5)}
    for j, m in enumerate(p["m"]):
        sides = [(0.0, 0.0)] if m == 0 else [
            (split[m] / 2, 20 * np.log10(abs(np.cos(angle[m])) + 1e-3)),
            (-split[m] / 2, 20 * np.log10(abs(np.sin(angle[m])) + 1e-3))]
        for shift, db in sides:
            out["f"].append(p["f"][j] * (1 + shift))
            out["tau"].append(p["tau"][j])
            out["m"].append(m)
            out["level"].append(p["level"][j] + db)
    return {k: np.array(v) for k, v in out.items()}


def heard_reading(rng: np.random.Generator, p: dict[str, np.ndarray], names: tuple[str, ...], *, drop: float,
                  floor_db: float = 35.0, top_hz: float = 1e9) -> Reading:
    """A reading: what is audible, less some, plus foreign ones, with errors of pitch, decay and level."""
    f, tau, level = p["f"], p["tau"].copy(), p["level"]
    shell = np.exp(rng.normal(np.log(0.1), 0.7))  # 1/s, lost at the edge alike by all modes
    tau = 1.0 / (1.0 / tau + shell)
    ok = (tau > 0.012) & (f < top_hz)
    top = level[ok].max(0)
    level = np.where(level > top - floor_db, level - top, np.nan)
    ok &= np.isfinite(level).any(1) & (rng.random(len(f)) > drop)
    tilt = 3.0 * rng.normal(size=len(names))
    rows = []
    for i in np.flatnonzero(ok):
        if any(abs(f[i] - q[0]) < 0.4 for q in rows):
            continue
        db = level[i] + 1.5 * rng.normal(size=len(names)) + 1.5 * rng.normal(size=len(names))
        db = db + tilt * np.log(f[i] / 100.0)
        rows.append((f[i] * np.exp(rng.normal() * 0.002 + rng.normal() * 2 / 1731.2),
                     tau[i] * np.exp(0.07 * rng.normal()), db))
    for _ in range(rng.integers(0, 3) if rows else 0):
        db = rng.uniform(-32, -5, len(names))
        at = [r[0] for r in rows]
        rows.append((float(np.exp(rng.uniform(np.log(0.7 * min(at)), np.log(max(at))))),
                     float(np.exp(rng.uniform(np.log(0.05), 0.0))), db))
    rows.sort(key=lambda r: r[0])
    partials = tuple(
        Partial(float(a), float(a * 2 / 1731.2), float(b), float(0.05 * b), levels, levels)
        for a, b, c in rows for levels in [tuple(None if not np.isfinite(v) else float(v) for v in c)])
    return Reading(48000, names, (), partials, Note())


def one_case(job: tuple[int, str, float]) -> dict:
    """One synthetic drum: truth against answer."""
    seed, channels, drop = job
    rng = np.random.default_rng(seed)
    names = tuple(channels.split(","))
    drum, row = random_drum(rng)
    reading = heard_reading(rng, uneven(rng, perfect(rng, drum, row, names)), names, drop=drop,
                            top_hz=300.0 * 0.3048 / drum.radius)
    setup = prepare(drum, tuple(p for p in drum.places if p.name in names))
    clock, cpu = time.perf_counter(), time.process_time()
    fit = fit_heads(drum, [reading], setup=setup)
    out = {"seed": seed, "seconds": time.perf_counter() - clock, "cpu": time.process_time() - cpu,
           "heard": len(reading.partials), "refused": fit.refused, "odds": fit.odds,
           "identifiable": fit.identifiable, "true": row[:2].tolist(), "size": drum.diameter / INCH,
           "contrast": float(np.log(row[0] / row[1] * drum.resonant.surface_density / drum.batter.surface_density))}
    if fit.batter is None or fit.resonant is None:
        return out
    found = np.array([fit.batter.tension, fit.resonant.tension])
    sd = np.array([fit.batter.tension_sd, fit.resonant.tension_sd]) / found
    error = np.log(found / row[:2])
    cov = np.array(fit.log_cov)
    ratio = (error[0] - error[1]) / np.sqrt(cov[1, 1])
    out |= {"error": error.tolist(), "sd": sd.tolist(), "z": (error / sd).tolist(), "z_ratio": float(ratio),
            "explained": sum(p.model_hz is not None for p in fit.partials), "raw": raw_gap(fit),
            "right": bool(np.all(np.abs(error) < np.maximum(3.5 * sd, 0.01)) and np.all(np.abs(error) < 0.3))}
    return out


def raw_gap(fit) -> float:
    """ln of the main answer's odds over its best rival's."""
    rival = max((a.odds for a in fit.alternatives), default=0.01)
    return float(np.log(max(fit.odds, 1e-9) / max(rival, 1e-9)))


def table(rows: list[dict]) -> dict:
    """Coverage, errors and odds bins, printed and returned."""
    told = [r for r in rows if "error" in r]
    used = [r for r in told if r["refused"] is None]
    error = np.abs([r["error"] for r in used])
    z = np.array([r["z"] for r in used])
    worst = error.max(1)
    sure = [r for r in used if r["identifiable"]]
    out = {
        "cases": len(rows), "refused": len(rows) - len(used), "right": sum(r["right"] for r in used),
        "identifiable": len(sure), "wrong_identifiable": sum(not r["right"] for r in sure),
        "median_error": float(np.median(error)), "p90_error": float(np.quantile(error, 0.9)),
        "worst_identifiable": float(max((max(np.abs(r["error"])) for r in sure), default=0.0)),
        "coverage_95": float((np.abs(z) < 1.96).mean()), "z_rms_right": float(np.sqrt(np.mean(
            [np.square(r["z"]).mean() for r in used if r["right"]]))),
        "coverage_95_ratio": float(np.mean([abs(r["z_ratio"]) < 1.96 for r in used])),
        "coverage_95_identifiable": float(np.mean([np.mean(np.abs(r["z"]) < 1.96) for r in sure])) if sure else None,
        "seconds_median": float(np.median([r["seconds"] for r in rows])),
        "cpu_median": float(np.median([r["cpu"] for r in rows])), "most_odds": max(r["odds"] for r in told),
        "near_equal_error": float(np.median([w for w, r in zip(worst, used, strict=True) if abs(r["contrast"]) < 0.1]
                                            or [0.0])),
    }
    for key, value in out.items():
        print(f"{key:26s} {value:.4g}" if isinstance(value, float) else f"{key:26s} {value}")
    print(f"{'odds':>12s} {'claims':>7s} {'mean':>6s} {'right':>6s}")
    bins = []
    for low, high in zip(ODDS, (*ODDS[1:], 1.01), strict=True):
        mine = [r for r in used if low <= r["odds"] < high]
        if mine:
            mean, share = float(np.mean([r["odds"] for r in mine])), float(np.mean([r["right"] for r in mine]))
            bins.append({"low": low, "high": high, "claims": len(mine), "mean": mean, "right": share})
            print(f"{low:5.2f}-{min(high, 1):5.2f}  {len(mine):7d} {mean:6.3f} {share:6.3f}")
    out["bins"] = bins
    return out


# ------------------------------------------------------------------ reference drums
def described(name: str, q: dict) -> Drum:
    """The drum file's view of a reference drum: sizes, films, muffling; no tensions, no losses."""
    opening = Opening(2 * q["opening_radius_m"], q.get("opening_x_m", 0.0)) if "opening_radius_m" in q else None
    things = []
    if "pad_mass_kg" in q:
        things.append(Muffling("pad", HEADS if q.get("pad_on_both_heads") else ("batter",), q.get("pad_x_m", 0.0),
                               q.get("pad_y_m", 0.0), q["pad_radius_m"], None, q["pad_mass_kg"], q["pad_resistance"]))
    if "ring_width_m" in q:
        a, w = q["radius_m"], q["ring_width_m"]
        mass = q["muffler_surface_density"] * pi * (a * a - (a - w) ** 2)
        things.append(Muffling("ring", tuple(h for h in HEADS if q.get(f"muffler_on_{h}")), width=w, mass=mass,
                               resistance=q["muffler_resistance"]))
    strike = Strike(q["strike_x_m"], q["strike_y_m"], q["strike_peak_N"], q["strike_s"], q["strike_radius_sd_m"])
    return Drum(name, 2 * q["radius_m"], q["depth_m"], Head(q["batter_surface_density"]),
                Head(q["resonant_surface_density"], opening=opening), tuple(things), strike)


def reference(folder: Path, names: tuple[str, ...]) -> list[dict]:
    """Every drum of drums.json from its recording."""
    from bothheads.session.reading import read_file

    rows = []
    for name, q in json.loads((folder / "drums.json").read_text(encoding="utf-8")).items():
        drum = described(name, q)
        reading = read_file(folder / q["take"]["file"], channels=q["take"]["channels"])
        keep = [reading.channels.index(n) for n in names]
        if len(names) < len(reading.channels):
            reading = replace(reading, channels=names, partials=tuple(
                replace(p, level_db=tuple(p.level_db[i] for i in keep), level_dbfs=tuple(p.level_dbfs[i] for i in keep))
                for p in reading.partials))
        clock = time.perf_counter()
        fit = fit_heads(drum, [reading])
        row = {"name": name, "seconds": time.perf_counter() - clock, "odds": fit.odds, "refused": fit.refused,
               "identifiable": fit.identifiable, "heard": len(fit.partials),
               "explained": sum(p.model_hz is not None for p in fit.partials)}
        if fit.batter is not None and fit.resonant is not None:
            row["error"] = [fit.batter.tension / q["batter_tension"] - 1, fit.resonant.tension / q["resonant_tension"] - 1]
            row["sd"] = [h.tension_sd / h.tension for h in (fit.batter, fit.resonant)]
        rows.append(row)
        error = row.get("error", [float("nan")] * 2)
        print(f"{name:22s} error {error[0]:+7.2%} {error[1]:+7.2%}  odds {fit.odds:.2f}  explained "
              f"{row['explained']}/{row['heard']}  {row['seconds']:.1f} s  {fit.refused or ''}", flush=True)
    return rows


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=50)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--channels", default="seat,front")
    parser.add_argument("--drop", type=float, default=0.2, help="share of audible partials missing")
    parser.add_argument("--reference", type=Path)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    if given.reference:
        result: dict = {"reference": reference(given.reference, tuple(given.channels.split(",")))}
    else:
        jobs = [(1_000_000 * given.seed + i, given.channels, given.drop) for i in range(given.cases)]
        if given.jobs > 1:
            with ProcessPoolExecutor(given.jobs) as pool:
                rows = list(pool.map(one_case, jobs, chunksize=4))
        else:
            rows = [one_case(job) for job in jobs]
        result = {"synthetic": table(rows), "rows": rows}
    if given.out:
        given.out.write_text(json.dumps(result), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
