"""Speaking of odds: a synthetic log of a year, three drums, and what explains each change.

Every change has one true cause, noted in the log or not. A cause is claimed when it leads with odds of a half
or more and is not 'cannot tell'. Counted: claims among the changes that have a cause, and how many are right.

    PYTHONPATH=src python bench/causes.py [--cases STATES] [--jobs J] [--seed S] [--out FILE.json]
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from bothheads import wire
from bothheads.infer import cause, ladder
from bothheads.physics.forecast import forecast
from bothheads.records import (
    Air,
    Drum,
    Fit,
    Head,
    HeadFit,
    Microphone,
    Muffling,
    Note,
    Partial,
    Reading,
    State,
    Strike,
    Turn,
)

DRUMS = (
    Drum("Street bass", 0.6604, 0.3048, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0)),
    Drum("Hall bass", 0.508, 0.3556, Head(0.353, 8, tension=560.0), Head(0.265, 8, tension=640.0)),
    Drum("Low tom", 0.4064, 0.4064, Head(0.353, 8, tension=760.0), Head(0.265, 8, tension=900.0)),
)
CAUSES = ("batter", "resonant", "both", "muffling", "air", "settling", "strike", "microphone", "nothing")
CHANNELS = ("front", "seat")


@dataclass
class Bench:
    """One drum's true condition through the year."""

    drum: Drum
    rng: np.random.Generator
    film: np.ndarray = field(init=False)
    error: dict[Any, float] = field(default_factory=dict)
    air_c: float = 20.0
    gain: np.ndarray = field(default_factory=lambda: np.zeros(2))

    def __post_init__(self) -> None:
        self.film = np.exp(self.rng.normal(0.0, 0.04, 2))

    def places(self, spread: float) -> tuple[Microphone, ...]:
        """Microphones about the reference places."""
        base = {"front": (0.0, 0.0, self.drum.depth + 0.6), "seat": (0.0, 0.45, -0.45)}
        return tuple(Microphone(n, *(float(c + self.rng.normal(0.0, spread)) for c in base[n])) for n in CHANNELS)

    def read(self) -> Reading:
        """A reading of the drum as it is, with the noise of reading."""
        warm = (self.air_c + 273.15) / 293.15
        air = Air(343.2 * warm**0.5, 1.204 / warm)
        d = self.drum
        assert d.resonant is not None and d.batter.tension is not None and d.resonant.tension is not None
        true = replace(d, air=air, batter=replace(d.batter, surface_density=d.batter.surface_density * self.film[0],
                                                  tension=d.batter.tension * self.film[0]),
                       resonant=replace(d.resonant, surface_density=d.resonant.surface_density * self.film[1],
                                        tension=d.resonant.tension * self.film[1]))
        prediction = forecast(true)
        top = {c: max(p.level_db[c] for p in prediction.partials) for c in CHANNELS}
        rows, order = [], {}
        for p in prediction.partials:
            rank = order[p.m] = order.get(p.m, -1) + 1
            level = [p.level_db[c] - top[c] for c in CHANNELS]
            if max(level) < -28 or p.decay_s < 0.02 or self.rng.random() < 0.1:
                continue
            slip = self.error.setdefault((p.m, rank), float(self.rng.normal(0.0, 0.002)))
            f = p.frequency_hz * np.exp(slip + self.rng.normal(0.0, 0.0012))
            noise = self.rng.normal(0.0, 1.0, 2) + self.gain
            rows.append(Partial(float(f), float(0.001 * f), float(p.decay_s * np.exp(self.rng.normal(0.0, 0.07))),
                                0.07 * p.decay_s, tuple(float(x) for x in level),
                                tuple(float(p.level_db[c] - 120 + n) for c, n in zip(CHANNELS, noise, strict=True))))
        return Reading(48000, CHANNELS, (), tuple(sorted(rows, key=lambda r: r.frequency_hz)), Note())


def change(bench: Bench, rng: np.random.Generator, noted: dict[str, Any]) -> str:
    """Draws one cause, does it to the bench, and writes it down or not."""
    what = str(rng.choice(CAUSES))
    drum, tension = bench.drum, np.array(ladder.known_tensions(bench.drum))
    written = rng.random() < 0.6
    if what in ("batter", "resonant", "both"):
        size = rng.choice([-1, 1], 2) * rng.uniform(0.05, 0.25, 2)
        size *= [what != "resonant", what != "batter"]
        turned = size * tension / (300.0 * np.exp(rng.normal(0.0, 0.3, 2)))
        if written:
            noted["turns"] = tuple(Turn(h, round(float(t) * 8) / 8 or float(t)) for h, t in
                                   zip(("batter", "resonant"), turned, strict=True) if t)
        drum = ladder.with_tensions(drum, *map(float, np.clip(tension * np.exp(size), 250, 3000)))
    elif what == "settling":
        drum = ladder.with_tensions(drum, *map(float, tension * np.exp(-rng.uniform(0.008, 0.03))))
        noted["days"] = float(rng.uniform(1, 7))
    elif what == "air":
        bench.air_c = float(np.clip(bench.air_c + rng.choice([-1, 1]) * rng.uniform(8, 18), 2, 38))
        noted["temperature"] = written
        drum = ladder.with_tensions(drum, *map(float, tension * np.exp(rng.normal(0.0, 0.003))))
    elif what == "muffling":
        width = float(rng.uniform(0.02, 0.05))
        ring = Muffling("ring", ("batter",), width=width, mass=0.01, resistance=float(rng.uniform(20, 60)))
        drum = replace(drum, muffling=() if drum.muffling else (ring,))
        noted["muffling"] = written
    elif what == "strike":
        reach = drum.radius
        drum = replace(drum, strike=Strike(float(rng.uniform(0.1, 0.45) * reach), float(rng.uniform(-0.3, 0.3) * reach)))
        noted["strike"] = written
    elif what == "microphone":
        drum = replace(drum, microphones=bench.places(0.25))
        noted["microphone"] = written
    bench.drum = drum
    bench.gain = rng.normal(0.0, 3.0, 2)
    return what


def as_written(bench: Bench, before: State | None, number: int, noted: dict[str, Any], day: float,
               rng: np.random.Generator) -> State:
    """The state as the log holds it: described by what was noted, tensions as a fit would find them."""
    described = bench.drum if before is None else replace(
        before.drum,
        muffling=bench.drum.muffling if noted.get("muffling") else before.drum.muffling,
        strike=bench.drum.strike if noted.get("strike") else before.drum.strike,
        microphones=bench.drum.microphones if noted.get("microphone") else before.drum.microphones)
    tension = np.array(ladder.known_tensions(bench.drum)) * np.exp(rng.normal(0.0, 0.008, 2))
    described = ladder.with_tensions(described, *map(float, tension))
    cov = ((0.03**2 / 2, 0.0), (0.0, 2 * 0.03**2))
    fit = Fit(HeadFit(float(tension[0]), float(0.03 * tension[0])), HeadFit(float(tension[1]), float(
        0.03 * tension[1])), 0.95, (), (), True, None, cov)
    settings = {"temperature_c": f"{bench.air_c:.0f}"} if noted.get("temperature") or before is None else {}
    month, rest = divmod(int(day), 28)
    return State(1, number, f"2026-{1 + month % 12:02d}-{1 + rest:02d}T12:00:00Z", described,
                 noted.get("turns", ()), wire.reading(bench.read()), wire.fit(fit), settings=settings)


def year(task: tuple[int, int]) -> list[dict[str, Any]]:
    """One drum's log of a year and the leading cause of each change."""
    seed, states = task
    rng = np.random.default_rng(seed)
    bench = Bench(DRUMS[seed % len(DRUMS)], rng)
    bench.drum = replace(bench.drum, microphones=bench.places(0.05))
    before, day, rows = None, 1.0, []
    for number in range(1, states + 1):
        noted: dict[str, Any] = {}
        what = "nothing" if before is None else change(bench, rng, noted)
        day += noted.get("days", float(rng.choice([0.01, 0.05, 3.0])))
        now = as_written(bench, before, number, noted, day, rng)
        if before is not None:
            found = cause.explain(before, now)
            rows.append({"drum": bench.drum.name, "true": what, "claim": found[0].what, "odds": found[0].odds,
                         "of_true": next(c.odds for c in found if c.what == what), "noted": bool(noted)})
        before = now
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=60, help="states of one year over all drums")
    parser.add_argument("--years", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=300)
    parser.add_argument("--out")
    args = parser.parse_args()
    per_drum = args.cases // len(DRUMS)
    tasks = [(args.seed + i, per_drum) for i in range(len(DRUMS) * args.years)]
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            rows = [r for part in pool.map(year, tasks) for r in part]
    else:
        rows = [r for task in tasks for r in year(task)]
    claims = [r for r in rows if r["odds"] >= 0.5 and r["claim"] != "cannot tell"]
    caused = [r for r in rows if r["true"] != "nothing"]
    claimed = [r for r in claims if r["true"] != "nothing"]
    right = [r for r in claims if r["claim"] == r["true"]]
    print(f"{'true cause':12s} {'n':>4s} {'claimed':>8s} {'right':>6s}  claimed instead")
    for what in CAUSES:
        mine = [r for r in rows if r["true"] == what]
        said = [r for r in mine if r in claims]
        other = sorted({r["claim"] for r in said if r["claim"] != what})
        print(f"{what:12s} {len(mine):4d} {len(said):8d} {sum(r['claim'] == what for r in said):6d}  {', '.join(other)}")
    summary = {"changes": len(rows), "with_cause": len(caused), "claimed_share": len(claimed) / max(len(caused), 1),
               "right_share": len(right) / max(len(claims), 1)}
    bins = []
    for low, high in ((0.5, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 1.0)):
        mine = [r for r in claims if low <= r["odds"] < high]
        if mine:
            share = sum(r["claim"] == r["true"] for r in mine) / len(mine)
            bins.append({"from": low, "n": len(mine), "odds": float(np.mean([r["odds"] for r in mine])), "right": share})
            print(f"odds {low:.1f}-{high:.1f}: {len(mine)} claims, mean {bins[-1]['odds']:.2f}, right {share:.2f}")
    print(f"claimed {summary['claimed_share']:.2f} of changes with a cause, right {summary['right_share']:.2f} of claims")
    if args.out:
        with open(args.out, "w", encoding="utf-8") as file:
            json.dump({"summary": summary, "bins": bins, "cases": rows}, file, indent=1)


if __name__ == "__main__":
    main()
