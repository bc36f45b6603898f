"""Is it a strike? What partials that begin there explain beyond the ring going on, and how the sound around it looks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .onset import Candidate, Power

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


FEATURES = ("low", "click", "nats", "gain", "share", "explained", "left", "fresh", "swell", "lasts", "noisy", "ring", "decay",
            "level", "jump", "hiss")


# what is explained better than this is explained well: in recordings without noise the figures only tell of the noise
_MOST_NATS, _MOST_GAIN_DB, _MOST_EXPLAINED_DB = 7.0, 12.0, 30.0


def features(c: Candidate, new: NewEnergy, power: Power) -> Array:
    """What the verdict weighs, in the order of ``FEATURES``; logarithms of nats, powers in dB over the quiet.

    fresh: 20 ms after against the loudest 20 ms of the 0.3 s before; swell: the first 12 ms against the next 48; lasts: the
    click's 8 ms against 30-90 ms later; noisy, ring: the click and low band before; decay: 20-70 ms against
    120-200 ms; level: 10-60 ms; jump: 15 ms after against 15 ms before; hiss: the click's 8 ms.
    """
    ears = list(c.ears)
    ring, click = power.ring[ears].mean(axis=0), power.click[ears].mean(axis=0)

    def low(begin_s: float, end_s: float) -> float:
        return _mean_db(ring, power.ring_hop_s, c.at_s + begin_s, c.at_s + end_s)

    def high(begin_s: float, end_s: float) -> float:
        return _mean_db(click, power.click_hop_s, c.at_s + begin_s, c.at_s + end_s)

    nats = min(float(np.log1p(max(new.nats, 0.0) / 10.0)), _MOST_NATS)
    fresh = max(low(0.003, 0.023), -3.0) - _loudest_db(ring, power.ring_hop_s, c.at_s)
    return np.array([
        np.log1p(c.low), np.log1p(max(c.click, 0.0)), nats, min(new.gain_db, _MOST_GAIN_DB), new.share,
        min(new.explained_db, _MOST_EXPLAINED_DB), np.log10(max(new.left, 0.1)), fresh,
        low(0.0, 0.012) - low(0.012, 0.060), high(0.0, 0.008) - high(0.030, 0.090), high(-0.030, -0.003), low(-0.050, -0.003),
        low(0.020, 0.070) - low(0.120, 0.200), low(0.010, 0.060), low(0.0, 0.015) - low(-0.015, 0.0), high(0.0, 0.008),
    ])


def _mean_db(power: Array, hop_s: float, begin_s: float, end_s: float) -> float:
    piece = power[max(0, int(begin_s / hop_s)) : max(0, int(end_s / hop_s))]
    return float(10 * np.log10(max(float(piece.mean()) if len(piece) else 1.0, 0.3)))


def _loudest_db(ring: Array, hop_s: float, at_s: float) -> float:
    """The loudest 20 ms of the ring in the 0.3 s before ``at_s``, at least the quiet [dB]."""
    span = max(1, round(0.020 / hop_s))
    past = ring[max(0, int((at_s - 0.3) / hop_s)) : max(0, int((at_s - 0.002) / hop_s))]
    if len(past) < span:
        return 0.0
    total = np.concatenate([[0.0], np.cumsum(past)])
    return float(10 * np.log10(max(float((total[span:] - total[:-span]).max()) / span, 1.0)))
