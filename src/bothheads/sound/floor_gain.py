"""The gain a recorder rode, read off its noise: under a gain that was turned down the noise sinks below that of the pause.

Whatever a drum or a room adds to a recording raises the power of every band; only a gain lowers it. So where all bands
above the partials stand below the pause before the first strike and come back while the drum rings, the lowest band is
the gain itself, and the recording can be put back to the gain of the pause.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_EDGES_HZ = (1000.0, 2000.0, 4000.0, 8000.0, 15000.0)
_FRAME_S, _HOP_S = 0.04, 0.02
_SMOOTH = 5  # frames: 0.1 s, shorter than any release that bends a decay
_PAUSE_FRAMES = 8
_SILENT_DB = -120.0  # of full scale: a pause that holds no noise tells nothing
LEAST_DB = 2.5  # depth of a dip: four standard deviations of the smoothed band from 1 to 2 kHz and their lowest of four
_LEAST_FRAMES = 8
_ALIKE_DB = 2.0
_RELEASES_S = np.geomspace(0.05, 3.0, 25)
LEFT_DB = 0.7  # standard deviation of the gain read: what is left of it in the decays


@dataclass(frozen=True)
class GainCurve:
    """Gain (frames,) [dB], 0 in the pause, at ``times`` [s] from the recording's first sample."""

    times: Array
    db: Array

    def undone(self, samples: Array, sample_rate_hz: int) -> Array:
        """The samples (n, channels) at the gain of the pause."""
        t = np.arange(len(samples)) / sample_rate_hz
        out: Array = samples * (10.0 ** (-np.interp(t, self.times, self.db) / 20.0))[:, None]
        return out


def floor_gain(samples: Array, sample_rate_hz: int, onsets_s: Sequence[float]) -> GainCurve | None:
    """The gain ridden in ``samples`` (n, channels) with strikes at ``onsets_s``; None where the noise shows none.

    Told where the noise dips after most strikes that leave 0.4 s to see it, and comes back as exp(-t / release).
    """
    if not len(onsets_s):
        return None
    times, levels = _levels(samples, sample_rate_hz)
    pause = times < onsets_s[0] - _FRAME_S
    if pause.sum() < _PAUSE_FRAMES:
        return None
    quiet = np.median(levels[pause], axis=0)
    heard = quiet > _SILENT_DB
    if not heard.any():
        return None
    lowest = _lowest(_smooth(levels[:, heard] - quiet[heard]))
    db = np.zeros(len(times))
    seen = dipped = 0
    for onset, until in zip(onsets_s, [*onsets_s[1:], float(times[-1]) + 1.0], strict=True):
        ring = np.nonzero((times > onset + _FRAME_S) & (times < until - _SMOOTH * _HOP_S))[0]
        if len(ring) * _HOP_S < 0.4:
            continue
        seen += 1
        first = int(np.argmin(lowest[ring]))  # before it the drum's own high ring hides the noise: the gain is held
        if _comes_back(times[ring[first:]], lowest[ring[first:]]):
            dipped += 1
        after = np.nonzero((times > onset) & (times < until))[0]
        db[after] = np.minimum(lowest[after], 0.0)
        db[after[after < ring[first]]] = min(float(lowest[ring[first]]), 0.0)
    return GainCurve(times, db) if dipped and 2 * dipped > seen else None


def _levels(samples: Array, sample_rate_hz: int) -> tuple[Array, Array]:
    """(times of the frames' centres (F,) [s], mean power (F, bands) [dB of full scale squared per bin])."""
    size, hop = int(_FRAME_S * sample_rate_hz), int(_HOP_S * sample_rate_hz)
    starts = np.arange(0, len(samples) - size, hop)
    freq = np.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    edges = [hz for hz in _EDGES_HZ if hz < 0.45 * sample_rate_hz]
    bands = [(freq >= low) & (freq < high) for low, high in pairwise(edges)]
    shape = np.hanning(size)[:, None] / size
    out = np.empty((len(starts), len(bands)))
    for i, start in enumerate(starts):
        power = (np.abs(np.fft.rfft(samples[start : start + size] * shape, axis=0)) ** 2).sum(axis=1)
        out[i] = [power[band].mean() for band in bands]
    return (starts + 0.5 * size) / sample_rate_hz, 10.0 * np.log10(out + 1e-30)


def _smooth(levels: Array) -> Array:
    """Running mean (F, bands) over 0.1 s, shorter at the ends."""
    weight = np.ones(_SMOOTH)
    count = np.convolve(np.ones(len(levels)), weight, "same")
    out: Array = np.stack([np.convolve(row, weight, "same") / count for row in levels.T], axis=1)
    return out


def _lowest(levels: Array) -> Array:
    """Mean (F,) of the bands within 2 dB of the lowest of levels (F, bands): noise alone lies in all of them alike."""
    near = levels < levels.min(axis=1, keepdims=True) + _ALIKE_DB
    out: Array = (levels * near).sum(axis=1) / near.sum(axis=1)
    return out


def _comes_back(times: Array, lowest: Array) -> bool:
    """Whether levels (F,) [dB] from their lowest on are -D exp(-t / release): back at the pause's, none jumps."""
    if len(lowest) < _LEAST_FRAMES or lowest[0] > -LEAST_DB:
        return False
    shape = np.exp(-(times - times[0])[:, None] / _RELEASES_S)
    depth = -(lowest @ shape) / (shape**2).sum(axis=0)
    off = np.sqrt(((lowest[:, None] + depth * shape) ** 2).mean(axis=0))
    k = int(np.argmin(off))
    risen = float(lowest[-_SMOOTH:].mean() - lowest[0])
    return bool(depth[k] > LEAST_DB - 0.5 and off[k] < 0.5 + 0.15 * depth[k] and risen > 0.25 * depth[k])
