"""Learns the weights by which ``sound.verdict`` tells a strike from other sounds; writes src/bothheads/sound/data/strikes.json.

    python builders/strike_weights.py [--jobs J] [--share S]

Scenes: those of ``bench/onsets.py`` with seeds from 600,000, real strikes (the half ``learn`` of the recordings), drums of
the physical model, tones that beat, talk, chords, swells, noise and rings (``bench/onset_scenes.py``), single strikes, and
the pieces a streaming reader looks at; by 1 to 8 microphones, at 8 to 96 kHz. Nothing of it is used where figures are
reported. A logistic regression with a ridge, every class of scenes with its own weight.
What lies within 35 ms behind a strike, and bleed, is left out.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "src"), str(ROOT / "bench"), str(ROOT / "tests")]
Array = NDArray[np.float64]
FIRST_SEED = 600_000
NEAR_S, AFTER_S = 0.013, 0.035
RIDGE = 3.0
RATES_HZ = (48000, 48000, 44100, 96000, 22050, 8000)
SCENES = {"synthetic 20": 40, "synthetic 30": 16, "synthetic 40": 30, "synthetic 60": 20, "synthetic 80": 20, "real 20": 20,
          "real 30": 10, "real 40": 20, "talk": 20, "chords": 12, "swells": 16, "noise": 60, "ring": 60, "beat": 80, "model": 240,
          "bare": 240, "window": 400, "pause": 100}
DOUBLE = 3.0  # times as heavy: strokes less than a tenth of a second apart are rare in the scenes
WEIGHT = {"synthetic 60": 2.0, "synthetic 80": 2.0, "ring": 3.0, "beat": 3.0, "model": 4.0,
          "bare": 3.0, "noise": 2.0, "pause": 2.0}


def scene(kind: str, index: int) -> Any:
    """Scene ``index`` of a kind."""
    import onset_scenes
    import onsets

    seed = FIRST_SEED + index
    name, _, snr = kind.partition(" ")
    if name == "synthetic":
        return onsets.scene(seed, float(snr))
    if name == "real":
        return onset_scenes.real_scene(seed, float(snr), "learn")
    if name == "beat":
        return onset_scenes.beating_scene(seed)
    if name == "model":
        return onset_scenes.model_scene(seed)
    if name == "bare":
        return onset_scenes.bare_scene(seed, "learn")
    if name in ("window", "pause"):
        return onset_scenes.window_scene(seed, "learn", unstruck=name == "pause")
    return onset_scenes.unstruck_scene(seed, kind)


def otherwise_heard(x: Array, rng: np.random.Generator) -> tuple[Array, int]:
    """``x`` (n, channels) at 48 kHz by one, as many, or up to eight microphones, the others softer and noisier or deaf, and at
    one of ``RATES_HZ``; the rate with it."""
    from scipy.signal import resample_poly

    kind = rng.uniform()
    if kind < 0.3:
        x = x[:, rng.integers(x.shape[1])][:, None]
    elif kind < 0.6:
        noise = float(np.quantile(np.abs(x), 0.2)) + 1e-7
        more = [x[:, rng.integers(x.shape[1])] * rng.choice([0.0, rng.uniform(0.05, 1.0)])
                + rng.uniform(0.5, 3.0) * noise * rng.standard_normal(len(x)) for _ in range(rng.integers(1, 7))]
        x = np.stack([*x.T, *more], axis=1)
    rate = int(rng.choice(RATES_HZ))
    if rate == 48000:
        return x, rate
    step = np.gcd(rate, 48000)
    return np.asarray(resample_poly(x, rate // step, 48000 // step, axis=0)), rate


def rows(job: tuple[str, int]) -> list[tuple[bool, float, list[float]]]:
    """(strike or not, weight, features) of the candidates of a scene; what is neither is left out."""
    from bothheads.sound.live import CONTEXT_S
    from bothheads.sound.live_jobs import FADE_S, faded
    from bothheads.sound.strikes import weighed
    from bothheads.sound.whiten import LowBand, streams

    made = scene(*job)
    x, rate = otherwise_heard(made.samples, np.random.default_rng([job[1], len(job[0]), 29]))
    begin, untold_s, past = 0, 0.0, None
    if job[0] in ("window", "pause"):
        low = LowBand(float(rate), x.shape[1])
        low.add(x)
        past, begin = low.past, max(0, len(x) - round(CONTEXT_S * rate))
        if begin:
            x, untold_s = np.asarray(faded(x[begin:].astype(np.float32), rate), float), FADE_S
    found, evidence = weighed(streams(x, float(rate), untold_s=untold_s, past=past))
    out = []
    for c, row in zip(found, np.nan_to_num(evidence).tolist(), strict=True):
        at = c.at_s + begin / rate
        late = min((at - s for s in made.onset_s), key=abs, default=9.0)
        neither = min((abs(at - s) for s in made.neutral_s), default=9.0) < 0.1
        strike = abs(late) < NEAR_S
        if c.at_s >= untold_s and (strike or not (neither or -0.004 < late < AFTER_S)):
            double = strike and sum(abs(at - s) < 0.1 for s in made.onset_s) > 1
            out.append((strike, WEIGHT.get(job[0], 1.0) * (DOUBLE if double else 1.0), row))
    return out


def regression(columns: Array, strike: Array, weight: Array) -> Array:
    """Weights that make the log likelihood less the ridge largest, by Newton steps."""
    answer = np.zeros(columns.shape[1])
    ridge = np.full(len(answer), RIDGE)
    ridge[0] = 1e-6
    for _ in range(60):
        p = 1.0 / (1.0 + np.exp(-np.clip(columns @ answer, -30, 30)))
        slope = columns.T @ (weight * (strike - p)) - ridge * answer
        bend = (columns * (weight * p * (1.0 - p))[:, None]).T @ columns + np.diag(ridge)
        step = np.linalg.solve(bend, slope)
        answer = answer + step
        if np.abs(step).max() < 1e-7:
            break
    return answer


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0, help="of the scenes")
    parser.add_argument("--keep", type=Path, help="file for the features")
    given = parser.parse_args()
    from bothheads.sound.gate import FEATURES
    from bothheads.sound.verdict import terms

    jobs = [(kind, i) for kind, n in SCENES.items() for i in range(max(1, round(n * given.share)))]
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            parts = list(pool.map(rows, jobs))
    else:
        parts = [rows(job) for job in jobs]
    if given.keep:
        given.keep.write_text(json.dumps([[*job, part] for job, part in zip(jobs, parts, strict=True)]), encoding="utf-8")
    every = [row for part in parts for row in part]
    strike, weight = np.array([r[0] for r in every], float), np.array([r[1] for r in every])
    table = np.array([r[2] for r in every])
    mean, sd = table.mean(axis=0).round(4), table.std(axis=0).round(4)
    columns = terms(table, mean, sd)
    answer = regression(columns, strike, weight).round(4)
    wrong = (columns @ answer > 0) != (strike > 0)
    print(f"{len(every)} candidates, {int(strike.sum())} strikes: {int((wrong & (strike > 0)).sum())} missed, "
          f"{int((wrong & (strike == 0)).sum())} invented")
    out = ROOT / "src" / "bothheads" / "sound" / "data" / "strikes.json"
    out.write_text(json.dumps({"about": "learned by builders/strike_weights.py", "features": FEATURES, "mean": mean.tolist(),
                               "sd": sd.tolist(), "weight": answer.tolist()}, indent=None) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
