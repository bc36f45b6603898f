"""Onsets in running recordings: found, false, exactness; scenes whose truth is known to the sample.

    python bench/onsets.py [--scenes synthetic|real|kit|file] [--cases N] [--jobs J] [--seed S] [--out FILE.json]

A scene lasts 24 s: strikes at 0 to -20 dB, 0.45-1.6 s apart on ringing tails, one in six doubled 60 ms later,
50 Hz hum, white or 70 % pink noise, three 250 ms swells of noise (breath, cloth) and three clicks of a pedal.
SNR: rms of the first 100 ms of a 0 dB strike over the rms of the noise. Truth: first sample above 2 % of the
strike's own peak. A strike counts as found within 15 ms; a double stroke counts like any other. ``clear``: the strikes
whose own SNR is at least 12 dB, counted apart.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RATE_HZ = 48000
SECONDS = 24.0


@dataclass
class Scene:
    """Samples (n, channels) with the true onsets [s] in the earliest channel and the delays [s] of the channels."""

    samples: Array
    onset_s: list[float]
    delay_s: list[tuple[float, ...]]
    doubled: list[bool]
    level_db: list[float] = field(default_factory=list)
    neutral_s: list[float] = field(default_factory=list)  # sounds that are neither right nor wrong to find


def strike(rng: np.random.Generator, seconds: float = 2.5) -> Array:
    """One strike: 2-6 gliding partials pushed over 2-6 ms, and a 12 ms click about as loud; peak 1."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    push = rng.uniform(0.002, 0.006)
    lowest = rng.uniform(35.0, 140.0)
    ratios = np.array([1.0, 1.6, 2.1, 2.5, 2.9, 3.4])[: rng.integers(2, 7)] * rng.uniform(0.97, 1.03)
    glide = rng.uniform(0.0, 0.04)
    wave = np.zeros_like(t)
    rise = np.where(t < push, 0.5 - 0.5 * np.cos(np.pi * t / push), 1.0)
    for ratio in ratios:
        tau = rng.uniform(0.15, 0.7) / np.sqrt(ratio)
        phase = 2 * np.pi * lowest * ratio * (t + glide * 0.15 * (1 - np.exp(-t / 0.15)))
        wave += 10 ** (-rng.uniform(0, 12) / 20) * rise * np.exp(-t / tau) * np.sin(phase + rng.uniform(0, 0.5))
    click = rng.standard_normal(len(t)) * np.exp(-t / 0.0025) * np.minimum(t / rng.uniform(1e-4, 8e-4), 1.0)
    click[int(0.012 * RATE_HZ):] = 0.0
    wave /= np.abs(wave).max()
    wave += 10 ** (-rng.uniform(0, 6) / 20) * click / np.abs(click).max()
    return wave / np.abs(wave).max()


def pink(rng: np.random.Generator, n: int) -> Array:
    """Noise whose power falls 3 dB an octave above 10 Hz, rms 1."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / RATE_HZ)
    spectrum /= np.sqrt(np.maximum(f, 10.0))
    out: Array = np.fft.irfft(spectrum, n)
    return out / out.std()


def scene(seed: int, snr_db: float, *, channels: int = 2, seconds: float = SECONDS) -> Scene:
    """A running recording for ``seed`` at ``snr_db``."""
    rng = np.random.default_rng([seed, int(snr_db)])
    n = int(seconds * RATE_HZ)
    x = np.zeros((n, channels))
    out = Scene(x, [], [], [])
    reference = 0.0
    at = rng.uniform(0.3, 1.0)
    second = False
    while at < seconds - 1.0:
        wave = strike(rng)
        reference = reference or float(np.sqrt((wave[: RATE_HZ // 10] ** 2).mean()))
        level = -rng.uniform(0, 20) if not second else out.level_db[-1] - rng.uniform(-3, 6)
        delays = tuple(rng.uniform(0, 0.003, channels).tolist()) if not second else out.delay_s[-1]
        _place(x, wave * 10 ** (level / 20), at, delays, rng.uniform(0.4, 1.0, channels))
        audible = int(np.argmax(np.abs(wave) > 0.02)) / RATE_HZ
        out.onset_s.append(at + audible + min(delays))
        out.delay_s.append(delays)
        out.doubled.append(second)
        out.level_db.append(level)
        second = not second and rng.uniform() < 1 / 6
        at += 0.060 if second else rng.uniform(0.45, 1.6)
    x += _disturbance(rng, n, channels, out) * reference * 10 ** (-snr_db / 20)
    out.samples = np.rint(x / np.abs(x).max() * 0.9 * 2**23) / 2**23
    return out


def _place(x: Array, wave: Array, at: float, delays: tuple[float, ...], gains: Array) -> None:
    """Add ``wave`` to every channel at ``at`` + its delay, between samples by a phase ramp."""
    spectrum = np.fft.rfft(wave, 2 * len(wave))
    f = np.fft.rfftfreq(2 * len(wave), 1 / RATE_HZ)
    for channel, delay in enumerate(delays):
        start = (at + delay) * RATE_HZ
        whole = int(start)
        moved = np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * (start - whole) / RATE_HZ))[: len(wave)]
        stop = min(len(x), whole + len(wave))
        x[whole:stop, channel] += gains[channel] * moved[: stop - whole]


def _disturbance(rng: np.random.Generator, n: int, channels: int, truth: Scene) -> Array:
    """Noise of rms 1 in each channel with hum; swells and pedal clicks at places free of strikes, ten times louder."""
    t = np.arange(n) / RATE_HZ
    hum = sum(np.sin(2 * np.pi * 50 * k * t + rng.uniform(0, 6)) / k for k in (1, 2, 3))
    share = 0.0 if rng.uniform() < 0.5 else 0.7
    rows = [np.sqrt(share) * pink(rng, n) + np.sqrt(1 - share) * rng.standard_normal(n) + 0.3 * hum for _ in range(channels)]
    out = np.array(rows).T
    for k in range(6):
        at = rng.uniform(1.0, n / RATE_HZ - 2.0)
        near = min(truth.onset_s, key=lambda s: abs(s - at))
        if abs(near - at) < 0.32:
            at = near + 0.34
        first = int(at * RATE_HZ)
        length = int((0.25 if k < 3 else 0.004) * RATE_HZ)
        shape = np.hanning(length) if k < 3 else np.exp(-np.arange(length) / (0.001 * RATE_HZ))
        noise = rng.standard_normal(length) * shape * (5.0 if k < 3 else 8.0)
        stop = min(n, first + length)
        out[first:stop] += noise[: stop - first, None]
    return out


def score(truth: Scene, found: Any, snr_db: float, window_s: float = 0.015) -> dict[str, Any]:
    """Pairs found and true onsets one to one; errors in ms, delay errors in ms."""
    free = list(range(len(truth.onset_s)))
    errors, delays, false, got = [], [], 0, []
    for span in found:
        best = min(free, key=lambda i: abs(truth.onset_s[i] - span.onset_s), default=None)
        if best is None or abs(truth.onset_s[best] - span.onset_s) > window_s:
            false += min((abs(at - span.onset_s) for at in truth.neutral_s), default=1.0) > 0.1
            continue
        free.remove(best)
        got.append(best)
        errors.append(1e3 * (span.onset_s - truth.onset_s[best]))
        true = np.array(truth.delay_s[best])
        said = np.array(span.delay_s)
        if len(said) == len(true) and len(true) > 1:
            delays.append(1e3 * float(np.abs((said - said[0]) - (true - true[0])).max()))
    clear = [i for i in range(len(truth.onset_s)) if snr_db + truth.level_db[i] >= 12.0]
    close = [e for e, i in zip(errors, got, strict=True) if i in clear]
    return {
        "clear": len(clear), "clear_found": len([i for i in clear if i in got]), "clear_errors_ms": close,
        "strikes": len(truth.onset_s), "found": len(got), "false": false, "errors_ms": errors, "delay_errors_ms": delays,
        "missed_double": sum(truth.doubled[i] for i in free), "doubles": sum(truth.doubled),
        "own_snr_db": [snr_db + level for level in truth.level_db], "missed": sorted(free),
        "missed_db": [round(truth.level_db[i], 1) for i in free],
    }


def one(job: tuple[int, float, int], scenes: str = "synthetic") -> dict[str, Any]:
    """Score of one scene (seed, snr_db, channels) with the CPU time spent per second of audio."""
    from bothheads.sound.strikes import find_strikes

    seed, snr, channels = job
    if scenes == "synthetic":
        truth = scene(seed, snr, channels=channels)
    else:
        import one_shots
        import onset_scenes

        truth = {"real": lambda: onset_scenes.real_scene(seed, snr), "kit": lambda: one_shots.kit_scene(seed, snr),
                 "file": lambda: one_shots.file_scene(seed)}[scenes]()
    begun = time.process_time()
    found = find_strikes(truth.samples, RATE_HZ)
    spent = (time.process_time() - begun) * RATE_HZ / len(truth.samples)
    return {"snr_db": snr, "channels": channels, "seed": seed, "cpu_ms_per_s": 1e3 * spent, **score(truth, found, snr)}


def table(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """One line for each SNR."""
    out = []
    for snr in sorted({r["snr_db"] for r in rows}):
        mine = [r for r in rows if r["snr_db"] == snr]
        strikes, found = sum(r["strikes"] for r in mine), sum(r["found"] for r in mine)
        errors = np.concatenate([r["errors_ms"] for r in mine])
        delays = np.concatenate([r["delay_errors_ms"] for r in mine])
        out.append({
            "snr_db": snr, "strikes": strikes, "found_percent": 100 * found / strikes,
            "clear_found_percent": 100 * sum(r["clear_found"] for r in mine) / sum(r["clear"] for r in mine),
            "clear_within_half_ms_percent": 100 * float(
                (np.abs(np.concatenate([r["clear_errors_ms"] for r in mine])) <= 0.5).mean()),
            "false_percent": 100 * sum(r["false"] for r in mine) / strikes,
            "within_half_ms_percent": 100 * float((np.abs(errors) <= 0.5).mean()),
            "median_error_ms": float(np.median(errors)),
            "doubles_missed": f"{sum(r['missed_double'] for r in mine)}/{sum(r['doubles'] for r in mine)}",
            "delay_median_ms": float(np.median(delays)) if len(delays) else None,
            "delay_95_ms": float(np.percentile(delays, 95)) if len(delays) else None,
            "cpu_ms_per_s": float(np.mean([r["cpu_ms_per_s"] for r in mine])),
        })
    return out


def by_own_snr(rows: list[dict[str, Any]], width_db: float = 10.0) -> list[dict[str, Any]]:
    """Strikes and found per class of their own SNR [dB], ``width_db`` wide, all scenes together."""
    own = np.array([v for r in rows for v in r["own_snr_db"]])
    missed = np.array([i in r["missed"] for r in rows for i in range(r["strikes"])])
    classes = np.floor(own / width_db) * width_db
    return [{"own_snr_from_db": float(low), "to_db": float(low + width_db), "strikes": int((classes == low).sum()),
             "found_percent": 100 * float((~missed[classes == low]).mean())} for low in np.unique(classes)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=10, help="scenes per SNR")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--channels", type=int, default=2)
    parser.add_argument("--scenes", choices=("synthetic", "real", "kit", "file"), default="synthetic",
                        help="real: onset_scenes.py; kit, file: one_shots.py")
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    jobs = [(given.seed + i, snr, given.channels) for snr in (20.0, 40.0) for i in range(given.cases)]
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = list(pool.map(one, jobs, [given.scenes] * len(jobs)))
    else:
        rows = [one(job, given.scenes) for job in jobs]
    lines, own = table(rows), by_own_snr(rows)
    for line in [*lines, *own]:
        print("  ".join(f"{k} {v:.3f}" if isinstance(v, float) else f"{k} {v}" for k, v in line.items()))
    if given.out:
        given.out.write_text(json.dumps({"table": lines, "by_own_snr": own, "scenes": rows}, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
