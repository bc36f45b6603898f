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

from .warp import Clock, Curve
from .window import Window

Array = NDArray[np.float64]


@lru_cache(maxsize=8)
def _hermite(block: int) -> NDArray[np.float32]:
    x = (np.arange(block) + 0.5) / block
    return np.array([1 - 3 * x**2 + 2 * x**3, x - 2 * x**2 + x**3, 3 * x**2 - 2 * x**3, x**3 - x**2], np.float32)


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


def columns(window: Window, f: Array, a: Array, curve: Curve) -> tuple[Array, Array]:
    """Weighted cosines and sines (K, T) of the partials on the window's clock."""
    block, half = window.block, window.half
    step = block / window.rate_hz
    turns = f[:, None] * curve.at_knots
    base = np.rint(turns[:, :-1])
    slope = f[:, None] * curve.rate * step
    knots = np.stack([turns[:, :-1] - base, slope[:, :-1], turns[:, 1:] - base, slope[:, 1:]], -1).astype(np.float32)
    phase = knots @ _hermite(block)
    phase *= np.float32(2 * np.pi)
    decay = np.exp(-a[:, None] * (half[:-1:2] + 0.5 / window.rate_hz))
    fine = np.exp(-a[:, None] * (np.arange(block) / window.rate_hz))
    size = (decay[:, :, None] * fine[:, None, :]).reshape(len(f), -1) * window.weight
    if curve.swell is not None:
        x = (np.arange(block) + 0.5) / block
        size *= (curve.swell[:, :-1, None] * (1.0 - x) + curve.swell[:, 1:, None] * x).reshape(len(curve.swell), -1)
    flat = phase.reshape(len(f), -1)
    return size * np.cos(flat), size * np.sin(flat)


def _solve_window(window: Window, f: Array, a: Array, curve: Curve) -> Part | None:
    from scipy.linalg.lapack import dpotrf, dpotrs  # called bare: their wrappers take longer than matrices this small

    K = len(f)
    c, s = columns(window, f, a, curve)
    P = np.concatenate([c, s, window.weighted_nuisance])
    G = P @ P.T
    at = np.arange(2 * K, len(G))
    G[at, at] += window.ridge
    scale = 1.0 / np.sqrt(np.maximum(G.diagonal(), 1e-300))
    G = G * scale * scale[:, None]
    G.flat[:: len(G) + 1] += 1e-11
    triangle, failed = dpotrf(G, lower=1, clean=0)
    if failed:
        return None
    factor = (triangle, True)
    x = dpotrs(triangle, (P @ window.weighted.T) * scale[:, None], lower=1)[0] * scale[:, None]
    penalty = float((window.ridge[:, None] * x[2 * K :] ** 2).sum())
    return Part(curve, P, scale, factor, (x[:K] - 1j * x[K : 2 * K]).T, window.weighted - x.T @ P, penalty)


class JointFit:
    """Frequencies f [Hz] and decay rates a [1/s] shared by all windows, on one clock."""

    def __init__(self, windows: Sequence[Window], f: Array, a: Array, clock: Clock) -> None:
        self.windows = list(windows)
        self.damping = 1e-3
        self.rejected: list[tuple[float, float]] = []
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

    def normal(self, *, prior: bool = True, coarse: bool = False) -> tuple[Array, Array]:
        """(curvature H, slope h): H step = h is the Gauss-Newton step in (f, a, clock); ``coarse``: in
        single precision."""
        pieces = self.pieces(coarse)
        H = np.sum([p[0] for p in pieces], axis=0)
        h = np.sum([p[1] for p in pieces], axis=0)
        K = len(self.f)
        if prior and len(h) > 2 * K:
            _, slope, curvature = self.clock.prior()
            H[np.arange(2 * K, len(H)), np.arange(2 * K, len(H))] += curvature
            h[2 * K :] -= slope
        return H, h

    def pieces(self, coarse: bool = False) -> list[tuple[Array, Array]]:
        """(curvature, slope) that each window contributes, without the prior."""
        s, K = self.state, len(self.state.f)
        R = s.clock.parameters.shape[0]
        out = []
        for i, (window, part) in enumerate(zip(self.windows, s.parts, strict=True)):
            H, h = _curvature(window, part, s.f, s.clock.slopes(i, window.half, part.curve),
                              s.clock.swelling(i, window.half, part.curve), coarse)
            out.append(_shared(H, h, K, R) if s.clock.shared and R else (H, h.ravel()))
        return out

    def run(self, iterations: int = 10, tolerance: float = 1e-5) -> JointFit:
        """Levenberg-Marquardt until the cost falls by less than ``tolerance`` (relative)."""
        for _ in range(iterations):
            H, h = self.normal(coarse=True)
            self._hold_bounds(H, h)
            before = self.cost
            if not self._step(H, h, 0.01 * tolerance) or 1.0 - self.cost / before < tolerance:
                break
        return self

    def _hold_bounds(self, H: Array, h: Array) -> None:
        if self.clock.shared:
            return
        K = len(self.f)
        at = 2 * K + self.clock.held(h[2 * K :])
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
                    self.damping = max(self.damping / 8, 1e-12)
                    return True
            self.damping = self.damping * 6 + 1e-6
        return False


def _curvature(window: Window, part: Part, f: Array, W: Array, D: Array | None, coarse: bool) -> tuple[Array, Array]:
    K, block, n = len(f), window.block, (window.half.size - 1) // 2
    c, s = part.columns[:K], part.columns[K : 2 * K]
    r = part.residual.reshape(-1, n, block).transpose(1, 2, 0)
    zc = np.matmul(c.reshape(K, n, block).transpose(1, 0, 2), r)  # (n, K, channels)
    zs = np.matmul(s.reshape(K, n, block).transpose(1, 0, 2), r)
    A, B = part.amplitudes.real.T, -part.amplitudes.imag.T  # (K, channels)
    turn = np.einsum("nkc,kc->kn", zc, B) - np.einsum("nkc,kc->kn", zs, A)
    fade = np.einsum("nkc,kc->kn", zc, A) + np.einsum("nkc,kc->kn", zs, B)
    t, u = window.half[1::2], part.curve.at_centres
    R = W.shape[1]
    slope = np.empty((2 + R, K))
    slope[0] = 2 * np.pi * (u * turn).sum(1)
    slope[1] = -(fade @ t)
    for q in range(R):
        slope[2 + q] = 2 * np.pi * f * (W[:, q] * turn).sum(1)
        if D is not None:
            slope[2 + q] += (D[:, q] * fade).sum(1)
    middle = block // 2
    E = np.empty((K, n), np.complex64 if coarse else np.complex128)
    E.real, E.imag = c[:, middle :: block], s[:, middle :: block]
    basis = np.empty((2 + R, *E.shape), E.dtype)
    phase = np.asarray(2j * np.pi, E.dtype) * E
    basis[0] = u.astype(E.real.dtype) * phase
    basis[1] = -t.astype(E.real.dtype) * E
    phase *= f[:, None].astype(E.real.dtype)
    for q in range(R):
        basis[2 + q] = W[:, q].astype(E.real.dtype) * phase
        if D is not None:
            basis[2 + q] += D[:, q].astype(E.real.dtype) * E
    return _project(window, part, f, E, basis), slope


def _project(window: Window, part: Part, f: Array, E: NDArray[Any], basis: NDArray[Any]) -> Array:
    """Curvature of all local parameters, amplitudes (and hum lines) projected out: 1/2 Re sum_c C* C G."""
    K, block, m = len(f), window.block, basis.shape[0]
    hum = np.array(window.hum_hz)
    if hum.size:
        line = np.exp(2j * np.pi * hum[:, None] * window.half[1::2]) * window.weight[block // 2 :: block]
        E = np.concatenate([E, line, line * np.linspace(-1.0, 1.0, line.shape[1])])
    centre = np.concatenate([f, hum, hum])
    near = np.abs(centre[:, None] - centre) < 0.4 * window.rate_hz / block
    flat = basis.reshape(m * K, -1)
    near_k = near[:K, :K]
    G = (flat.conj() @ flat.T).reshape(m, K, m, K) * near_k[None, :, None, :]
    X = (E.conj() @ flat.T).reshape(len(E), m, K) * near[:, None, :K]
    S = (E.conj() @ E.T) * near
    own = S.diagonal().real
    # what died before the window begins has no energy in it: without a floor its row is empty
    S[np.diag_indices_from(S)] += (1e-6 if S.dtype == np.complex64 else 1e-10) * own + 1e-14 * own.max()
    if hum.size:
        at, held = np.arange(K, len(S)), window.ridge[-4 * len(hum) :]
        S[at, at] += np.concatenate([held[::4], held[2::4]]).astype(S.dtype) / (0.5 * block)
    X = X.reshape(len(E), m * K)
    G = G.reshape(m * K, m * K) - X.conj().T @ np.linalg.solve(S, X)
    M = part.amplitudes.conj().T @ part.amplitudes
    H: Array = (np.tile(M, (m, m)) * G).real * (0.5 * block)
    return H


def _shared(H: Array, h: Array, K: int, R: int) -> tuple[Array, Array]:
    """Local clock parameters (R, K) added up over partials."""
    T = np.zeros(((2 + R) * K, 2 * K + R))
    T[: 2 * K, : 2 * K] = np.eye(2 * K)
    for q in range(R):
        T[(2 + q) * K : (3 + q) * K, 2 * K + q] = 1.0
    return T.T @ H @ T, T.T @ h.ravel()
