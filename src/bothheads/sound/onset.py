"""Where something may have been struck: candidates, generous on purpose; what is no strike is thrown out by ``gate``.

Two measures of what is new, both generalised likelihood ratios in nats with the quiet whitened to variance 1: the click
band's power over 2.5 ms against the 30 ms before, and the low band's power spectrum over 64 ms against the 64 ms before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .whiten import Streams

Array = NDArray[np.float64]

FRAME_S = 0.00067
CLICK_S = 0.0025  # in which a click dies
_PAST_S, _GAP_S = 0.030, 0.004
_LOW_S, _LOW_HOP_S = 0.064, 0.004
_EARS = 2
_LEAST_CLICK, _LEAST_LOW = 12.0, 20.0  # nats
_CLICKS_APART_S, _LOWS_APART_S = 0.012, 0.030
_SAME_S = (0.012, 0.025)  # a rise in the low band is a click's that came at most so long before, or comes so soon after
STRONG = 150.0  # nats; what is so strong ends the ring before it and begins one


@dataclass(frozen=True)
class Candidate:
    """Something new at ``at_s``: ``low`` and ``click`` nats of it in either band, in the ``ears``, the (at most two)
    channels that hear it best, so that two microphones and eight are weighed alike."""

    at_s: float
    low: float
    click: float
    ears: tuple[int, ...] = (0,)

    @property
    def strong(self) -> bool:
        """Strong enough to count as the end of the ring before it."""
        return self.low > STRONG or self.click > STRONG


@dataclass(frozen=True)
class Power:
    """Power over the quiet (channels, frames): ``click`` every ``click_hop_s``, ``ring`` every sample of the ring."""

    click: Array
    click_hop_s: float
    ring: Array
    ring_hop_s: float


def candidates(s: Streams) -> tuple[list[Candidate], Power]:
    """Candidates in order of time, and the powers that they were found in."""
    hop = max(1, round(FRAME_S * s.click_rate_hz))
    frames = s.click.shape[1] // hop
    cut = s.click[:, : frames * hop].reshape(len(s.click), frames, hop)
    power = np.einsum("cfh,cfh->cf", cut, cut) / hop
    hop_s, low_hop_s = hop / s.click_rate_hz, max(1, round(_LOW_HOP_S * s.low_rate_hz)) / s.low_rate_hz
    clicks, lows = click_novelty(power, hop), low_novelty(s.ring, s.low_rate_hz)
    click, low = best_two(clicks), best_two(lows)
    powers = Power(power, hop_s, np.square(s.ring), 1.0 / s.low_rate_hz)
    times = []
    for k in _peaks(click, _LEAST_CLICK, round(_CLICKS_APART_S / hop_s)):
        times.append((k * hop_s, k * hop_s - 0.014, k * hop_s + 0.012, k * hop_s, k * hop_s))
    struck = np.array([t[0] for t in times])
    ring = powers.ring.mean(axis=0)
    for k in _peaks(low, _LEAST_LOW, round(_LOWS_APART_S / low_hop_s)):
        at = _step_of(ring, s.low_rate_hz, k * low_hop_s)
        if not ((struck > at - _SAME_S[0]) & (struck < at + _SAME_S[1])).any():
            times.append((at, k * low_hop_s, k * low_hop_s, at - 0.006, at + 0.008))
    found = []
    for at, low_from, low_to, click_from, click_to in sorted(times):
        ln, cn = _most(lows, low_from, low_to, low_hop_s), _most(clicks, click_from, click_to, hop_s)
        ears = np.argsort(-(ln + cn), kind="stable")[:_EARS]
        found.append(Candidate(at, float(ln[ears].sum()), float(cn[ears].sum()), tuple(ears.tolist())))
    return found, powers


def best_two(nats: Array) -> Array:
    """Sum over the two channels of ``nats`` (channels, frames) that hear most, frame by frame."""
    most, second = nats[0], np.zeros_like(nats[0])
    for row in nats[1:]:
        second = np.maximum(second, np.minimum(most, row))
        most = np.maximum(most, row)
    return np.asarray(most + second)


def click_novelty(power: Array, hop: int) -> Array:
    """Nats (channels, frames) by which the power over the next 2.5 ms is above the past 30 ms and the quiet."""
    frames = power.shape[1]
    shape = np.exp(-np.arange(round(3 * CLICK_S / FRAME_S)) * FRAME_S / CLICK_S)
    past, gap = round(_PAST_S / FRAME_S), round(_GAP_S / FRAME_S)
    weight = 0.5 * hop * shape.sum() ** 2 / np.square(shape).sum()
    out = np.zeros(power.shape)
    for channel, row in enumerate(power):
        after = np.convolve(row, shape[::-1] / shape.sum())[len(shape) - 1 :][:frames]
        before = np.ones(frames)
        before[gap:] = np.convolve(row, np.full(past, 1.0 / past))[: frames - gap] if frames > gap else before[gap:]
        out[channel] = weight * _nats(after / np.maximum(before, 1.0))
    return out


def low_novelty(ring: Array, rate_hz: float) -> Array:
    """Nats (channels, frames of 4 ms) by which the spectrum after it is above the spectrum before it and above the quiet.

    A bin counts against the strongest of itself and its neighbours before; 30 nats at most, so that no single
    partial decides.
    """
    n, hop = round(_LOW_S * rate_hz), max(1, round(_LOW_HOP_S * rate_hz))
    padded = np.concatenate([ring, np.zeros((len(ring), n))], axis=1)
    window = (0.5 + 0.5 * np.cos(np.pi * np.arange(n) / n)) * np.minimum(1.0, (np.arange(n) + 0.5) / (0.004 * rate_hz))
    window /= np.sqrt(np.square(window).sum())
    size, lag = 1 << (n - 1).bit_length(), n // hop
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    band = (f > 25.0) & (f < 850.0)
    out = []
    for row in padded:
        frames = np.lib.stride_tricks.sliding_window_view(row, n)[::hop]
        after = np.square(np.abs(np.fft.rfft(frames * window, size, axis=1)[:, band]))
        earlier = np.square(np.abs(np.fft.rfft(frames[:-lag] * window[::-1], size, axis=1)[:, band]))
        before = np.ones_like(after)
        before[lag:] = np.maximum(earlier, 1.0)
        before[:, 1:-1] = np.maximum(before[:, 1:-1], np.maximum(before[:, :-2], before[:, 2:]))
        out.append(np.minimum(_nats(after / before), 30.0).sum(axis=1))
    return np.array(out)


def _nats(ratio: Array) -> Array:
    """Log-likelihood ratio of a power ``ratio`` times the expected, per degree of freedom pair; 0 below 1."""
    r = np.maximum(ratio, 1.0)
    out: Array = r - 1.0 - np.log(r)
    return out


def _most(nats: Array, begin_s: float, end_s: float, hop_s: float) -> Array:
    """The most that each channel of ``nats`` (channels, frames) hears between two times [s]."""
    return np.asarray(nats[:, max(0, int(begin_s / hop_s + 1e-6)) : max(0, int(end_s / hop_s + 1e-6)) + 1].max(axis=1, initial=0.0))


def _peaks(nats: Array, least: float, apart: int) -> list[int]:
    """Local maxima of at least ``least``, a recording's first and last frame included, largest first claim."""
    from scipy.signal import find_peaks

    found, _ = find_peaks(np.concatenate([[0.0], nats, [0.0]]), height=least, distance=max(1, apart))
    return [int(k) - 1 for k in found]


def _step_of(power: Array, rate_hz: float, at_s: float) -> float:
    """Time [s] near ``at_s`` from which 15 ms of the ring stand out most above the 15 ms before."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    n = round(0.015 * rate_hz)
    k = np.arange(max(1, int((at_s - 0.012) * rate_hz)), min(len(power) - n, int((at_s + 0.020) * rate_hz)))
    if not len(k):
        return at_s
    first = np.maximum(k - n, 0)
    before = np.maximum((total[k] - total[first]) / (k - first), 1.0)
    return float(k[int(np.argmax(_nats((total[k + n] - total[k]) / n / before)))] / rate_hz)
