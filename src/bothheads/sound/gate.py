"""Is it a strike? What partials that begin there explain beyond the ring going on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

AFTER_S, BEFORE_S = 0.25, 0.12
SHORTEST_S = 0.050  # a double stroke leaves this much between two pushes
AFTER_PUSH_S = 0.006  # the push and its click are over
_ORDER, _LAGS = 24, 90
_SHORTEST = 40  # samples that bear a fit


class NewEnergy(NamedTuple):
    """What partials that begin at an onset explain beyond the ring going on.

    ``nats``: (RSS_ring - RSS_ring+new) / 2 in units of the quiet or of what is left, whichever is more; ``gain_db`` = 10
    log10(RSS_ring / RSS_ring+new); ``share``: of the energy after the onset, 0 to 1; ``explained_db``: energy
    after the onset over what is left of it; ``left``: mean square of what is left, in units of the quiet.
    """

    nats: float = 0.0
    gain_db: float = 0.0
    share: float = 0.0
    explained_db: float = 0.0
    left: float = 1.0


def new_energy(ring: Array, rate_hz: float, onset_s: float, before_s: float, after_s: float) -> NewEnergy:
    """Energy that partials beginning at ``onset_s`` explain beyond the ring going on.

    ``ring`` (channels, n): low band, quiet whitened. Residuals between ``before_s`` and ``after_s``, both fitted with the
    same poles (ESPRIT): the ring's amplitudes run through the onset, the new ones begin there.
    """
    first = round((onset_s + AFTER_PUSH_S) * rate_hz)
    last = max(int(min(onset_s + AFTER_PUSH_S + AFTER_S, after_s) * rate_hz), first + int(SHORTEST_S * rate_hz))
    end = int((onset_s - 0.002) * rate_hz)
    start = max(int((onset_s - BEFORE_S) * rate_hz), int((before_s + AFTER_PUSH_S) * rate_hz), 0)
    y_post = ring[:, first:last]
    if y_post.shape[1] < _SHORTEST:
        return NewEnergy()
    y_pre = ring[:, start:end] if end - start > 20 else ring[:, :0]
    rows = [*y_post, *(y_pre if y_pre.shape[1] > _SHORTEST else [])]
    poles = _poles([row - row.mean() for row in rows], rate_hz)
    if not len(poles):
        return NewEnergy()
    t_post = first / rate_hz - onset_s + np.arange(y_post.shape[1]) / rate_hz
    t_pre = start / rate_hz - onset_s + np.arange(y_pre.shape[1]) / rate_hz
    return _weigh(y_pre, y_post, t_pre, t_post, poles)


def _poles(rows: list[Array], rate_hz: float) -> NDArray[np.complex128]:
    """Decaying poles [1/s] shared by the rows, by ESPRIT on the summed covariance; 18-900 Hz, decay 10 ms to 5 s."""
    lags = min(_LAGS, min(len(r) for r in rows) // 2)
    covariance = np.zeros((lags, lags))
    for row in rows:
        hankel = np.lib.stride_tricks.sliding_window_view(row, lags)
        covariance += hankel.T @ hankel
    if not np.isfinite(covariance).all() or not np.trace(covariance) > 0.0:
        return np.zeros(0, complex)
    order = min(_ORDER, lags // 3)
    _, vectors = np.linalg.eigh(covariance)
    signal = vectors[:, -order:]
    z = np.linalg.eigvals(np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)[0])
    s: NDArray[np.complex128] = np.log(np.where(np.abs(z) > 1e-9, z, 1e-9).astype(complex)) * rate_hz
    f = s.imag / (2 * np.pi)
    s = np.minimum(s.real, -0.2) + 1j * s.imag
    return s[(f > 18.0) & (f < 900.0) & (s.real > -100.0)]


def _weigh(y_pre: Array, y_post: Array, t_pre: Array, t_post: Array, poles: NDArray[np.complex128]) -> NewEnergy:
    new = _columns(t_post, poles)
    old, y, both = np.ones((len(t_post), 1)), y_post.T, new
    if len(t_pre):
        old_pre = _columns(t_pre, poles)
        old = np.vstack([old_pre, new])
        y = np.hstack([y_pre, y_post]).T
        both = np.hstack([old, np.vstack([np.zeros((len(t_pre), new.shape[1])), new])])
    left, right = (_residual(columns, y) for columns in (old, both))
    late = float(np.square(right[len(t_pre) :]).sum())
    ring_only, with_new = float(np.square(left).sum()), float(np.square(right).sum())
    energy = float(np.square(y_post).sum()) + 1e-30
    floor = 1e-12 * energy
    noise = max(1.0, with_new / y.size)
    return NewEnergy(0.5 * (ring_only - with_new) / noise, float(10 * np.log10((ring_only + floor) / (with_new + floor))),
                     min(1.0, max(0.0, (ring_only - with_new) / energy)),
                     float(10 * np.log10(energy / (late + 1e-6 * energy))), with_new / y.size)


def _columns(t: Array, poles: NDArray[np.complex128]) -> Array:
    wave = np.exp(np.outer(t, poles))
    return np.hstack([wave.real, wave.imag])


def _residual(columns: Array, y: Array) -> Array:
    size = np.sqrt(np.square(columns).sum(axis=0)) + 1e-300
    scaled = columns / size
    gram = scaled.T @ scaled
    gram[np.diag_indices_from(gram)] += 1e-7
    out: Array = y - scaled @ np.linalg.solve(gram, scaled.T @ y)
    return out


TOLD = ("nats", "gain", "share", "explained", "left")
# what is explained better than this is explained well: in recordings without noise the figures only tell of the noise
_MOST_NATS, _MOST_GAIN_DB, _MOST_EXPLAINED_DB = 7.0, 12.0, 30.0


def told(new: NewEnergy) -> Array:
    """What the verdict weighs of it, in the order of ``TOLD``; nats and the mean square of what is left as logarithms."""
    return np.array([min(float(np.log1p(max(new.nats, 0.0) / 10.0)), _MOST_NATS), min(new.gain_db, _MOST_GAIN_DB), new.share,
                     min(new.explained_db, _MOST_EXPLAINED_DB), np.log10(max(new.left, 0.1))])
