"""Takes as phones record them: what is left of partials, decays and the note.

usage: python bench/phone.py [--cases N] [--jobs J] [--seed S] [--out FILE.json]
Truth: the eight reference drums (tests/data/reference/drums.json), then N random drums of the model; one microphone, two
strikes. Each is read as it is and as a phone would have it (tests/phones.py). Coded takes need PyAV and are left out
without it. The note is asked without and with the drum's size; 'wrong' is a note off by more than 2 % (inferred: by more
than 4 % and more than three of its own standard deviations).
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / folder) for folder in ("tests", "src")]

import numpy as np  # noqa: E402

from phones import clipped, coded, gain_control, low_cut, sixteen_bit  # noqa: E402

RATE = 48000
GAP_S = 1.8
NOISE_DB = -55.0
Array = np.ndarray


def _aac(bits: int) -> Callable[[Array], Array]:
    def code(x: Array) -> Array:
        from bothheads.sound.audio import read_audio_bytes

        return read_audio_bytes(coded(x, RATE, bits_per_s=bits)).samples

    return code


def ridden(x: Array) -> Array:
    """12 dB at most, 3:1, attack 10 ms, release 300 ms."""
    return gain_control(x, RATE, threshold_db=-24.0, ratio=3.0, most_db=12.0)


KINDS: dict[str, Callable[[Array], Array]] = {
    "16 bit": lambda x: x,
    "80 Hz cut, 2nd order": lambda x: low_cut(x, RATE, order=2),
    "80 Hz cut, 4th order": lambda x: low_cut(x, RATE, order=4),
    "150 Hz cut, 4th order": lambda x: low_cut(x, RATE, hz=150.0, order=4),
    "AAC 64 kbit/s": _aac(64000),
    "AAC 128 kbit/s": _aac(128000),
    "gain control 12 dB": ridden,
    "gain control 20 dB": lambda x: gain_control(x, RATE, threshold_db=-36.0, ratio=6.0, attack_s=0.005, release_s=0.5),
    "clipped 6 dB": clipped,
    "phone: cut, ridden, AAC 96": lambda x: _aac(96000)(ridden(low_cut(x, RATE, order=2))),
}


def reference(name: str) -> tuple[Any, Array, Array, Array, float]:
    """(drum, f, tau, amplitude at the seat, note) of a reference drum."""
    from reference_drums import DATA, drum

    partials = [p for p in DATA[name]["partials"] if p["frequency_hz"] < 400.0]
    f, tau = (np.array([p[k] for p in partials]) for k in ("frequency_hz", "decay_s"))
    level = np.array([p["level_db"]["seat"] for p in partials])
    note = float(f[1] if "opening" in name else f[0])
    return drum(name), f, tau, 10.0 ** ((level - level.max()) / 20.0), note


def made(seed: int) -> tuple[Any, Array, Array, Array, float]:
    """The same of a random drum of the model: 10 to 26 in, heads up to a fifth apart, one microphone somewhere near."""
    from bothheads.physics.coupled import solve
    from bothheads.physics.forecast import note_of
    from bothheads.physics.response import heard
    from bothheads.records import Drum, Head, Microphone, Strike

    rng = np.random.default_rng([seed, 404])
    diameter = float(rng.choice([10, 12, 13, 14, 16, 18, 20, 22, 24, 26])) * 0.0254
    bass = diameter > 0.43
    depth = diameter * float(rng.uniform(0.45, 0.8) if bass else rng.uniform(0.55, 1.0))
    mean = float(np.exp(rng.normal(np.log(520.0 if bass else 1000.0), 0.4)))
    ratio = float(np.exp(rng.normal(0.0, 0.35)))
    heads = [Head(float(rng.uniform(0.25, 0.45)), tension=mean * ratio**s, resistance=float(rng.uniform(2, 14)),
                  stiffness_loss=2e-6) for s in (0.5, -0.5)]
    place = Microphone("phone", float(rng.uniform(-0.3, 0.5)), float(rng.uniform(0.1, 0.6)), -float(rng.uniform(0.25, 0.9)))
    strike = Strike(float(rng.uniform(0, 0.15)) * diameter, 0.0, 30.0, 0.005, 0.03)
    drum = Drum(f"drum {seed}", diameter, depth, *heads, (), strike, microphones=(place,))
    modes = solve(drum, fmax_hz=420.0 if bass else 600.0)
    size = np.abs(heard(modes, strike, (place,)))[:, 0]
    k = size > 1e-3 * size.max()
    note = note_of(modes).frequency_hz
    assert note is not None
    return drum, modes.frequency_hz[k], modes.decay_s[k], size[k] / size.max(), note


def take(f: Array, tau: Array, amplitude: Array, seed: int) -> Array:
    """Samples (n, 1): two strikes, the second on the ring of the first, noise, peak at -2 dB."""
    rng = np.random.default_rng([seed, 405])
    phase = rng.uniform(0, 2 * np.pi, len(f))
    n = int((0.5 + 2 * GAP_S) * RATE)
    x = np.zeros(n)
    rise = np.minimum(1.0, np.arange(n) / (0.004 * RATE))
    for start, gain in ((0.5, 0.6), (0.5 + GAP_S, 1.0)):
        t = np.arange(n - int(start * RATE)) / RATE
        one = (amplitude[:, None] * np.exp(-t / tau[:, None]) * np.cos(2 * np.pi * f[:, None] * t + phase[:, None])).sum(0)
        x[int(start * RATE) :] += gain * one * rise[: len(t)] ** 2
    x /= np.abs(x).max()
    return (0.8 * (x + 10 ** (NOISE_DB / 20) * rng.standard_normal(n)))[:, None]


def verdict(note: Any, truth: float) -> str:
    """right, refused, inferred or wrong."""
    if note.frequency_hz is None:
        return "refused"
    off = abs(note.frequency_hz / truth - 1.0)
    if note.inferred:
        return "wrong" if off > 0.04 and off * truth > 3.0 * (note.sd_hz or 0.0) else "inferred"
    return "right" if off < 0.02 else "wrong"


def one(job: tuple[str, int, str]) -> dict[str, Any]:
    """Read one take of one drum in one kind."""
    from bothheads.session.low_note import settled_note
    from bothheads.session.reading import read_recording
    from bothheads.sound.audio import Recording
    from bothheads.sound.note import note_of_drum

    name, seed, kind = job
    drum, f, tau, amplitude, note = reference(name) if name else made(seed)
    x = sixteen_bit(KINDS[kind](take(f, tau, amplitude, seed)))
    reading = read_recording(Recording(x, RATE))
    ridden = any("the level was ridden" in w for w in reading.warnings)
    bare = drum.with_head("batter", tension=None).with_head("resonant", tension=None)
    known = replace(reading, note=note_of_drum(reading.partials, drum=bare))
    settled = settled_note(known, bare)
    rows = []
    for k in np.nonzero(amplitude > 0.03)[0]:
        near = min(reading.partials, key=lambda p: abs(p.frequency_hz / f[k] - 1.0), default=None)
        if near is not None and abs(near.frequency_hz / f[k] - 1.0) < 0.006 and near.frequency_sd_hz and near.decay_sd_s:
            cents = 1200 * np.log2(near.frequency_hz / f[k])
            rows.append((float(cents), float(near.decay_s / tau[k] - 1.0),
                         float((near.frequency_hz - f[k]) / near.frequency_sd_hz),
                         float((near.decay_s - tau[k]) / near.decay_sd_s)))
    return {"name": name or f"model {seed}", "kind": kind, "truth": note, "rows": rows,
            "without": (verdict(reading.note, note), reading.note.frequency_hz, reading.note.refused),
            "with": (verdict(settled, note), settled.frequency_hz, settled.refused),
            "ridden": ridden}


def summary(results: list[dict[str, Any]]) -> dict[str, Any]:
    """Figures of one kind."""
    rows = np.array([r for x in results for r in x["rows"]]).reshape(-1, 4)
    return {
        "takes": len(results), "partials": len(rows), "cents": float(np.median(np.abs(rows[:, 0]))),
        "decay_bias_percent": float(100 * np.median(rows[:, 1])), "decay_off_percent": float(100 * np.median(np.abs(rows[:, 1]))),
        "holds_f_percent": float(100 * (np.abs(rows[:, 2]) < 1.96).mean()),
        "holds_decay_percent": float(100 * (np.abs(rows[:, 3]) < 1.96).mean()),
        "without_size": Counter(x["without"][0] for x in results), "with_size": Counter(x["with"][0] for x in results),
        "told_ridden": sum(x["ridden"] for x in results),
        "refused": [(x["name"], x["with"][2]) for x in results if x["with"][2]],
        "wrong": [(x["name"], key, x["truth"], x[key][1]) for x in results for key in ("without", "with") if x[key][0] == "wrong"],
    }


def main() -> None:
    """Run all kinds and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=24, help="random drums beside the eight reference drums")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out")
    parser.add_argument("--kinds", help="only kinds that hold this text")
    args = parser.parse_args()
    from reference_drums import DATA

    can_code = importlib.util.find_spec("av") is not None
    drums = [(name, 0) for name in DATA] + [("", args.seed * 1000 + i) for i in range(args.cases)]
    table: dict[str, Any] = {}
    words = ("right", "inferred", "refused", "wrong")
    print(f"{'kind':28s} partials | cents | decay bias, off % | 95 % holds f, decay | note without size, with size: "
          f"{' '.join(words)} | told ridden")
    with Pool(args.jobs) as pool:
        for kind in KINDS:
            if args.kinds and args.kinds not in kind:
                continue
            if "AAC" in kind and not can_code:
                print(f"{kind:28s} not run: PyAV is not installed")
                continue
            s = table[kind] = summary(pool.map(one, [(n, i, kind) for n, i in drums], chunksize=2))
            a, b = (" ".join(f"{s[key][w]:3d}" for w in words) for key in ("without_size", "with_size"))
            print(f"{kind:28s} {s['partials']:4d} | {s['cents']:.3f} | {s['decay_bias_percent']:+.1f} "
                  f"{s['decay_off_percent']:.1f} | {s['holds_f_percent']:.0f} {s['holds_decay_percent']:.0f} | {a}, {b} | "
                  f"{s['told_ridden']}", flush=True)
            for name, key, truth, got in s["wrong"]:
                print(f"    wrong {key} size: {name} {truth:.1f} Hz read as {got:.1f}")
    if args.out:
        Path(args.out).write_text(json.dumps({"seed": args.seed, "cases": args.cases, "kinds": table}, indent=1),
                                  encoding="utf-8")


if __name__ == "__main__":
    main()
