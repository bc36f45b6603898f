"""Which partials: forward selection by the gain of a refit, pruning, a look at what is left, a backward step."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .decimate import band_hz
from .residual import MEDIAN_OF_ONE, broad_density, fisher, misfit, significance, spectrum
from .varpro import JointFit, columns
from .warp import Clock
from .window import Window

Array = NDArray[np.float64]
_STANDS_OUT = 10.0  # times the noise: one white band in twenty holds such a line by chance, and the refit decides
_HUMP = 1.7


@dataclass(frozen=True)
class Limits:
    """What a partial must keep to be kept."""

    threshold: float  # gain N ln(RSS_old / RSS_new) and Wald statistic in noise variances
    max_rate: float = 75.0  # 1/s
    max_sd_hz: float = 1.5
    max_rate_sd: float = 0.6  # relative
    most: int = 8


def forward(
    windows: Sequence[Window], clock: Clock, f: Array, a: Array, limits: Limits, *,
    density: Array | None = None, apart: Callable[[float, float], NDArray[np.bool_]] | None = None,
    targets: Sequence[Array] | None = None,
) -> list[int]:
    """Indices of candidates (f, a) taken one by one by the largest gain over all windows and channels.

    ``targets`` replaces the windows' weighted samples (say, by a residual); ``density`` (candidates,) divides gains
    where the noise is louder than white of unit variance; ``apart(f, a)`` says which candidates may still follow.
    """
    grams, hits, left, N = [], [], 0.0, 0
    for i, window in enumerate(windows):
        y = window.weighted if targets is None else targets[i]
        c, s = columns(window, f, a, clock.curve(i, window.half))
        M = np.concatenate([c, s])
        X = without_prior(window)
        XM = X @ M.T
        y = y - (y @ X.T) @ X
        grams.append(M @ M.T - XM.T @ XM)
        hits.append(M @ y.T)
        left += float(np.vdot(y, y))
        N += y.size
    chosen: list[int] = []
    free = np.ones(len(f), bool)
    while len(chosen) < limits.most and free.any():
        gain = sum((_gains(G, q) for G, q in zip(grams, hits, strict=True)), np.zeros(len(f)))
        scaled = np.where(free, gain if density is None else gain / np.maximum(density, 1.0), 0.0)
        best = int(np.argmax(scaled))
        if scaled[best] <= 0 or -N * np.log(max(1.0 - scaled[best] / left, 1e-12)) < limits.threshold:
            break
        chosen.append(best)
        free[best] = False
        if apart is not None:
            free &= apart(float(f[best]), float(a[best]))
        left = max(left - gain[best], 1e-300)
        _eliminate(grams, hits, best, len(f))
    return chosen


def without_prior(window: Window) -> Array:
    """Rows Z (p, T) so that y - (y Z^T) Z is what drift and hum, held by their priors, leave of weighted samples y."""
    X = window.weighted_nuisance
    if not window.ridge.any():
        return np.ascontiguousarray(np.linalg.qr(X.T)[0].T)
    G = X @ X.T
    G[np.diag_indices_from(G)] += window.ridge
    return np.asarray(np.linalg.solve(np.linalg.cholesky(G), X), np.float64)


def _gains(G: Array, q: Array) -> Array:
    n = len(G) // 2
    k = np.arange(n)
    g11, g22, g12 = G[k, k] + 1e-12, G[k + n, k + n] + 1e-12, G[k, k + n]
    determinant = np.maximum(g11 * g22 - g12**2, 1e-9 * np.abs(g11 * g22) + 1e-300)
    qc, qs = q[:n], q[n:]
    gains: Array = ((g22[:, None] * qc**2 - 2 * g12[:, None] * qc * qs + g11[:, None] * qs**2)
                    / determinant[:, None]).sum(1)
    return gains


def _eliminate(grams: list[Array], hits: list[Array], k: int, n: int) -> None:
    pair = [k, k + n]
    for i, (G, q) in enumerate(zip(grams, hits, strict=True)):
        block = G[np.ix_(pair, pair)]
        block = block + 1e-12 * np.trace(block) * np.eye(2) + 1e-300 * np.eye(2)
        X = np.linalg.solve(block, G[pair])
        hits[i] = q - X.T @ q[pair]
        grams[i] = G - G[:, pair] @ X


def prune(fit: JointFit, limits: Limits, *, density: Callable[[Array], Array] | None = None,
          on_drop: Callable[[NDArray[np.intp]], None] | None = None, iterations: int = 4) -> JointFit:
    """Drop partials that are insignificant, too short, too uncertain or twins of a stronger one; refit each time."""
    low, high = band_hz(fit.windows[0].rate_hz)
    while len(fit.f) > 1:
        wald, (sf, sa) = significance(fit), fisher(fit)
        mis = np.minimum(misfit(fit), max(1.0, float(np.sqrt(fit.cost / fit.size))))  # a pair not yet split beats
        floor = np.clip(mis, 1.0, 2.0) ** 2
        if density is not None:
            floor = np.maximum(floor, density(fit.f))
        apart = np.maximum(0.3, 0.15 * np.minimum(fit.a[:, None], fit.a) / np.pi)
        twin = ((np.abs(fit.f[:, None] - fit.f) < apart) & (wald[:, None] < wald)).any(1)
        bad = twin if twin.any() else (
            (wald < limits.threshold * floor) | (fit.a > limits.max_rate) | (sf * mis > limits.max_sd_hz)
            | (sa * mis > limits.max_rate_sd * fit.a) | (fit.f < low) | (fit.f > high) | ~np.isfinite(sf)
        )
        if not bad.any():
            break
        gone = _weakest_apart(bad, wald, fit.f)
        fit.keep(np.delete(np.arange(len(fit.f)), gone))
        if on_drop is not None:
            on_drop(gone)
        fit.run(iterations, 1e-4)
    return fit


def _weakest_apart(bad: NDArray[np.bool_], wald: Array, f: Array) -> NDArray[np.intp]:
    """Of the ``bad`` partials those to drop at once: weakest first, none within 20 Hz of another, one left over."""
    gone: list[int] = []
    for k in np.argsort(wald):
        if bad[k] and all(abs(f[k] - f[i]) > 20.0 for i in gone) and len(gone) < len(f) - 1:
            gone.append(int(k))
    return np.array(gone, np.intp)


def look_again(fit: JointFit, limits: Limits, rounds: int = 3, *, density: Callable[[Array], Array] | None = None) -> JointFit:
    """Add the line of what is left that stands highest over the noise (10 times) as long as the refit pays for it.

    The noise is ``density``, else flat, scaled to the median over the band.
    """
    low, high = band_hz(fit.windows[0].rate_hz)
    for _ in range(rounds):
        if len(fit.f) >= limits.most:
            break
        freq, power = spectrum([p.residual * np.exp(-3.0 * w.times) for p, w in
                                zip(fit.state.parts, fit.windows, strict=True)], fit.windows[0].rate_hz, 8192)
        inside = (freq > low) & (freq < high)
        shape = np.ones(len(freq)) if density is None else density(freq)
        floor = shape * (np.median(power[inside] / shape[inside]) / MEDIAN_OF_ONE)
        k = int(np.argmax(power / floor * inside))
        if power[k] < _STANDS_OUT * floor[k]:
            break
        before, size = fit.state, fit.size
        if not fit.restart(np.r_[fit.f, freq[k]], np.r_[fit.a, 6.0], fit.clock):
            break
        prune(fit.run(), limits, density=density)
        if len(fit.f) <= len(before.f) or size * np.log(before.cost / fit.cost) < limits.threshold:
            fit.state = before
            break
    return fit


def backward(fit: JointFit, limits: Limits) -> JointFit:
    """Drop the partial with the least certain decay as long as the refit without it is no worse than the threshold."""
    while len(fit.f) > 1:
        _, sa = fisher(fit)
        relative = sa * misfit(fit) / fit.a
        k = int(np.argmax(relative))
        if relative[k] < 0.02:
            break
        before = fit.state
        fit.keep(np.delete(np.arange(len(fit.f)), k))
        fit.run()
        if fit.size * np.log(fit.cost / before.cost) > limits.threshold:
            fit.state = before
            break
    return fit


def noise_density(residuals: Sequence[Array], rate_hz: float) -> Callable[[Array], Array]:
    """Density of noise (channels, T) about any frequency, white of unit variance giving 1."""
    freq, power = spectrum(residuals, rate_hz)
    return lambda f: broad_density(freq, power, f)


def smooth_density(density: Callable[[Array], Array], rate_hz: float) -> Callable[[Array], Array]:
    """``density`` as a cubic in log f, log-linear between sixty frequencies of the band.

    A short pause tells the density at one frequency to 30 % only, its course to 10 %; where it stands more than 1.7
    times over the cubic (a fan, a rumble) it is taken as it is.
    """
    low, high = band_hz(rate_hz)
    at = np.log(np.geomspace(low, high, 60))
    level = np.log(np.maximum(density(np.exp(at)), 1e-12))
    x = 2.0 * (at - at[0]) / (at[-1] - at[0]) - 1.0
    course = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, level, 3))
    shape = np.maximum(course, level - np.log(_HUMP))
    return lambda f: np.asarray(np.exp(np.interp(np.log(np.maximum(f, 1e-3)), at, shape)), np.float64)
