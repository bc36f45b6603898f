"""Frequencies and decays that all taps of a round share, and how strongly each tap rings in each of them.

Taps are taken as channels of one window: poles shared, amplitudes free, so ringing under the next tap is part of the fit.
What a tap itself adds is its amplitude less what the tap before has left by then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .decimate import SLOW_RATE_HZ, band_hz, decimate, divisor
from .esprit import esprit
from .residual import broad_density, fisher, significance, spectrum
from .select import Limits, forward
from .varpro import JointFit
from .warp import AtRest
from .window import Window, drift_and_hum

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

START_S = 0.022  # after the onset: push and click are over
LONGEST_S = 1.3
SHORTEST_S = 0.3
_MOST = 56
_FASTEST = 45.0  # 1/s; what dies faster is the knock of the tap
_FAST_RATE_HZ = 2400.0


@dataclass(frozen=True)
class Lines:
    """Lines shared by the taps: f [Hz] and a [1/s] (K,), with sd; amplitudes (taps, K) of each tap's own, at its onset."""

    frequency_hz: Array
    frequency_sd_hz: Array
    rate: Array
    amplitude: Array
    own: Complex  # (taps, K) at the window's start, less what the tap before left
    shift_cents: Array  # (taps,) by which the strong lines of a tap lie above the shared ones
    shift_sd_cents: Array
    noise: float  # sd per decimated sample
    rate_hz: float
    length_s: float
    explained_db: Array  # (taps,)


def fit_lines(samples: Array, sample_rate_hz: int, onsets_s: Sequence[float], *, until_s: Sequence[float] = (),
              fast: bool) -> Lines | None:
    """Lines of the taps in ``samples`` (n,); ``fast``: up to 1 kHz, else up to 440 Hz. None when nothing rings.

    ``until_s``: where each tap's ring is disturbed, else by the next onset.
    """
    step = divisor(sample_rate_hz, True) if fast else max(1, round(sample_rate_hz / SLOW_RATE_HZ))
    rate = sample_rate_hz / step
    last = len(samples) / sample_rate_hz
    ends = [min(e, last) for e in until_s] if until_s else [*onsets_s[1:], last]
    length = min(min(e - o for o, e in zip(onsets_s, ends, strict=True)) - START_S - 0.012, LONGEST_S)
    if length < SHORTEST_S:
        return None
    starts = [int((o + START_S) * sample_rate_hz) for o in onsets_s]
    count = int(length * rate)
    y = np.concatenate([decimate(samples[:, None], sample_rate_hz, s, count, step) for s in starts])
    nuisance = drift_and_hum(START_S, count, rate, ())
    unit = _noise(y, nuisance)
    window = Window(rate, START_S, y / unit, nuisance, np.ones(count))
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):  # trial poles may be hopeless; they are not kept
        fit = _fit(window)
    if fit is None:
        return None
    return _lines(fit, unit, np.array(starts) / sample_rate_hz)


def _noise(y: Array, nuisance: Array) -> float:
    """A first unit: the last fifth's rms, drift removed; the fit corrects it."""
    rest = y - np.linalg.lstsq(nuisance.T, y.T, rcond=None)[0].T @ nuisance
    tail = rest[:, -y.shape[1] // 5 :]
    return max(float(np.median(tail.std(axis=1))), 1e-5 * float(np.abs(y).max()), 1e-12)


def _fit(window: Window) -> JointFit | None:
    """Subspace start, forward selection, least squares, lines that hide two taken apart."""
    f, a = _candidates(window)
    if not len(f):
        return None
    channels = window.samples.shape[0]
    limits = Limits(threshold=4.0 * channels + 30.0, most=_MOST)
    chosen = forward([window], AtRest(), f, a, limits, apart=lambda x, _: np.abs(f - x) > 0.12)
    if not chosen:
        return None
    try:
        fit = JointFit([window], f[chosen], a[chosen], AtRest()).run(12, 1e-4)
    except np.linalg.LinAlgError:
        return None
    for _ in range(3):
        before = len(fit.f)
        _drop(fit, channels)
        _add(fit, channels)
        _take_apart(fit, channels)
        if len(fit.f) == before:
            break
    _drop(fit, channels)
    return fit.run(8, 1e-6)


def _candidates(window: Window) -> tuple[Array, Array]:
    low, high = band_hz(window.rate_hz)[0], 0.475 * window.rate_hz  # lines beyond the band are fitted, then left out
    f: list[Array] = []
    a: list[Array] = []
    T = window.samples.shape[1]
    for share, order in ((0.45, 90), (0.3, 70)):
        length = min(int(share * T), 420)
        found, rate = esprit(list(window.samples), min(order, length // 2), window.rate_hz, length)
        ok = (found > low) & (found < high) & (rate > -0.5) & (rate < _FASTEST)
        f.append(found[ok])
        a.append(np.maximum(rate[ok], 0.6))
    return np.concatenate(f), np.concatenate(a)


def _threshold(channels: int) -> float:
    """Gain in noise variances that a further line must bring: its 2 + 2 channels parameters at 1 in a thousand or so."""
    p = 2.0 + 2.0 * channels
    return float(p + 4.0 * np.sqrt(2.0 * p) + 10.0)


def _sigma2(fit: JointFit) -> float:
    """Variance of the residual in the window's unit where it is quiet: the later half."""
    r = fit.state.parts[0].residual
    return float((r[:, r.shape[1] // 2 :] ** 2).mean())


def _drop(fit: JointFit, channels: int) -> None:
    while len(fit.f) > 1:
        wald = significance(fit) / _sigma2(fit)
        sd, _ = fisher(fit)
        bad = (wald < _threshold(channels)) | (fit.a > _FASTEST) | (sd > 3.0) | ~np.isfinite(sd)
        if not bad.any():
            return
        worst = int(np.argmin(np.where(bad, wald, np.inf)))
        fit.keep(np.delete(np.arange(len(fit.f)), worst))
        fit.run(4, 1e-4)


def _excess(fit: JointFit) -> tuple[Array, Array, Array]:
    r = fit.state.parts[0].residual
    freq, power = spectrum([r * np.exp(-2.0 * fit.windows[0].times)], fit.windows[0].rate_hz, 8192)
    return freq, power, broad_density(freq, power, fit.f)


def _add(fit: JointFit, channels: int, most: int = 6) -> None:
    """New lines where the residual's spectrum still shows one."""
    low, high = band_hz(fit.windows[0].rate_hz)[0], 0.475 * fit.windows[0].rate_hz
    for _ in range(most):
        if len(fit.f) >= _MOST:
            return
        freq, power, _ = _excess(fit)
        inside = (freq > low) & (freq < high)
        k = int(np.argmax(power * inside))
        if power[k] < 6.0 * np.median(power[inside]):
            return
        if not _try(fit, np.r_[fit.f, freq[k]], np.r_[fit.a, 5.0], channels):
            return


def _take_apart(fit: JointFit, channels: int) -> None:
    """Two lines for one wherever the residual beside a line stands above the noise and the refit pays for it."""
    freq, power, density = _excess(fit)
    near = np.array([power[np.abs(freq - f) < max(2.0, a / np.pi)].mean() for f, a in zip(fit.f, fit.a, strict=True)])
    for f in fit.f[near > 1.35 * density]:
        k = int(np.argmin(np.abs(fit.f - f)))
        apart = max(0.12, 0.15 * fit.a[k])
        _try(fit, np.r_[np.delete(fit.f, k), f - apart, f + apart], np.r_[np.delete(fit.a, k), fit.a[k], fit.a[k]], channels)


def _try(fit: JointFit, f: Array, a: Array, channels: int) -> bool:
    """Refit from other poles; keep it when the cost falls by more than chance, else go back."""
    before = fit.state
    if not fit.restart(f, a, fit.clock):
        return False
    fit.damping = 1e-2
    fit.run(12, 1e-4)
    if (before.cost - fit.cost) / _sigma2(fit) > _threshold(channels) and (fit.a < _FASTEST).all():
        return True
    fit.state = before
    return False


def _lines(fit: JointFit, unit: float, starts_s: Array) -> Lines:
    part, window = fit.state.parts[0], fit.windows[0]
    sigma = float(np.sqrt(_sigma2(fit)))
    pole = -fit.a + 2j * np.pi * fit.f
    there = part.amplitudes * np.exp(-fit.a * START_S)  # phase is counted from the window's start already
    own = there.copy()
    own[1:] -= there[:-1] * np.exp(pole * np.diff(starts_s)[:, None])
    sd, _ = fisher(fit)
    shift, shift_sd = _shift(fit, sigma)
    with np.errstate(divide="ignore"):
        left = (part.residual**2).sum(1)
        explained = 10.0 * np.log10((window.weighted**2).sum(1) / left)
    inside = fit.f < band_hz(window.rate_hz)[1]
    f, sd, a, own = _merged(fit.f[inside], sd[inside] * sigma, fit.a[inside], own[:, inside] * unit)
    return Lines(f, sd, a, np.abs(own) * np.exp(a * START_S), own, shift, shift_sd, sigma * unit, window.rate_hz,
                 window.samples.shape[1] / window.rate_hz, explained)


def _merged(f: Array, sd: Array, a: Array, own: Complex) -> tuple[Array, Array, Array, Complex]:
    """Sorted by frequency; neighbours too close to be told apart, or that cancel each other, made one line."""
    order = np.argsort(f)
    f, sd, a, own = f[order], sd[order], a[order], own[:, order]
    k = 0
    while k < len(f) - 1:
        width = 0.5 * (a[k] + a[k + 1]) / np.pi
        both = (np.abs(own[:, k + 1] + own[:, k]) ** 2).sum()
        cancel = both < 0.6 * ((np.abs(own[:, k]) + np.abs(own[:, k + 1])) ** 2).sum()
        if f[k + 1] - f[k] < 0.05 * width or (f[k + 1] - f[k] < 0.35 * width and cancel):
            w = np.array([(np.abs(own[:, i]) ** 2).sum() for i in (k, k + 1)])
            w /= max(w.sum(), 1e-300)
            f[k], a[k], sd[k] = w @ f[k : k + 2], w @ a[k : k + 2], w @ sd[k : k + 2]
            own[:, k] += own[:, k + 1]
            f, sd, a, own = np.delete(f, k + 1), np.delete(sd, k + 1), np.delete(a, k + 1), np.delete(own, k + 1, axis=1)
        else:
            k += 1
    return f, sd, a, own


def _shift(fit: JointFit, sigma: float) -> tuple[Array, Array]:
    """Common move of each tap's lines [cents] that its residual asks for, with sd: zero where taps agree."""
    part, window = fit.state.parts[0], fit.windows[0]
    K = len(fit.f)
    c, s = part.columns[:K], part.columns[K : 2 * K]
    t = window.times[: c.shape[1]] - START_S
    shift = np.empty(len(part.amplitudes))
    sd = np.empty_like(shift)
    base = np.concatenate([c, s])
    gram = base @ base.T
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-9
    for i, C in enumerate(part.amplitudes):
        A, B = C.real[:, None], -C.imag[:, None]
        per_log = (2.0 * np.pi * fit.f[:, None] * t * (B * c - A * s)).sum(0)
        per_log = per_log - np.linalg.solve(gram, base @ per_log) @ base
        power = float(per_log @ per_log)
        shift[i] = 1200.0 / np.log(2.0) * float(per_log @ part.residual[i]) / power
        sd[i] = 1200.0 / np.log(2.0) * sigma / np.sqrt(power)
    return shift, sd
