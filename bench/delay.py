"""Delay between two microphones against its Cramer-Rao bound.

    python bench/delay.py [--cases N] [--seed S]

One strike of ``bench/onsets.py`` in 1.2 s, two microphones (gains 0.4 to 1, delay up to 3 ms, white noise of each its own), as
``find_strikes`` hears it. SNR: rms of the first 100 ms of the strike over the rms of the noise. Bound for a wave known in neither
channel, high SNR: ``var = (1 / g1^2 + 1 / g2^2) sigma^2 / sum(s'^2)`` with s' the slope of the wave above 1.5 kHz, where
delays are compared. Errors beyond 0.1 ms are outliers (another cycle) and left out of the rms.
"""

from __future__ import annotations

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import numpy as np
from numpy.typing import NDArray
from onsets import RATE_HZ, _place, strike

Array = NDArray[np.float64]
OUTLIER_MS = 0.1


def case(seed: int, snr_db: float) -> tuple[float, float] | None:
    """(error [ms], bound [ms]) of a strike; None: not found."""
    from bothheads.sound.strikes import find_strikes

    rng = np.random.default_rng([seed, int(snr_db), 41])
    wave = strike(rng, 0.7)
    x = np.zeros((round(1.2 * RATE_HZ), 2))
    lags, gains = (0.0, float(rng.uniform(-0.003, 0.003))), rng.uniform(0.4, 1.0, 2)
    _place(x, wave, 0.4, lags, gains)
    sigma = float(np.sqrt(np.square(wave[: RATE_HZ // 10]).mean())) * 10 ** (-snr_db / 20)
    spans = [s for s in find_strikes(x + sigma * rng.standard_normal(x.shape), RATE_HZ) if abs(s.onset_s - 0.4) < 0.015]
    if not spans:
        return None
    said = spans[0].delay_s[1] - spans[0].delay_s[0]
    return 1e3 * (said - lags[1]), 1e3 * bound(wave, sigma, gains)


def bound(wave: Array, sigma: float, gains: Array) -> float:
    """Standard deviation [s] that no unbiased delay of ``wave`` falls below in white noise of rms ``sigma`` per sample."""
    f = np.fft.rfftfreq(2 * len(wave), 1 / RATE_HZ)
    power = np.square(np.abs(np.fft.rfft(wave, 2 * len(wave)))) * np.square(2 * np.pi * f) * (f > 1500.0)
    slope = 2.0 * float(power.sum()) / (2 * len(wave))
    return float(sigma * np.sqrt(np.sum(gains**-2.0) / slope))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for snr in (10.0, 20.0, 40.0, 60.0):
        got = [r for r in (case(given.seed + i, snr) for i in range(given.cases)) if r is not None]
        error, least = np.array(got).T
        near = np.abs(error) < OUTLIER_MS
        print(f"{snr:.0f} dB: found {len(got)} of {given.cases}, outliers {100 * (~near).mean():.1f} %, within 0.01 ms "
              f"{100 * (np.abs(error) < 0.01).mean():.1f} %, rms {np.sqrt(np.square(error[near]).mean()):.5f} ms, "
              f"error over bound (rms) {np.sqrt(np.square(error[near] / least[near]).mean()):.2f}")


if __name__ == "__main__":
    main()
