"""Slope and curvature of the cost of one window: what a Gauss-Newton step of the joint fit is made of.

The slope is exact to the width of a block; the curvature is that of the analytic signal at the blocks' centres.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .window import Window

if TYPE_CHECKING:
    from .varpro import Part

Array = NDArray[np.float64]


def curvature(window: Window, part: Part, f: Array, W: Array, D: Array | None) -> tuple[Array, Array]:
    """(curvature ((2 + R) K, (2 + R) K), slope (2 + R, K)) of the window's own parameters: f, a, then the clock's.

    W, D (rows, R, n): slopes of the clock and of ln(amplitude) at the centres. All in double precision: in single, close
    partials made steps out of rounding, and the same strike was read otherwise on another processor.
    """
    K, block, n = len(f), window.block, (window.half.size - 1) // 2
    waves = part.columns[: 2 * K].reshape(2 * K, n, block).transpose(1, 0, 2)
    z = waves @ part.residual.reshape(-1, n, block).transpose(1, 2, 0)  # (n, 2 K, channels)
    A, B = part.amplitudes.real.T, -part.amplitudes.imag.T  # (K, channels)
    turn, fade = np.zeros((n, K)), np.zeros((n, K))
    for c in range(z.shape[2]):
        zc, zs = z[:, :K, c], z[:, K:, c]
        turn += zc * B[:, c] - zs * A[:, c]
        fade += zc * A[:, c] + zs * B[:, c]
    turn, fade = turn.T, fade.T
    t, u = window.half[1::2], part.curve.at_centres
    R = W.shape[1]
    slope = np.empty((2 + R, K))
    slope[0] = 2 * np.pi * (u * turn).sum(1)
    slope[1] = -(fade @ t)
    slope[2:] = 2 * np.pi * f * (W @ turn[:, :, None])[..., 0].T
    middle = block // 2
    basis = np.empty((3 + R, K, n), np.complex128)
    E, by_time = basis[0], basis[1]
    E.real, E.imag = part.columns[:K, middle::block], part.columns[K : 2 * K, middle::block]
    np.multiply(2j * np.pi, E, out=by_time)
    np.multiply(W.transpose(1, 0, 2), f[:, None] * by_time, out=basis[3:])
    by_time *= u
    np.multiply(-t, E, out=basis[2])
    if D is not None:
        slope[2:] += (D @ fade[:, :, None])[..., 0].T
        basis[3:] += D.transpose(1, 0, 2) * E
    return _project(window, part, f, basis), slope


def _project(window: Window, part: Part, f: Array, basis: NDArray[np.complex128]) -> Array:
    """Curvature of all local parameters, amplitudes (and hum lines) projected out: 1/2 Re sum_c C* C G.

    ``basis`` (1 + m, K, n): the partials themselves, then their derivatives.
    """
    from scipy.linalg.blas import zherk
    from scipy.linalg.lapack import zposv

    K, block, m = len(f), window.block, len(basis) - 1
    flat = basis.reshape((1 + m) * K, -1)
    hum = np.array(window.hum_hz)
    if hum.size:
        line = np.exp(2j * np.pi * hum[:, None] * window.half[1::2]) * window.weight[block // 2 :: block]
        flat = np.concatenate([line, line * np.linspace(-1.0, 1.0, line.shape[1]), flat])
    products = zherk(1.0, flat.T, trans=2)  # flat* flat^T, upper triangle
    centre = np.concatenate([hum, hum, f])
    near = np.abs(centre[:, None] - centre) < 0.4 * window.rate_hz / block
    h, L = 2 * hum.size, 2 * hum.size + K
    S = products[:L, :L] * near
    X = (products[:L, L:].reshape(L, m, K) * near[:, None, h:]).reshape(L, m * K)
    G = (products[L:, L:].reshape(m, K, m, K) * near[h:, None, h:]).reshape(m * K, m * K)
    own = S.diagonal().real.copy()
    # what died before the window begins has no energy in it: without a floor its row is empty
    S.flat[:: L + 1] += 1e-10 * own + 1e-14 * own.max()
    if h:
        at, held = np.arange(h), window.ridge[-2 * h :]
        S[at, at] += np.concatenate([held[::4], held[2::4]]) / (0.5 * block)
    _, Y, failed = zposv(S, X)
    if failed:  # what is left out between partials far apart may cost S its sign
        Y = np.linalg.solve(np.triu(S) + np.triu(S, 1).conj().T, X)
    M = part.amplitudes.conj().T @ part.amplitudes * (0.5 * block)
    upper = np.triu((M[:, None] * (G - X.conj().T @ Y).reshape(m, K, m, K)).real.reshape(m * K, m * K))
    H: Array = upper + upper.T
    H.flat[:: m * K + 1] *= 0.5
    return H


def shared(H: Array, h: Array, K: int, R: int) -> tuple[Array, Array]:
    """Local clock parameters (R, K) added up over partials."""
    T = np.zeros(((2 + R) * K, 2 * K + R))
    T[: 2 * K, : 2 * K] = np.eye(2 * K)
    for q in range(R):
        T[(2 + q) * K : (3 + q) * K, 2 * K + q] = 1.0
    return T.T @ H @ T, T.T @ h.ravel()
