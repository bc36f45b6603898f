"""Plans carried out: from three states with turns to a wished note, read and planned again after every step.

The drums, hands and collars are those of bench/stories.py. For each case a note 30-200 cents away is wished; the
first step of each plan is turned by hands that miss, the drum is read and fitted, and the plan is made again.

    PYTHONPATH=src python bench/plans.py [--cases N] [--jobs J] [--seed S] [--out FILE.json]
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

try:
    import stories
except ImportError:  # run from elsewhere
    import sys

    sys.path.insert(0, str(Path(__file__).parent))
    import stories

from bothheads import wire
from bothheads.errors import BothheadsError
from bothheads.infer import ladder
from bothheads.physics.forecast import forecast
from bothheads.plan.turns import plan_turns
from bothheads.records import Note, Reading, State, Turn

MOST_ROUNDS = 10


def true_note(truth: stories.Truth) -> tuple[float, float]:
    """Note [Hz] and tail [s] of the drum as it truly is, slip of that partial included."""
    drum = ladder.with_tensions(truth.drum, *map(float, truth.tension))
    note = forecast(drum).note
    key = min(ladder.rungs(drum), key=lambda r: abs(r.frequency_hz - (note.frequency_hz or 0.0))).key
    return (note.frequency_hz or 0.0) * float(np.exp(truth.error.setdefault(key, 0.0))), note.t60_s or 0.0


def read_state(states: list[State], truth: stories.Truth, moved: tuple[Turn, ...], rng: np.random.Generator) -> State:
    """The next state: turned, read and fitted."""
    partials, keys = truth.read(0.1)
    last = states[-1]
    start = ladder.with_tensions(last.drum, *(float(t * np.exp(rng.normal(0.0, 0.04))) for t in truth.tension))
    fit = stories.quick_fit(start, partials, keys, False)
    note, tail = true_note(truth)
    reading = Reading(48000, ("front",), (), tuple(partials),
                      Note(note * float(np.exp(rng.normal(0.0, 0.0012))), 0.05, tail / 6.9078, tail))
    stands = last.drum if fit is None or fit.batter is None or fit.resonant is None else ladder.with_tensions(
        last.drum, fit.batter.tension, fit.resonant.tension)
    return State(1, last.number + 1, last.made_at, stands, moved, wire.reading(reading),
                 wire.fit(fit) if fit else None)


def case(seed: int) -> dict[str, Any]:
    """One wish carried out; times of the first plan and of planning again, and where it ended."""
    rng = np.random.default_rng(seed + 10**6)
    states, _, truth = stories.story(seed, 3)
    states[-1] = replace(read_state(states, truth, (), rng), number=3, turns=states[-1].turns)
    start = true_note(truth)[0]
    target = start * float(2 ** (rng.choice([-1, 1]) * rng.uniform(30, 200) / 1200))
    row: dict[str, Any] = {"seed": seed, "start_hz": start, "target_hz": target, "replan_s": [], "replan_cpu_s": [],
                           "band": []}
    for turn in range(MOST_ROUNDS):
        began, spent = time.perf_counter(), time.process_time()
        try:
            plan = plan_turns(states[-1].drum, states=states, note_hz=target)
        except BothheadsError as error:
            return row | {"refused": str(error)}
        wall, spent = time.perf_counter() - began, time.process_time() - spent
        if turn:
            row["replan_s"].append(wall)
            row["replan_cpu_s"].append(spent)
        else:
            row |= {"plan_s": wall, "plan_cpu_s": spent, "cannot": list(plan.cannot), "steps_planned": len(plan.steps)}
        step = next((s for s in plan.steps if s.rods), None)
        if step is None:
            break
        amount = step.rods[0].eighths / 8.0
        truth.turn(np.array([amount * (step.head == "batter"), amount * (step.head == "resonant")]))
        states.append(read_state(states, truth, (Turn(step.head, amount),), rng))
        low, high = step.expected["note_band_hz"]
        row["band"].append(bool(low <= true_note(truth)[0] <= high))
    row["rounds"] = len(states) - 3
    row["cents"] = float(1200 * np.log2(true_note(truth)[0] / target))
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--cases", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--out")
    args = parser.parse_args()
    seeds = range(args.seed, args.seed + args.cases)
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            rows = list(pool.map(case, seeds))
    else:
        rows = [case(s) for s in seeds]
    done = [r for r in rows if "cents" in r]
    off = np.abs([r["cents"] for r in done])
    again = [t for r in done for t in r["replan_s"]]
    band = [b for r in done for b in r["band"]]
    summary = {
        "cases": len(rows), "refused": len(rows) - len(done), "cents_median": float(np.median(off)),
        "cents_p90": float(np.quantile(off, 0.9)), "within_15_cents": float(np.mean(off <= 15)),
        "rounds_median": float(np.median([r["rounds"] for r in done])), "step_band_covers": float(np.mean(band)),
        "plan_s_median": float(np.median([r["plan_s"] for r in done])),
        "plan_s_worst": float(max(r["plan_s"] for r in done)),
        "replan_s_median": float(np.median(again)), "replan_s_worst": float(max(again)),
        "plan_cpu_s_worst": float(max(r["plan_cpu_s"] for r in done)),
        "replan_cpu_s_median": float(np.median([t for r in done for t in r["replan_cpu_s"]])),
        "replan_cpu_s_worst": float(max(t for r in done for t in r["replan_cpu_s"])),
    }
    for key, value in summary.items():
        print(f"{key:24s} {value:.4g}")
    if args.out:
        with open(args.out, "w", encoding="utf-8") as file:
            json.dump({"summary": summary, "cases": rows}, file, indent=1)


if __name__ == "__main__":
    main()
