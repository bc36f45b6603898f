"""Joint nonlinear least squares of decaying, gliding sinusoids over windows and channels (variable projection).

Model of window s, channel c:  sum_k Re C_ksc exp(-a_k t + 2 pi i f_k u_ks(t)) + drift + hum,  t from the onset.
C, drift and hum are linear and eliminated on Gram matrices (Golub & Pereyra 1973); f, a and the clock's parameters move
by Levenberg-Marquardt. The slope of the cost is exact to the width of a block (5 ms); its curvature is that of the
analytic signal on the blocks' centres, one Gram matrix for all channels, because amplitudes enter it only as factors.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .curvature import curvature, shared
from .warp import Clock, Curve
from .window import Window

Array = NDArray[np.float64]
_LEAST_DAMPING = 1e-6  # relative: below the rounding of the phases, held in single precision, it would let noise choose the step


@lru_cache(maxsize=8)
def _hermite(block: int) -> NDArray[np.float32]:
    x = (np.arange(block) + 0.5) / block
    return np.array([1 - 3 * x**2 + 2 * x**3, x - 2 * x**2 + x**3, 3 * x**2 - 2 * x**3, x**3 - x**2], np.float32)


@lru_cache(maxsize=8)
def _between(block: int) -> Array:
    """(2, block) shares of a block's two knots in its samples."""
    x = (np.arange(block) + 0.5) / block
    return np.array([1.0 - x, x])


@dataclass
class Part:
    """What one window contributes to a state: linear amplitudes, weighted residual and what slopes need."""

    curve: Curve
    columns: Array  # (2 K + p, T): cosines, sines, nuisance, weighted
    scale: Array
    factor: Any
    amplitudes: NDArray[np.complex128]  # (channels, K) at the onset, C = A - iB
    residual: Array  # (channels, T)
    penalty: float = 0.0  # prior of the hum lines' amplitudes


@dataclass
class State:
    """A point of the fit with its cost (sum of squared weighted residuals and prior)."""

    f: Array
    a: Array
    clock: Clock
    parts: list[Part]
    cost: float


def columns(window: Window, f: Array, a: Array, curve: Curve, out: Array | None = None) -> tuple[Array, Array]:
    """Weighted cosines and sines (K, T) of the partials on the window's clock; written to ``out`` (2 K, T) if given."""
    block, half = window.block, window.half
    K, n = len(f), (half.size - 1) // 2
    turns = f[:, None] * curve.at_knots
    base = np.rint(turns[:, :-1])
    slope = f[:, None] * curve.rate * (block / window.rate_hz)
    knots = np.empty((K, n, 4), np.float32)
    knots[..., 0], knots[..., 2] = turns[:, :-1] - base, turns[:, 1:] - base
    knots[..., 1], knots[..., 3] = slope[:, :-1], slope[:, 1:]
    phase = knots.reshape(K * n, 4) @ _hermite(block)
    phase *= np.float32(2 * np.pi)
    decay = np.exp(-a[:, None] * (half[:-1:2] + 0.5 / window.rate_hz))
    fine = np.exp(-a[:, None] * (np.arange(block) / window.rate_hz))
    if curve.swell is None:
        size = decay[:, :, None] * fine[:, None, :]
    else:
        ends = np.empty((K, n, 2))
        ends[..., 0], ends[..., 1] = decay * curve.swell[:, :-1], decay * curve.swell[:, 1:]
        size = ends @ (fine[:, None, :] * _between(block))
    size = size.reshape(K, n * block)
    size *= window.weight
    flat = phase.reshape(K, n * block)
    out = np.empty((2 * K, n * block)) if out is None else out
    return np.multiply(size, np.cos(flat), out=out[:K]), np.multiply(size, np.sin(flat), out=out[K : 2 * K])


def _solve_window(window: Window, f: Array, a: Array, curve: Curve) -> Part | None:
    from scipy.linalg.lapack import dpotrf, dpotrs  # called bare: their wrappers take longer than matrices this small

    K = len(f)
    N = 2 * K + len(window.weighted_nuisance)
    rows = np.empty((N + len(window.weighted), window.weight.size))
    columns(window, f, a, curve, rows)
    rows[2 * K : N], rows[N:] = window.weighted_nuisance, window.weighted
    P = rows[:N]
    product = rows @ rows.T  # one symmetric product for the Gram matrix and the right-hand sides
    G = product[:N, :N]
    at = np.arange(2 * K, N)
    G[at, at] += window.ridge
    scale = 1.0 / np.sqrt(np.maximum(G.diagonal(), 1e-300))
    G = G * scale * scale[:, None]
    G.flat[:: N + 1] += 1e-11
    triangle, failed = dpotrf(G, lower=1, clean=0)
    if failed:
        return None
    factor = (triangle, True)
    x = dpotrs(triangle, product[:N, N:] * scale[:, None], lower=1)[0] * scale[:, None]
    penalty = float((window.ridge[:, None] * x[2 * K :] ** 2).sum())
    return Part(curve, P, scale, factor, (x[:K] - 1j * x[K : 2 * K]).T, window.weighted - x.T @ P, penalty)


class JointFit:
    """Frequencies f [Hz] and decay rates a [1/s] shared by all windows, on one clock."""

    def __init__(self, windows: Sequence[Window], f: Array, a: Array, clock: Clock) -> None:
        self.windows = list(windows)
        self.damping = 1e-3
        self.resting_held = False  # f and a stay where they are, the clock alone moves
        self.rejected: list[tuple[float, float]] = []
        self._pieces: tuple[list[Part], list[tuple[Array, Array]]] = [], []
        found = self.evaluate(np.asarray(f, float), np.asarray(a, float), clock)
        if found is None:
            raise np.linalg.LinAlgError("partials cannot be told apart")
        self.state = found

    f = property(lambda self: self.state.f)
    a = property(lambda self: self.state.a)
    clock = property(lambda self: self.state.clock)
    cost = property(lambda self: self.state.cost)

    @property
    def size(self) -> int:
        """Number of real samples fitted."""
        return sum(w.samples.size for w in self.windows)

    def evaluate(self, f: Array, a: Array, clock: Clock) -> State | None:
        """The state at these parameters; None when the linear part cannot be solved."""
        parts = []
        cost = clock.prior()[0]
        for i, window in enumerate(self.windows):
            part = _solve_window(window, f, a, clock.curve(i, window.half))
            if part is None:
                return None
            cost += float(np.vdot(part.residual, part.residual)) + part.penalty
            parts.append(part)
        return State(f, a, clock, parts, cost) if np.isfinite(cost) else None

    def restart(self, f: Array, a: Array, clock: Clock) -> bool:
        """Put the fit at other parameters; False (and nothing changed) when they cannot be evaluated."""
        found = self.evaluate(np.asarray(f, float), np.asarray(a, float), clock)
        if found is None:
            return False
        self.state = found
        return True

    def beside(self, windows: Sequence[Window]) -> JointFit:
        """The same state on other copies of its windows, weights alike, that goes its own way from here."""
        out = copy(self)
        out.windows, out.rejected = list(windows), []
        return out

    def retune(self, clock: Clock) -> None:
        """Take a clock that differs only in its prior: same curves, nothing to solve."""
        s = self.state
        self.state = State(s.f, s.a, clock, s.parts, s.cost - s.clock.prior()[0] + clock.prior()[0])

    def keep(self, index: Array) -> None:
        """Go on with the partials in ``index`` only."""
        self.restart(self.f[index], self.a[index], self.clock.kept(index))

    def normal(self, *, prior: bool = True) -> tuple[Array, Array]:
        """(curvature H, slope h): H step = h is the Gauss-Newton step in (f, a, clock)."""
        pieces = self.pieces()
        H, h = pieces[0][0].copy(), pieces[0][1].copy()
        for more_H, more_h in pieces[1:]:
            H += more_H
            h += more_h
        K = len(self.f)
        if prior and len(h) > 2 * K:
            _, slope, curvature = self.clock.prior()
            H.flat[2 * K * (len(H) + 1) :: len(H) + 1] += curvature
            h[2 * K :] -= slope
        return H, h

    def pieces(self) -> list[tuple[Array, Array]]:
        """(curvature, slope) that each window contributes, without the prior; asked again, they are not made again."""
        s, K = self.state, len(self.state.f)
        if self._pieces[0] is s.parts:
            return self._pieces[1]
        R = s.clock.parameters.shape[0]
        out = []
        for i, (window, part) in enumerate(zip(self.windows, s.parts, strict=True)):
            H, h = curvature(window, part, s.f, s.clock.slopes(i, window.half, part.curve),
                             s.clock.swelling(i, window.half, part.curve))
            out.append(shared(H, h, K, R) if s.clock.shared and R else (H, h.ravel()))
        self._pieces = s.parts, out
        return out

    def run(self, iterations: int = 10, tolerance: float = 1e-5, wanted: float = np.inf) -> JointFit:
        """Levenberg-Marquardt until the cost falls by less than ``tolerance`` (relative).

        ``wanted``: of no use above this cost, so given up where a step promises less than a third of what is missing.
        """
        for _ in range(iterations):
            H, h = self.normal()
            self._hold_bounds(H, h)
            before = self.cost
            if not self._step(H, h, max(0.01 * tolerance, (1.0 - wanted / before) / 3.0)) or 1.0 - self.cost / before < tolerance:
                break
        return self

    def _hold_bounds(self, H: Array, h: Array) -> None:
        if self.clock.shared:
            return
        K = len(self.f)
        at = 2 * K + self.clock.held(h[2 * K :])
        if self.resting_held:
            at = np.r_[np.arange(2 * K), at]
        H[at] = 0.0
        H[:, at] = 0.0
        H[at, at] = 1.0
        h[at] = 0.0

    def _step(self, H: Array, h: Array, worth: float) -> bool:
        """Take a step that lowers the cost; False when there is none or it promises less than ``worth`` (relative)."""
        from scipy.linalg.lapack import dpotrf, dpotrs

        K = len(self.f)
        size = 1.0 / np.sqrt(np.maximum(H.diagonal(), 0.0) + 1e-30)
        scaled = H * size * size[:, None]
        top = 0.49 * min(w.rate_hz for w in self.windows)
        for _ in range(5):
            damped = scaled.copy()
            damped.flat[:: len(damped) + 1] += self.damping
            triangle, failed = dpotrf(damped, clean=0)
            if failed:
                self.damping = self.damping * 10 + 1e-6
                continue
            d = dpotrs(triangle, h * size)[0] * size
            if h @ d < worth * self.cost:
                return False
            f = self.f + d[:K]
            a = np.clip(self.a + d[K : 2 * K], np.maximum(0.25, 0.35 * self.a), 2.8 * self.a + 1.0)
            clock = self.clock.moved(d[2 * K :]) if d.size > 2 * K else self.clock
            if clock is not None and (f > 8.0).all() and (f < top).all():
                state = self.evaluate(f, a, clock)
                if state is not None and state.cost <= self.cost:
                    self.state = state
                    self.damping = max(self.damping / 8, _LEAST_DAMPING)
                    return True
            self.damping = self.damping * 6 + 1e-6
        return False
