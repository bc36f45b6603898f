"""Ours beside other ways to read the strongest partial of a strike, on the same synthetic strikes.

usage: python bench/read.py [--cases N] [--jobs J] [--seed S] [--out FILE.json] [--snr 40]
Half of the strikes glide up to 3 %. A peer that is not installed is reported as such. Failed: no answer within 50 cents.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import sys
import time
from collections.abc import Callable
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path[:0] = [str(Path(__file__).resolve().parents[1] / folder) for folder in ("tests", "src")]

import numpy as np  # noqa: E402

from synthetic import ONSET_S, RATE, Truth, strike  # noqa: E402

Answer = list[float]


def ours(x: np.ndarray) -> Answer:
    """The first reading of one strike."""
    from bothheads.sound.partials import fit_strike

    fit = fit_strike(x[:, None], RATE, ONSET_S, len(x) / RATE)
    return [] if fit is None else [float(f) for f in fit.frequency_hz]


def ours_joint(x: np.ndarray) -> Answer:
    """The joint reader of takes."""
    from types import SimpleNamespace

    from bothheads.sound.reading import read_spans

    span = SimpleNamespace(onset_s=ONSET_S, end_s=len(x) / RATE, peak_dbfs=(0.0,), delay_s=(0.0,))
    found = read_spans(x[:, None], RATE, [span], quick=False)
    return [] if found is None else [float(f) for f in found.frequency_hz]


def _ring(x: np.ndarray, seconds: float = 1.5) -> np.ndarray:
    start = int((ONSET_S + 0.022) * RATE)
    return x[start : start + int(seconds * RATE)]


def fft_peak(x: np.ndarray) -> Answer:
    """Hann window, four times zero padding, a parabola through the logarithms of the peak."""
    y = _ring(x)
    points = 1 << int(np.ceil(np.log2(4 * len(y))))
    power = np.log(np.abs(np.fft.rfft(y * np.hanning(len(y)), points)) ** 2 + 1e-30)
    freq = np.fft.rfftfreq(points, 1 / RATE)
    k = int(np.argmax(np.where((freq > 20) & (freq < 440), power, -np.inf)))
    a, b, c = power[k - 1 : k + 2]
    return [float((k + 0.5 * (a - c) / (a - 2 * b + c)) * RATE / points)]


def librosa_pyin(x: np.ndarray) -> Answer:
    """Probabilistic YIN, median over voiced frames."""
    import librosa

    f0, voiced, _ = librosa.pyin(_ring(x, 0.58), fmin=25, fmax=440, sr=RATE, frame_length=8192)
    f0 = f0[voiced]
    return [float(np.median(f0))] if len(f0) else []


def librosa_piptrack(x: np.ndarray) -> Answer:
    """Interpolated peaks of a 16k STFT; the strongest."""
    import librosa

    pitch, size = librosa.piptrack(y=_ring(x, 0.58), sr=RATE, n_fft=16384, fmin=20, fmax=440)
    return [float(pitch.ravel()[int(np.argmax(size))])]


def praat(x: np.ndarray) -> Answer:
    """Praat's autocorrelation pitch, median of voiced frames."""
    import parselmouth

    pitch = parselmouth.Sound(_ring(x, 0.58), RATE).to_pitch_ac(pitch_floor=25, pitch_ceiling=440)
    f = pitch.selected_array["frequency"]
    return [float(np.median(f[f > 0]))] if (f > 0).any() else []


def hsvd(x: np.ndarray) -> Answer:
    """HLSVD-PRO on the decimated ring, order 16."""
    from hlsvdpropy import hlsvd
    from scipy.signal import hilbert

    from bothheads.sound.decimate import decimate

    y = decimate(x[:, None], RATE, int((ONSET_S + 0.022) * RATE), 600, 40)[0]
    result = hlsvd(hilbert(y), 16, 1000.0 / 1200.0)
    f, size = np.asarray(result[2]) * 1000.0, np.asarray(result[4])
    order = np.argsort(-size)
    return [float(abs(f[k])) for k in order[:8]]


METHODS: dict[str, tuple[Callable[[np.ndarray], Answer], str | None]] = {
    "ours, first reading": (ours, None), "ours, joint": (ours_joint, None), "FFT peak + parabola": (fft_peak, None),
    "librosa pyin": (librosa_pyin, "librosa"), "librosa piptrack": (librosa_piptrack, "librosa"),
    "praat-parselmouth": (praat, "parselmouth"), "hlsvdpropy": (hsvd, "hlsvdpropy"),
}


def one(seed: int, *, snr: float, name: str) -> tuple[float | None, float]:
    """(error in cents of the strongest partial or None, CPU seconds)."""
    rng = np.random.default_rng([seed, 99])
    truth: Truth = strike(rng, snr_db=snr, glide=0.03 if seed % 2 else 0.0)
    k = int(np.argmax(truth.amplitude[0] ** 2 * truth.tau))
    clock = time.process_time()
    try:
        answers = METHODS[name][0](truth.samples[:, 0])
    except (ValueError, IndexError, FloatingPointError, np.linalg.LinAlgError):
        answers = []
    cpu = time.process_time() - clock
    cents = [1200 * float(np.log2(f / truth.f[k])) for f in answers if f > 0]
    best = min(cents, key=abs, default=None)
    return (best if best is not None and abs(best) < 50 else None), cpu


def main() -> None:
    """Run every method that is installed and print one table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--snr", type=float, default=40.0)
    parser.add_argument("--out")
    args = parser.parse_args()
    seeds = [args.seed * 100000 + i for i in range(args.cases)]
    table: dict[str, Any] = {}
    print(f"{'method':22s} error in cents: median, 95 %; failed; CPU ms, median")
    with Pool(args.jobs) as pool:
        for name, (_, module) in METHODS.items():
            if module and importlib.util.find_spec(module) is None:
                table[name] = "not installed"
                print(f"{name:22s} not installed")
                continue
            got = pool.map(partial(one, snr=args.snr, name=name), seeds, chunksize=4)
            errors = np.abs([e for e, _ in got if e is not None])
            row = {"median_cents": float(np.median(errors)) if errors.size else None,
                   "p95_cents": float(np.percentile(errors, 95)) if errors.size else None,
                   "failed": len(got) - errors.size, "cases": len(got),
                   "cpu_ms": float(1e3 * np.median([c for _, c in got]))}
            table[name] = row
            print(f"{name:22s} {row['median_cents'] or 0:.4f} {row['p95_cents'] or 0:.3f}; {row['failed']} of "
                  f"{row['cases']}; {row['cpu_ms']:.1f}", flush=True)
    if args.out:
        Path(args.out).write_text(json.dumps({"snr_db": args.snr, "seed": args.seed, "methods": table}, indent=1),
                                  encoding="utf-8")


if __name__ == "__main__":
    main()
