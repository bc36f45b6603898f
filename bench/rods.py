"""Evening out heads: 500 random ones each with 6, 8 and 10 rods, our plan beside the naive rule, one table.

Truth: this program's hoop and film model with hoop (+-30 %), rods (1e6..1e7 N/m), gain (150..600 N/m a turn), slipping or
stuck rim, friction that keeps 0-15 % of a loosening back, tension, an open third: all unlike what the planner assumes.
Readings carry 3 cents and 1.5 dB, taps differ by 2.6 dB, hands by 15 %. Spread = largest minus smallest over the rods, %.
usage: rods.py [--cases N] [--jobs J] [--seed S] [--passes P] [--out FILE.json]
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from bothheads.infer.rod_model import LEVELS, HeadSize, tension_from_pitch  # noqa: E402
from bothheads.infer.rods import RodState  # noqa: E402
from bothheads.physics.hoop import HOOPS, Hoop, Mount, round_the_rim  # noqa: E402
from bothheads.physics.uneven import SMALL, Film, even_pull  # noqa: E402
from bothheads.plan.rods import best_turns  # noqa: E402
from bothheads.records import Head  # noqa: E402

Array = np.ndarray
START = 0.04
STRATEGIES = ("naive", "ours", "ours, sixteenths")
STARTS = ("heard", "film")


@dataclass
class Drawn:
    """One true head with its rods turned away from even."""

    mount: Mount
    film: Film
    tension: float
    turns: Array
    friction: float
    depth: float | None

    def pull(self, turns: Array | None = None) -> Array:
        return even_pull(self.tension) + self.mount.pull_per_turn() @ (self.turns if turns is None else turns)

    def heard(self, families: Any = LEVELS) -> Any:
        return self.film.taps(self.pull(), self.mount.angles, families, size=SMALL)

    def spreads(self, turns: Array | None = None) -> Array:
        """(heard, film, film without tilt) as fractions."""
        angles, pull = self.mount.angles, self.pull(turns)
        local = 0.5 * np.log(round_the_rim(angles) @ pull)
        heard = np.log(self.film.taps(pull, angles, ((1, 1),), size=SMALL)[1, 1][0])
        tilt = np.c_[np.cos(angles), np.sin(angles)]
        return np.array([np.ptp(heard), np.ptp(local), np.ptp(local - tilt @ (tilt.T @ local) * 2 / len(angles))])


def draw(rng: np.random.Generator, rods: int, start: str) -> Drawn:
    """A head whose spread as heard, or of the film with its tilt out, is 4 %."""
    low, high = {6: (0.127, 0.165), 8: (0.165, 0.28), 10: (0.254, 0.305)}[rods]
    while True:
        radius = rng.uniform(low, high)
        hoop = HOOPS["wood" if radius > 0.22 else str(rng.choice(["steel", "cast"]))]
        factor = rng.uniform(0.7, 1.4, 2)
        sigma = 1390 * float(rng.choice([0.19e-3, 0.254e-3]))
        depth = None if rng.random() < 0.33 else 1.3 * radius
        gain = float(np.exp(rng.uniform(np.log(150), np.log(600))))
        edge = "slip" if rng.random() < 0.5 else "stuck"
        ring = Hoop(hoop.bending * factor[0], hoop.torsion * factor[1])
        mount = Mount(radius=radius, rods=rods, surface_density=sigma, hoop=ring,
                      rod_stiffness=float(np.exp(rng.uniform(np.log(1e6), np.log(1e7)))), edge=edge).with_gain(gain)
        tension = gain * rng.uniform(1.8, 4.0)
        head = Drawn(mount, Film(radius, sigma, depth, edge=edge), tension, np.zeros(rods), rng.uniform(0.0, 0.15), depth)
        off = rng.standard_normal(rods)
        off -= off.mean()
        size = 0.006 * tension / gain
        which = {"heard": 0, "film": 2}[start]
        for _ in range(5):
            size *= min(START / head.spreads(off * size)[which], 0.12 * tension / gain / size)
        spread = head.spreads(off * size)
        if abs(spread[which] - START) < 0.002 and spread[1] < 0.16:
            head.turns = off * size
            return head


def hands(rng: np.random.Generator, head: Drawn, eighths: Array) -> Array:
    done = eighths / 8 * (1 + 0.15 * rng.standard_normal(len(eighths)))
    return np.where(done < 0, done * (1 - head.friction), done)


def taps(rng: np.random.Generator, head: Drawn) -> Any:
    rods = head.mount.rods
    strength = rng.normal(0, 0.3, rods)
    return {f: (F * np.exp(rng.normal(0, 3 / 1731, rods)), P * np.exp(strength + rng.normal(0, 1.5 / 8.686, rods)))
            for f, (F, P) in head.heard().items()}


def run(case: tuple[int, int, int, str, str, int]) -> dict[str, Any]:
    seed, rods, k, strategy, start, passes = case
    rng = np.random.default_rng([seed, rods, k])
    head = draw(rng, rods, start)
    rng = np.random.default_rng([seed, rods, k, 1])
    before = head.tension
    out, seconds = [head.spreads()], 0.0
    state = RodState.start(Head(head.film.surface_density, rods=rods), radius=head.film.radius, depth=head.depth)
    for _ in range(passes):
        if strategy == "naive":
            naive(rng, head)
        else:
            said = taps(rng, head)
            tick = time.perf_counter()
            state = state.after_families(said)
            step = 0.5 if strategy == "ours, sixteenths" else 1.0
            z = best_turns(state, step_eighths=step)
            state = state.after_turns(z.tolist())
            seconds += time.perf_counter() - tick
            head.turns = head.turns + hands(rng, head, z)
        out.append(head.spreads())
    size = HeadSize(rods, head.film.radius, head.film.surface_density, head.depth)
    mean = float(np.mean(head.heard(((1, 1),))[1, 1][0]))
    moved = 600 * np.log2(tension_from_pitch(size, mean) / before)
    return {"spread": np.array(out).tolist(), "cents": float(moved), "seconds": seconds / passes}


def naive(rng: np.random.Generator, head: Drawn) -> None:
    """The lowest rod up until it matches the others' mean, tapped after each eighth."""
    rods = head.mount.rods
    read = lambda: np.log(head.heard(((1, 1),))[1, 1][0]) + rng.normal(0, 3 / 1731, rods)  # noqa: E731
    pitch = read()
    low = int(pitch.argmin())
    goal = np.delete(pitch, low).mean()
    one = np.zeros(rods)
    one[low] = 1.0
    for _ in range(12):
        if pitch[low] >= goal - 0.0015:
            return
        head.turns = head.turns + hands(rng, head, one)
        pitch[low] = read()[low]


def table(rows: list[dict[str, Any]]) -> str:
    """Plain table: medians after pass 0, 1, .. and what the target asks for."""
    lines = ["rods start strategy         | heard %, after pass 0..   | heads < 1 % heard, after 1.. | film without tilt %, "
             "median/p90 | largest growth of any head: heard, film; share > .3 % | mean moved, cents (p90) | ms a pass"]
    for r in rows:
        film = " ".join(f"{a:.1f}/{b:.1f}" for a, b in zip(r["film_median"], r["film_p90"], strict=True))
        lines.append(" ".join([
            f"{r['rods']:4d} {r['start']:5s} {r['strategy']:16s} |", *(f"{v:5.2f}" for v in r["heard_median"]), "|",
            *(f"{v:5.1f}" for v in r["heard_below_1"][1:]), "|", film, "|",
            f"{r['worst_heard_growth']:+.2f} {r['worst_film_growth']:+.2f} {r['film_worse_share']:.1f} % |",
            f"{r['cents_median']:+.0f} ({r['cents_p90']:.0f}) | {r['ms']:.0f}"]))
    return "\n".join(lines)


def summary(rods: int, start: str, strategy: str, found: list[dict[str, Any]]) -> dict[str, Any]:
    s = 100 * np.array([f["spread"] for f in found])
    heard, film = s[:, :, 0], s[:, :, 2]
    cents = np.array([f["cents"] for f in found])
    return {"rods": rods, "start": start, "strategy": strategy, "heads": len(found),
            "heard_median": np.median(heard, 0).tolist(), "heard_p90": np.percentile(heard, 90, 0).tolist(),
            "heard_below_1": (100 * (heard < 1).mean(0)).tolist(),
            "film_median": np.median(film, 0).tolist(), "film_p90": np.percentile(film, 90, 0).tolist(),
            "film_below_1": (100 * (film < 1).mean(0)).tolist(),
            "with_tilt_median": np.median(s[:, :, 1], 0).tolist(),
            "worst_heard_growth": float((heard[:, -1] - heard[:, 0]).max()),
            "worst_film_growth": float((film[:, -1] - film[:, 0]).max()),
            "film_worse_share": float(100 * (film[:, -1] - film[:, 0] > 0.3).mean()),
            "cents_median": float(np.median(cents)), "cents_p90": float(np.percentile(abs(cents), 90)),
            "ms": 1e3 * float(np.median([f["seconds"] for f in found]))}


def main(arguments: list[str]) -> int:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    p.add_argument("--cases", type=int, default=500)
    p.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--passes", type=int, default=4)
    p.add_argument("--rods", type=int, nargs="*", default=[6, 8, 10])
    p.add_argument("--strategies", nargs="*", default=list(STRATEGIES))
    p.add_argument("--starts", nargs="*", default=list(STARTS))
    p.add_argument("--out")
    o = p.parse_args(arguments)
    groups = [(rods, start, strategy) for rods in o.rods for start in o.starts for strategy in o.strategies]
    cases = [(o.seed, rods, k, strategy, start, o.passes) for rods, start, strategy in groups for k in range(o.cases)]
    if o.jobs > 1:
        with ProcessPoolExecutor(o.jobs) as pool:
            found = list(pool.map(run, cases, chunksize=5))
    else:
        found = [run(case) for case in cases]
    rows = [summary(*group, found[i * o.cases:(i + 1) * o.cases]) for i, group in enumerate(groups)]
    print(table(rows))
    if o.out:
        with open(o.out, "w", encoding="utf-8") as file:
            json.dump({"schema": "bothheads.bench-rods/1", "seed": o.seed, "cases": o.cases, "rows": rows}, file, indent=1)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
