"""Synthetic strikes with a known truth and the Cramer-Rao bound of every parameter, by numerical Fisher information."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RATE = 48000
ONSET_S = 0.4
LENGTH_S = 2.2


@dataclass(frozen=True)
class Truth:
    """A strike: f [Hz], tau [s], amplitude (channels, K) and phase; f(t) = f (1 + glide exp(-glide_rate t))."""

    samples: Array  # (n, channels)
    f: Array
    tau: Array
    amplitude: Array
    phase: Array
    glide: float
    glide_rate: float
    noise_sd: float  # of a full-rate sample, white
    hum_hz: float | None

    def bound(self, start_s: float = 0.022, stop_s: float = 1.5, rate_hz: float = 1200.0) -> tuple[Array, Array]:
        """Marginal bounds (sd of f [Hz], sd of 1/tau [1/s]) with amplitudes, drift line, hum and glide unknown."""
        t = start_s + np.arange(int((stop_s - start_s) * rate_hz)) / rate_hz
        K = len(self.f)
        g, b = self.glide, self.glide_rate
        e = np.exp(-b * t)
        u = t + g * (1 - e) / b
        total = np.zeros((2 * K + (2 if g else 0),) * 2)
        for c in range(self.amplitude.shape[0]):
            size = self.amplitude[c][:, None] * np.exp(-t / self.tau[:, None])
            angle = 2 * np.pi * self.f[:, None] * u + self.phase[c][:, None]
            cos, sin = size * np.cos(angle), size * np.sin(angle)
            slope = -2 * np.pi * self.f[:, None] * sin
            rows = [*(-2 * np.pi * u * sin), *(-t * cos)]
            if g:
                rows += [(slope * (1 - e) / b).sum(0), (slope * g * (t * e / b - (1 - e) / b**2)).sum(0)]
            nuisance = [*(cos / self.amplitude[c][:, None]), *(sin / self.amplitude[c][:, None]),
                        np.ones_like(t), t - t.mean()]
            if self.hum_hz:
                for m in (1, 2, 3):
                    nuisance += [np.cos(2 * np.pi * m * self.hum_hz * t), np.sin(2 * np.pi * m * self.hum_hz * t)]
            Q = np.linalg.qr(np.array(nuisance).T)[0]
            J = np.array(rows).T
            J = J - Q @ (Q.T @ J)
            total += J.T @ J
        density = self.noise_sd**2 * rate_hz / RATE  # variance of a sample of the decimated band
        scale = 1 / np.sqrt(np.diag(total))
        sd = np.sqrt(density * np.diag(np.linalg.inv(total * scale * scale[:, None]))) * scale
        return sd[:K], sd[K : 2 * K]


def strike(
    rng: np.random.Generator, *, snr_db: float = 40.0, glide: float = 0.0, pair: bool = False, pink: float = 0.0,
    hum: bool = False, channels: int = 1,
) -> Truth:
    """One random strike: 1-6 partials 28-395 Hz, tau 0.06-1.2 s, 0 to -20 dB, a click, slow drift, noise, maybe hum.

    ``snr_db``: rms of the first 100 ms over the noise's rms in 0-600 Hz. ``glide``: the largest; 0.15-1 of it is drawn.
    Lines are at least six widths + 3 Hz apart, but for one pair 1-3 Hz apart where ``pair``.
    """
    f, tau = _lines(rng, pair)
    K = len(f)
    level = 10 ** (-rng.uniform(0, 20, (channels, K)) / 20)
    level[:, int(rng.integers(K))] = 1.0
    phase = rng.uniform(0, 2 * np.pi, (channels, K))
    g = glide * rng.uniform(0.15, 1.0) if glide else 0.0
    b = 2.0 / tau[int(np.argmax(level[0] ** 2 * tau))]
    n = int((ONSET_S + LENGTH_S) * RATE)
    t = np.arange(n) / RATE - ONSET_S
    on = t >= 0
    u = t[on] + g * (1 - np.exp(-b * t[on])) / b
    x = np.zeros((n, channels))
    for c in range(channels):
        for k in range(K):
            x[on, c] += level[c, k] * np.exp(-t[on] / tau[k]) * np.cos(2 * np.pi * f[k] * u + phase[c, k])
    reference = float(np.sqrt((x[int(ONSET_S * RATE) : int((ONSET_S + 0.1) * RATE)] ** 2).mean()))
    in_band = reference * 10 ** (-snr_db / 20)
    sd = in_band * float(np.sqrt(RATE / 2 / 600.0))
    line = float(rng.choice([50.0, 60.0])) if hum else None
    for c in range(channels):
        click = rng.standard_normal(int(0.012 * RATE)) * np.exp(-np.arange(int(0.012 * RATE)) / RATE / 0.002)
        i = int(ONSET_S * RATE)
        x[i : i + len(click), c] += click / np.abs(click).max()
        x[:, c] += 0.05 * np.sin(2 * np.pi * 0.25 * t + rng.uniform(0, 7)) * level[c].max()
        x[:, c] += _noise(rng, n, sd, in_band, pink)
        if line:
            for m in (1, 2, 3):
                x[:, c] += 0.02 / m * np.cos(2 * np.pi * line * m * t + rng.uniform(0, 7))
    return Truth(x, f, tau, level, phase, g, b, sd, line)


def _lines(rng: np.random.Generator, pair: bool) -> tuple[Array, Array]:
    wanted = int(rng.integers(2 if pair else 1, 7))
    f: list[float] = []
    tau: list[float] = []
    for _ in range(400):
        if len(f) == wanted:
            break
        x, s = float(rng.uniform(28, 395)), float(np.exp(rng.uniform(np.log(0.06), np.log(1.2))))
        if pair and len(f) == 1:
            x, s = f[0] + float(rng.uniform(1.0, 3.0)), float(np.exp(rng.uniform(np.log(0.3), np.log(1.2))))
            tau[0] = max(tau[0], 0.3)
        elif any(abs(x - y) < 6 / np.pi * max(1 / s, 1 / q) + 3.0 for y, q in zip(f, tau, strict=True)):
            continue
        f.append(x)
        tau.append(s)
    return np.array(f), np.array(tau)


def _noise(rng: np.random.Generator, n: int, sd: float, in_band: float, pink: float) -> Array:
    white = rng.standard_normal(n) * sd
    if not pink:
        return white
    spectrum = np.fft.rfft(rng.standard_normal(n))
    freq = np.fft.rfftfreq(n, 1 / RATE)
    spectrum /= np.sqrt(np.maximum(freq, 15.0))
    coloured = np.fft.irfft(spectrum, n)
    low = np.fft.rfft(coloured)
    low[freq > 600] = 0
    coloured *= in_band / np.fft.irfft(low, n).std()
    return np.sqrt(1 - pink) * white + np.sqrt(pink) * coloured
