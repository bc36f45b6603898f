"""Where a strike ends: the noise, the next strike, a fade or digital silence, measured on the wave itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BLOCK_S = 0.05
_OVER_NOISE = 1.6  # a block still belongs to the strike while its rms exceeds the noise by this factor
_FADE = 2.0  # a fade falls this much faster than the decay before it


def end_of(body: Array, sample_rate_hz: float, onset: int, following: int) -> int:
    """Sample at which the strike that begins at ``onset`` ends, at most ``following``.

    ``body`` (n, channels): the band of the partials. The noise is the quietest block before the onset, or of the
    strike's own last part where that no longer falls; digital silence and a fade-out at the end are left off.
    """
    last = _without_zeros(body, onset, following)
    block = max(1, round(BLOCK_S * sample_rate_hz))
    count = (last - onset) // block
    if count < 3:
        return last
    rms = _rms(body[onset : onset + count * block], block)
    noise = _noise(body, onset, block, rms)
    loud = np.flatnonzero(rms > _OVER_NOISE * noise)
    end = onset + (int(loud[-1]) + 1) * block if len(loud) and loud[-1] + 1 < count else last
    if following == len(body):
        end = min(end, _before_fade(rms, onset, block, end))
    return max(end, min(last, onset + 3 * block))


def _without_zeros(body: Array, onset: int, following: int) -> int:
    """End of the strike without the digital silence behind it."""
    size = np.abs(body[onset:following]).max(axis=1, initial=0.0)
    alive = np.flatnonzero(size > 1e-7 * max(float(size.max(initial=0.0)), 1e-12))
    return onset + int(alive[-1]) + 1 if len(alive) else following


def _rms(piece: Array, block: int) -> Array:
    power = np.square(piece).mean(axis=1)
    out: Array = np.sqrt(power.reshape(-1, block).mean(axis=1))
    return out


def _noise(body: Array, onset: int, block: int, rms: Array) -> float:
    """Rms of the noise: the quieter of the second before the onset and of a tail that no longer falls; 0 = none seen."""
    seen = []
    guard = block // 10
    first = max(0, onset - guard - 20 * block)
    blocks = (onset - guard - first) // block
    if blocks > 0:
        seen.append(float(_rms(body[onset - guard - blocks * block : onset - guard], block).min()))
    tail = rms[-max(4, len(rms) // 4) :]
    if len(rms) >= 10 and tail.max() < 1.5 * tail.min() and tail.max() < 0.1 * rms.max():
        seen.append(float(np.median(tail)))
    return min(seen, default=0.0)


def _before_fade(rms: Array, onset: int, block: int, end: int) -> int:
    """Start of a fade-out at the very end: sums of decaying partials fall ever more slowly, a fade ever faster."""
    level = 20 * np.log10(np.maximum(rms, 1e-10))
    fall = -np.diff(level)
    if len(fall) < 5 or level[-1] > level.max() - 20.0:
        return end
    usual = float(np.median(fall[max(0, len(fall) - 8) : -2]))
    k = len(fall)
    while k > len(fall) - 4 and fall[k - 1] > max(_FADE * usual, usual + 3.0):
        k -= 1
    return onset + (k + 1) * block if k < len(fall) else end
