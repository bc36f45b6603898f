"""Rounds of taps as sound: random uneven heads, rod pitches and film estimate against truth.

Truth: Ritz modes of this program with 102 functions and air (itself within 1e-3 of finite elements), 24 pull harmonics,
slipping or stuck rims, hoops and rods at random, open or closed; sound: every mode to 2 kHz or 48 of them, amplitude =
squared shape at the tap times exp(-0.05 k), taps of +-2 dB, each ringing under the next, white noise.
usage: taps.py [--cases N] [--jobs J] [--seed S] [--noise-db D] [--gap S] [--drum] [--stands] [--out FILE.json]
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from bothheads.infer.rods import RodState  # noqa: E402
from bothheads.physics.hoop import HOOPS, Hoop, Mount, round_the_rim  # noqa: E402
from bothheads.physics.uneven import Film, even_pull, shapes  # noqa: E402
from bothheads.records import Drum, Head  # noqa: E402
from bothheads.sound.taps import read_taps  # noqa: E402

Array = np.ndarray
MODES = 48
RATE = 48000


def head(rng: np.random.Generator) -> tuple[Mount, Film, Array, float, float | None]:
    """(mount, film, turns, tension, depth) of one uneven head."""
    rods = int(rng.choice([5, 6, 8, 10, 12]))
    low, high = {5: (0.1, 0.13), 6: (0.127, 0.18), 8: (0.165, 0.28), 10: (0.254, 0.33), 12: (0.28, 0.36)}[rods]
    radius = rng.uniform(low, high)
    hoop = HOOPS["wood" if radius > 0.22 else str(rng.choice(["steel", "cast"]))]
    factor = rng.uniform(0.7, 1.4, 2)
    sigma = 1390 * float(rng.choice([0.19e-3, 0.254e-3, 0.36e-3]))
    depth = None if rng.random() < 0.4 else radius * rng.uniform(0.8, 2.5)
    gain = float(np.exp(rng.uniform(np.log(150), np.log(600))))
    mount = Mount(radius=radius, rods=rods, surface_density=sigma, hoop=Hoop(hoop.bending * factor[0], hoop.torsion * factor[1]),
                  rod_stiffness=float(np.exp(rng.uniform(np.log(1e6), np.log(1e7)))),
                  edge="slip" if rng.random() < 0.5 else "stuck").with_gain(gain)
    tension = float(np.exp(rng.uniform(np.log(500), np.log(3500))))
    turns = rng.standard_normal(rods)
    if rng.random() < 0.3:
        turns = np.cos(2 * np.pi * rng.integers(1, rods // 2 + 1) * np.arange(rods) / rods)
    turns -= turns.mean()
    local = round_the_rim(mount.angles) @ mount.pull_per_turn() @ turns
    turns *= np.exp(rng.uniform(np.log(0.005), np.log(0.12))) * tension / max(local.std(), 1e-9)
    return mount, Film(radius, sigma, depth, edge=mount.edge), turns, tension, depth


def sound(rng: np.random.Generator, mount: Mount, film: Film, pull: Array, noise_db: float, gap: float,
          stands: bool = False) -> tuple[Array, Array, Array]:
    """(samples, true rod pitch, frequencies)."""
    modes = film.modes(pull, size=(12, 7))
    level = modes.squared(np.full(mount.rods, 1 - 0.028 / film.radius), mount.angles, MODES)
    hertz = modes.omega[:MODES] / (2 * np.pi)
    names = modes.families(MODES)
    pair = [k for k, n in enumerate(names) if n == (1, 1)]
    truth = level[:, pair] @ hertz[pair] / level[:, pair].sum(1)
    k = modes.omega[:MODES] * np.sqrt(film.surface_density / pull[0])
    amplitude = level * np.exp(-0.05 * k)
    if stands:  # one microphone 0.1 radii inside, off the rods: the shape at the tap times what it gets of the mode
        spot = shapes((12, 7), np.array([0.9]), np.array([0.37])) @ modes.coefficients[:, :MODES]
        at = shapes((12, 7), np.full(mount.rods, 1 - 0.028 / film.radius), mount.angles) @ modes.coefficients[:, :MODES]
        amplitude = at * spot * np.exp(-0.05 * k)
    tau = np.clip(0.4 * (hertz[pair].mean() / hertz) ** 0.7 * np.exp(rng.normal(0, 0.08, MODES)), 0.08, 0.6)
    x = np.zeros(int((mount.rods * gap + 1.4) * RATE))
    t = np.arange(len(x)) / RATE
    for i in range(mount.rods):
        begin = int((0.25 + gap * (i + rng.uniform(-0.05, 0.05))) * RATE)
        n = min(len(x) - begin, 4 * RATE)
        strength = np.exp(rng.normal(0, 0.25))
        for f, d, a in zip(hertz, tau, amplitude[i] * strength, strict=True):
            x[begin : begin + n] += a * np.exp(-t[:n] / d) * np.sin(2 * np.pi * f * t[:n])
    x *= 0.7 / np.abs(x).max()
    return x + rng.standard_normal(len(x)) * 0.7 * 10 ** (noise_db / 20), truth, hertz


def run(case: tuple[int, int, float, bool, float, bool]) -> dict[str, Any]:
    seed, k, noise_db, named, gap, stands = case
    rng = np.random.default_rng([seed, k])
    mount, film, turns, tension, depth = head(rng)
    pull = even_pull(tension) + mount.pull_per_turn() @ turns
    x, truth, _ = sound(rng, mount, film, pull, noise_db, gap, stands)
    skin = Head(film.surface_density, rods=mount.rods)
    drum = Drum("bench", 2 * film.radius, depth or 0.3, skin, None) if named else None
    tick = time.perf_counter()
    read = read_taps(x, RATE, rods=mount.rods, drum=drum)
    out: dict[str, Any] = {"k": k, "rods": mount.rods, "pitch": float(truth.mean()), "seconds": time.perf_counter() - tick,
                           "refused": read.refused, "warnings": list(read.warnings)}
    if read.refused:
        return out
    got = np.array([t.rod_pitch_hz or np.nan for t in read.taps])
    out["cents"] = (1731 * np.log(got / truth)).tolist()
    out["sd"] = [1731 * (t.sd_hz or np.nan) / f for t, f in zip(read.taps, truth, strict=True)]
    out["split"] = float(np.ptp(1731 * np.log(truth)))
    if np.isfinite(got).all():
        state = RodState.start(skin, radius=film.radius, depth=depth).after_reading(read)
        local = 600 * np.log2(round_the_rim(mount.angles) @ pull / pull[0])
        tilt = np.c_[np.ones(mount.rods), np.cos(mount.angles), np.sin(mount.angles)]
        local -= tilt @ np.linalg.lstsq(tilt, local, rcond=None)[0]
        out["film_true"] = local.tolist()
        out["film"] = list(state.film_cents().cents)
        out["film_sd"] = list(state.film_cents().sd)
    return out


def main(arguments: list[str]) -> int:
    p = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    p.add_argument("--cases", type=int, default=100)
    p.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--noise-db", type=float, default=-50.0)
    p.add_argument("--gap", type=float, default=1.2)
    p.add_argument("--drum", action="store_true", help="the drum's size and film are known to the reader")
    p.add_argument("--stands", action="store_true", help="the microphone stands in one place")
    p.add_argument("--out")
    o = p.parse_args(arguments)
    cases = [(o.seed, k, o.noise_db, o.drum, o.gap, o.stands) for k in range(o.cases)]
    if o.jobs > 1:
        with ProcessPoolExecutor(o.jobs) as pool:
            found = list(pool.map(run, cases))
    else:
        found = [run(c) for c in cases]
    read = [f for f in found if "cents" in f]
    print(f"{len(found)} heads, noise {o.noise_db:g} dB, drum {'named' if o.drum else 'not named'}: {len(read)} read, "
          f"{len(found) - len(read)} refused")
    if read:
        error = np.abs(np.concatenate([f["cents"] for f in read]))
        error = error[np.isfinite(error)]
        worst = sorted(((float(np.nanmax(np.abs(f["cents"]))), f["k"]) for f in read), reverse=True)[:8]
        print(f"rod pitch, cents: median {np.median(error):.2f}, p95 {np.percentile(error, 95):.2f}, worst {error.max():.2f}, "
              f"heads wholly within 3: {100 * np.mean([np.nanmax(np.abs(f['cents'])) < 3 for f in read]):.1f} %")
        print("worst heads:", ", ".join(f"{c:.1f} (case {k})" for c, k in worst))
        film = [f for f in read if "film" in f]
        left = np.concatenate([np.array(f["film"]) - f["film_true"] for f in film])
        sd = np.concatenate([f["film_sd"] for f in film])
        true = np.concatenate([f["film_true"] for f in film])
        print(f"film without tilt, cents: true rms {np.sqrt(np.mean(true**2)):.1f}, "
              f"error rms {np.sqrt(np.mean(left**2)):.1f}, median {np.median(abs(left)):.1f}, "
              f"p90 {np.percentile(abs(left), 90):.1f}, within 2 sd {100 * np.mean(abs(left) < 2 * sd):.0f} %")
        spent = [f["seconds"] for f in read]
        print(f"seconds a round: median {np.median(spent):.2f}, worst {max(spent):.2f}")
    for f in found:
        if f["refused"] or f["warnings"]:
            print(f"  case {f['k']} ({f['rods']} rods, {f['pitch']:.0f} Hz): {f['refused'] or f['warnings']}")
    if o.out:
        with open(o.out, "w", encoding="utf-8") as file:
            json.dump({"schema": "bothheads.bench-taps/1", "cases": found}, file)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
