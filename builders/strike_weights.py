"""Learns the weights by which ``sound.verdict`` tells a strike from other sounds; writes src/bothheads/sound/data/strikes.json.

    python builders/strike_weights.py [--jobs J] [--share S]

Scenes: those of ``bench/onsets.py`` with seeds from 600,000, real strikes (the half ``learn`` of the recordings), drums of
the physical model, tones that beat, talk, chords, swells, noise and rings (``bench/onset_scenes.py``, ``unstruck.py``),
files that begin with their strike and kits (``one_shots.py``), and the pieces a streaming reader looks at; by 1 to 8
microphones, at 8 to 96 kHz. Nothing of it is used where figures are reported. Boosted decision trees, every class of scenes
with its own weight. What lies within 35 ms behind a strike, and bleed, is left out.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "src"), str(ROOT / "bench"), str(ROOT / "tests")]

if TYPE_CHECKING:
    from bothheads.sound.verdict import Trees

Array = NDArray[np.float64]
FIRST_SEED = 600_000
NEAR_S, AFTER_S = 0.013, 0.035
TREES = {"glance": 60, "verdict": 300}
DEPTH, BINS, RATE, RIDGE = 4, 48, 0.1, 5.0
RATES_HZ = (48000, 48000, 44100, 96000, 22050, 8000)
SCENES = {"synthetic 20": 120, "synthetic 30": 40, "synthetic 40": 80, "synthetic 60": 20, "synthetic 80": 20, "real 20": 20,
          "real 30": 10, "real 40": 20, "kit 20": 60, "kit 30": 40, "kit 40": 60, "kit 60": 20, "file": 2000, "bare": 300,
          "talk": 20, "chords": 12, "swells": 16, "noise": 60, "ring": 60, "beat": 80, "model": 240, "window": 400, "pause": 400}
DOUBLE = 3.0  # times as heavy: strokes less than a tenth of a second apart are rare in the scenes
WEIGHT = {"file": 3.0, "synthetic 60": 2.0, "synthetic 80": 2.0, "ring": 3.0, "beat": 3.0, "model": 4.0,
          "bare": 3.0, "noise": 2.0, "pause": 2.0}


def scene(kind: str, index: int) -> Any:
    """Scene ``index`` of a kind."""
    import one_shots
    import onset_scenes
    import onsets
    import unstruck

    seed = FIRST_SEED + index
    name, _, snr = kind.partition(" ")
    if name == "synthetic":
        return onsets.scene(seed, float(snr))
    if name == "real":
        return onset_scenes.real_scene(seed, float(snr), "learn")
    if name == "kit":
        return one_shots.kit_scene(seed, float(snr))
    if name == "file":
        return one_shots.file_scene(seed)
    if name == "beat":
        return unstruck.beating_scene(seed)
    if name == "model":
        return onset_scenes.model_scene(seed)
    if name == "bare":
        return onset_scenes.bare_scene(seed, "learn")
    if name in ("window", "pause"):
        return unstruck.window_scene(seed, "learn", unstruck=name == "pause")
    return unstruck.unstruck_scene(seed, kind)


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
    found, evidence = weighed(streams(x, float(rate), untold_s=untold_s, past=past), least=-np.inf)
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


def boosted(table: Array, strike: Array, weight: Array, *, trees: int) -> Trees:
    """Trees that lower the log loss step by step (Friedman 2001, with the Newton leaves of logistic loss), from histograms."""
    from bothheads.sound.verdict import Trees

    edges = [np.unique(np.quantile(column, np.linspace(0, 1, BINS + 1)[1:-1])) for column in table.T]
    binned = np.stack([np.searchsorted(e, column, side="left") for e, column in zip(edges, table.T, strict=True)], axis=1)
    base = float(np.log((weight * strike).sum() / (weight * (1 - strike)).sum()))
    said = np.full(len(table), base)
    out: list[tuple[list[int], list[float], list[float]]] = []
    for _ in range(trees):
        p = 1.0 / (1.0 + np.exp(-said))
        pull, bend = weight * (strike - p), weight * p * (1 - p)
        node, feature, threshold = np.zeros(len(table), int), [], []
        for level in range(DEPTH):
            for k in range(2**level):
                mine = np.flatnonzero(node == k)
                f, cut = _question(binned[mine], pull[mine], bend[mine], edges)
                feature.append(f)
                threshold.append(float(np.round(edges[f][cut], 5)) if len(edges[f]) else 0.0)
                node[mine] = -1 - (2 * k + (binned[mine, f] > cut))
            node = -1 - node
        total, curve = (np.bincount(node, v, 2**DEPTH) for v in (pull, bend))
        leaf = RATE * total / (curve + RIDGE)
        said += leaf[node]
        out.append((feature, threshold, leaf.round(5).tolist()))
    return Trees(base, *(np.array([row[i] for row in out]) for i in range(3)))


def _question(binned: Array, pull: Array, bend: Array, edges: list[Array]) -> tuple[int, int]:
    """(feature, index of its edge) that parts a node best."""
    best, answer = -1.0, (0, 0)
    for f, e in enumerate(edges):
        left, curve = (np.cumsum(np.bincount(binned[:, f], v, len(e) + 1)) for v in (pull, bend))
        right, rest = left[-1] - left[:-1], curve[-1] - curve[:-1]
        gain = left[:-1] ** 2 / (curve[:-1] + RIDGE) + right**2 / (rest + RIDGE)
        if len(gain) and gain.max() > best:
            best, answer = float(gain.max()), (f, int(gain.argmax()))
    return answer


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0, help="of the scenes")
    parser.add_argument("--keep", type=Path, help="file for the features")
    given = parser.parse_args()
    from bothheads.sound.verdict import FEATURES, leaves

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
    stages = {}
    for stage, count in TREES.items():
        seen = table[:, : len(FEATURES[stage])]
        trees = boosted(seen, strike, weight, trees=count)
        odds = trees.base + leaves(trees, seen).sum(axis=1)
        print(f"{stage}: {len(every)} candidates, {int(strike.sum())} strikes: {int((strike > 0)[odds < 0].sum())} missed, "
              f"{int((strike == 0)[odds > 0].sum())} invented")
        stages[stage] = {"features": FEATURES[stage], "base": trees.base,
                         **{k: getattr(trees, k).tolist() for k in ("feature", "threshold", "leaf")}}
    out = ROOT / "src" / "bothheads" / "sound" / "data" / "strikes.json"
    out.write_text(json.dumps({"about": "learned by builders/strike_weights.py", **stages}) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
