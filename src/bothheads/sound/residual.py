"""What a fit leaves: its spectrum beside each partial, its envelope, the significance of each partial."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .varpro import JointFit, Part

Array = NDArray[np.float64]
_EDGES_S = (0.0, 0.04, 0.08, 0.15, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8, 3.0)


def spectrum(residuals: Sequence[Array], rate_hz: float, points: int = 4096) -> tuple[Array, Array]:
    """(frequencies, power) averaged over residuals (channels, T) and channels; white noise of unit variance gives 1."""
    total = np.zeros(points // 2 + 1)
    for r in residuals:
        r = r[:, :points]
        h = np.hanning(r.shape[1])
        total += (np.abs(np.fft.rfft(r * h, points)) ** 2).mean(0) / (h @ h)
    freq: Array = np.arange(points // 2 + 1, dtype=np.float64) * (rate_hz / points)
    return freq, total / max(len(residuals), 1)


MEDIAN_OF_ONE = 0.693  # median over mean of a single periodogram (chi-square of 2)
_MEDIAN_OF_MORE = 0.8  # of two and more averaged (chi-square of 4: 0.84)


def broad_density(freq: Array, power: Array, f: Array, averaged: int = 2) -> Array:
    """Noise density about each f [Hz]: median of the power within +-35 % (8 to 30 Hz), as a mean.

    ``averaged``: how many periodograms ``power`` is the mean of.
    """
    ratio = MEDIAN_OF_ONE if averaged < 2 else _MEDIAN_OF_MORE
    width = np.clip(0.35 * f, 8.0, 30.0)
    first, last = np.searchsorted(freq, f - width, "right"), np.searchsorted(freq, f + width, "left")
    return np.array([_median(power[i:j]) / ratio for i, j in zip(first.tolist(), last.tolist(), strict=True)])


def _median(values: Array) -> float:
    """``np.median`` without its checks, which cost more than the sorting of a few hundred values."""
    n = len(values)
    if not n:
        return float("nan")
    middle = np.partition(values, (n // 2 - 1, n // 2) if n > 1 else 0)
    return float(middle[n // 2] if n % 2 else 0.5 * (middle[n // 2 - 1] + middle[n // 2]))


def misfit(fit: JointFit) -> Array:
    """Standard deviation (K,) of the residual beside each partial, white noise of the windows' unit giving 1."""
    rate = fit.windows[0].rate_hz
    freq, power = spectrum([p.residual for p in fit.state.parts], rate)
    out = broad_density(freq, power, fit.f, sum(len(p.residual) for p in fit.state.parts))
    for k, (f, a) in enumerate(zip(fit.f, fit.a, strict=True)):
        wide = max(2.5, 1.5 * a / np.pi)
        out[k] = max(out[k], power[np.searchsorted(freq, f - wide, "right") : np.searchsorted(freq, f + wide, "left")].mean())
    return np.sqrt(out)


def envelope(residual: Array, rate_hz: float) -> Array:
    """Smooth rms over time (T,) of a residual (channels, T): log-linear through block means."""
    T = residual.shape[1]
    edges = (np.array(_EDGES_S) * rate_hz).astype(int)
    edges = np.r_[edges[edges < T - 0.05 * rate_hz], T]
    power = (residual**2).mean(0)
    means = np.array([power[i:j].mean() for i, j in pairwise(edges)])
    centres = (edges[:-1] + edges[1:]) / 2
    out: Array = np.sqrt(np.exp(np.interp(np.arange(T), centres, np.log(means + 1e-30))))
    return out


def significance(fit: JointFit) -> Array:
    """Wald statistic (K,) of each partial's amplitudes, summed over windows and channels, in noise variances."""
    total: Array = np.sum([wald(part, len(fit.f)).sum(0) for part in fit.state.parts], axis=0)
    return total


def wald(part: Part, K: int) -> Array:
    """Wald statistic (channels, K) of the amplitudes in one window, in noise variances (chi-square of 2)."""
    from scipy.linalg import cho_solve

    inverse = cho_solve(part.factor, np.eye(len(part.scale)), check_finite=False)
    inverse *= part.scale * part.scale[:, None]
    k = np.arange(K)
    v11, v22, v12 = inverse[k, k], inverse[k + K, k + K], inverse[k, k + K]
    A, B = part.amplitudes.real, -part.amplitudes.imag
    statistic: Array = (v22 * A**2 - 2 * v12 * A * B + v11 * B**2) / np.maximum(v11 * v22 - v12**2, 1e-300)
    return statistic


def fisher(fit: JointFit) -> tuple[Array, Array]:
    """Standard deviations (f [Hz], a [1/s]) from the curvature at the optimum, in units of the windows' noise."""
    H, _ = fit.normal()
    if not np.isfinite(H).all() or H.diagonal().max() <= 0.0:  # a partial has run away: nothing is known of any of them
        return np.full(len(fit.f), np.inf), np.full(len(fit.f), np.inf)
    sd = np.sqrt(inverse_of_curvature(H).diagonal())
    K = len(fit.f)
    return sd[:K], sd[K : 2 * K]


def inverse_of_curvature(H: Array) -> Array:
    """Inverse of a curvature matrix, positive on its diagonal.

    Lines more than 0.4 block rates apart count as orthogonal in H, so that where strong and short lines lean on many
    others it can come out slightly indefinite; the curvature of such a direction is small, its sign is chance.
    """
    size = 1.0 / np.sqrt(np.maximum(H.diagonal(), 1e-30 * H.diagonal().max() + 1e-200))
    scaled = H * size * size[:, None]
    try:
        np.linalg.cholesky(scaled)
        inverse = np.linalg.inv(scaled)
    except np.linalg.LinAlgError:
        value, vector = np.linalg.eigh(scaled)
        inverse = (vector / np.maximum(np.abs(value), 1e-12)) @ vector.T
    out: Array = inverse * size * size[:, None]
    return out
