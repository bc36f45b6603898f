"""Forecast of a held-back fourth state from three with turns, over synthetic stories.

Each story: a drum whose films, losses and partials differ from what is assumed, hands that miss, a collar
that is not straight, film that settles and drifts, days between the states, readings with noise and gaps,
and a small frequency-only fit of each state with the nominal films. Forecast against the fourth reading.

    PYTHONPATH=src python bench/stories.py [--cases N] [--jobs J] [--seed S] [--out FILE.json]
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np

from bothheads import wire
from bothheads.infer import anchors, forecast, ladder, turns
from bothheads.records import (
    Alternative,
    Drum,
    Fit,
    FitPair,
    Head,
    HeadFit,
    Note,
    Partial,
    Reading,
    State,
    Strike,
    Turn,
)

SIZES = ((18, 14), (20, 14), (22, 16), (22, 18), (24, 14), (26, 12), (26, 14), (10, 8), (12, 9), (14, 12), (16, 16))
FILMS = (0.2648, 0.3531, 0.4943)


def random_drum(rng: np.random.Generator) -> Drum:
    """A drum as its owner describes it, with nominal films."""
    inches = SIZES[rng.integers(len(SIZES))]
    top = 1.6 if inches[0] < 18 else 1.0
    mean = top * np.exp(rng.normal(np.log(620.0), 0.3))
    ratio = np.exp(rng.normal(0.0, 0.3))
    rods = 6 if inches[0] < 14 else 8 if inches[0] < 24 else 10
    heads = [Head(float(rng.choice(FILMS)), rods, tension=float(mean * ratio**side)) for side in (0.5, -0.5)]
    return Drum("story", inches[0] * 0.0254, inches[1] * 0.0254, heads[0], heads[1],
                strike=Strike(x=float(rng.uniform(0.01, 0.05))))


class Truth:
    """What nobody knows: true films, slopes, bends, losses and the model's own error on each partial."""

    def __init__(self, drum: Drum, rng: np.random.Generator) -> None:
        self.rng = rng
        film = np.exp(rng.normal(0.0, 0.05, 2))
        loss = np.exp(rng.normal(np.log(5.0), 0.7, 2))
        assert drum.resonant is not None
        self.drum = replace(
            drum,
            batter=replace(drum.batter, surface_density=drum.batter.surface_density * film[0], resistance=loss[0]),
            resonant=replace(drum.resonant, surface_density=drum.resonant.surface_density * film[1],
                             resistance=loss[1]))
        self.tension = np.array([drum.batter.tension, drum.resonant.tension], dtype=float) * film
        self.slope = np.exp(rng.normal(np.log(300.0), 0.45, 2))
        self.bend = rng.normal(0.0, 0.10, 2)  # per turn
        self.rods = np.array([drum.batter.rods, drum.resonant.rods])
        self.place = np.zeros(2)
        self.error: dict[Any, float] = {}

    def turn(self, turns: np.ndarray) -> None:
        """All rods of both heads turned, as hands do it; then it settles and drifts."""
        done = [t + (t != 0) * self.rng.normal(0.0, np.hypot(0.15 * t, 1 / 64) / np.sqrt(n))
                for t, n in zip(turns, self.rods, strict=True)]
        before = self.slope * (self.place + self.bend * self.place**2 / 2)
        self.place = self.place + np.array(done)
        step = self.slope * (self.place + self.bend * self.place**2 / 2) - before
        settled = step * (1.0 - np.where(step > 0, abs(self.rng.normal(0.0, 0.02, 2)), 0.0))
        self.tension = np.maximum(self.tension + settled, 60.0) * np.exp(self.rng.normal(0.0, 0.004, 2))

    def read(self, drop: float) -> tuple[list[Partial], dict[Any, float]]:
        """Partials as read: 2 cents and 10 % of noise, some missing; and which mode each was."""
        drum = ladder.with_tensions(self.drum, *map(float, self.tension))
        rungs = ladder.rungs(drum)
        loud = anchors.loudness_of(forecast.predict_drum(drum, None), rungs)
        out, keys = [], {}
        for rung in rungs:
            level = loud.get(rung.key, -99.0)
            slip = self.error.setdefault(rung.key, float(self.rng.normal(0.0, 0.002)))
            if level < -30 or rung.decay_s < 0.02 or self.rng.random() < drop * (1.0 + level / -30.0):
                continue
            frequency = rung.frequency_hz * np.exp(slip + self.rng.normal(0.0, 2.0) * np.log(2) / 1200)
            out.append(Partial(float(frequency), float(frequency * 0.0012), rung.decay_s * float(
                np.exp(self.rng.normal(0.0, 0.1))), 0.1 * rung.decay_s, (level,), (level - 20.0,)))
            keys[float(frequency)] = rung.key
        return sorted(out, key=lambda p: p.frequency_hz), keys


def quick_fit(drum: Drum, partials: list[Partial], keys: dict[Any, float], swapped: bool) -> Fit | None:
    """Frequency-only Gauss-Newton with the nominal films and known pairing; None when it cannot.

    ``swapped``: levels spoke for the wrong head this time, so the swapped pair leads with odds .6.
    """
    guess = drum
    if len(partials) < 3:
        return None
    for _ in range(3):
        table = {r.key: r for r in ladder.rungs(guess)}
        used = [(p, table[keys[p.frequency_hz]]) for p in partials if keys[p.frequency_hz] in table]
        gap = np.array([np.log(p.frequency_hz / r.frequency_hz) for p, r in used])
        slopes = np.array([r.pitch_slope for _, r in used])
        weight = 1.0 / (0.0012**2 + 0.002**2)
        hess = weight * slopes.T @ slopes + np.diag([1.0, 1.0])
        step = np.clip(np.linalg.solve(hess, weight * slopes.T @ gap), -0.15, 0.15)
        now = ladder.known_tensions(guess)
        assert now is not None
        guess = ladder.with_tensions(guess, float(now[0] * np.exp(step[0])), float(now[1] * np.exp(step[1])))
    cov = np.linalg.inv(hess)
    to_ud = np.array([[0.5, 0.5], [1.0, -1.0]])
    ud = to_ud @ (cov + np.diag([0.045**2, 0.045**2])) @ to_ud.T
    now = ladder.known_tensions(guess)
    assert now is not None
    pairs = tuple(FitPair(p.frequency_hz, r.frequency_hz, float(g * 1731.0), r.key[0]) for (p, r), g in
                  zip(used, gap, strict=True))
    sd = np.sqrt(np.diag(cov) + 0.045**2)
    batter, resonant = HeadFit(now[0], float(now[0] * sd[0])), HeadFit(now[1], float(now[1] * sd[1]))
    assert drum.resonant is not None
    films = drum.batter.surface_density / drum.resonant.surface_density
    rival = HeadFit(now[1] * films, float(now[1] * films * sd[1])), HeadFit(now[0] / films,
                                                                            float(now[0] / films * sd[0]))
    odds = 0.6 if swapped else 0.95
    if swapped:
        (batter, resonant), rival = rival, (batter, resonant)
    ud_cov = (float(ud[0, 0]), float(ud[0, 1])), (float(ud[1, 0]), float(ud[1, 1]))
    return Fit(batter, resonant, odds, (Alternative(*rival, 1.0 - odds),), pairs, True, None, ud_cov)


def story(seed: int, states: int = 4) -> tuple[list[State], dict[Any, float], Truth]:
    """States of one story and the key of every partial of the last."""
    rng = np.random.default_rng(seed)
    drum = random_drum(rng)
    truth = Truth(drum, rng)
    out: list[State] = []
    keys: dict[Any, float] = {}
    day = 1.0
    for number in range(1, states + 1):
        moved = np.zeros(2)
        if number > 1:
            moved = rng.integers(-4, 7, 2) / 8.0 * (rng.random(2) < 0.75)
            if not moved.any():
                moved[rng.integers(2)] = 0.25
            low = truth.tension + truth.slope * moved < np.maximum(0.5 * truth.tension, 200.0)
            moved = np.where(low, abs(moved), moved)
            truth.turn(moved)
        partials, keys = truth.read(0.25)
        start = ladder.with_tensions(drum, *(float(t * np.exp(rng.normal(0.0, 0.04))) for t in truth.tension))
        fit = quick_fit(start, partials, keys, bool(rng.random() < 0.05))
        stands = drum if fit is None or fit.resonant is None or fit.batter is None else ladder.with_tensions(
            drum, fit.batter.tension, fit.resonant.tension)
        reading = Reading(48000, ("front",), (), tuple(partials), Note())
        listed = tuple(Turn(h, float(t)) for h, t in zip(("batter", "resonant"), moved, strict=True) if t)
        day += float(rng.choice([0.02, 0.1, 1.0, 7.0]))
        out.append(State(1, number, f"2026-03-{1 + int(day) % 28:02d}T12:00:00Z", stands, listed,
                         wire.reading(reading), wire.fit(fit) if fit else None))
    return out, keys, truth


def case(seed: int) -> dict[str, Any]:
    """One story: cents and z of every partial of the fourth state that was forecast and read."""
    states, keys, _ = story(seed)
    if not any(s.fit for s in states[:3]):
        return {"seed": seed, "cents": [], "z": [], "note": "no fit in three states"}
    started = time.perf_counter()
    learned = turns.learn_heads(states[:3])
    _, prediction, order = forecast.carry(states[:3], states[3].turns, learned=learned)
    wall = time.perf_counter() - started
    forecasted = {k: p for k, p in zip(order, prediction.partials, strict=True) if k is not None}
    cents, z, decay_z, anchored, which = [], [], [], [], []
    stood = ladder.with_tensions(states[2].drum, *map(float, learned.now()[0]))
    read = anchors.anchors(states[2], forecast.predict_drum(stood, None), ladder.rungs(stood))
    for p in wire.reading_from(states[3].reading or {}).partials:
        key = keys[p.frequency_hz]
        if key not in forecasted:
            continue
        q = forecasted[key]
        noise = 2.0
        c = 1200.0 * np.log2(p.frequency_hz / q.frequency_hz)
        sd = np.hypot(1200.0 * np.log2(1.0 + (q.frequency_sd_hz or 0.0) / q.frequency_hz), noise)
        cents.append(float(c))
        z.append(float(c / sd))
        decay_z.append(float(np.log(p.decay_s / q.decay_s) / np.hypot((q.decay_sd_s or 1.0) / q.decay_s, 0.1)))
        anchored.append(key in read)
        which.append(str(key))
    return {"seed": seed, "cents": cents, "z": z, "decay_z": decay_z, "anchored": anchored, "keys": which,
            "wall_s": wall, "turns": wire.turns(states[3].turns)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--out")
    args = parser.parse_args()
    seeds = range(args.seed, args.seed + args.cases)
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            rows = list(pool.map(case, seeds))
    else:
        rows = []
        for seed in seeds:
            rows.append(case(seed))
            if len(rows) % 10 == 0:
                done = np.abs(np.concatenate([r["cents"] for r in rows]))
                print(f"# {len(rows)} stories, median {np.median(done):.1f} cents", flush=True)
    cents = np.abs(np.concatenate([r["cents"] for r in rows]))
    z, dz = (np.abs(np.concatenate([r[k] for r in rows if r["cents"]])) for k in ("z", "decay_z"))
    held = np.concatenate([r["anchored"] for r in rows if r["cents"]])
    summary = {
        "stories": len(rows), "forecast": sum(bool(r["cents"]) for r in rows), "partials": len(cents),
        "cents_median": float(np.median(cents)), "cents_p90": float(np.quantile(cents, 0.9)),
        "cover_95": float((z < 1.96).mean()), "z_rms": float(np.sqrt((z**2).mean())),
        "cover_95_anchored": float((z[held] < 1.96).mean()), "cover_95_model_only": float((z[~held] < 1.96).mean()),
        "cents_median_anchored": float(np.median(cents[held])), "anchored_share": float(held.mean()),
        "decay_cover_95": float((dz < 1.96).mean()),
        "wall_s_median": float(np.median([r["wall_s"] for r in rows if r["cents"]])),
    }
    for key, value in summary.items():
        print(f"{key:24s} {value:.4g}")
    if args.out:
        with open(args.out, "w", encoding="utf-8") as file:
            json.dump({"summary": summary, "cases": rows}, file, indent=1)


if __name__ == "__main__":
    main()
