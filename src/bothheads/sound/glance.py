"""How the sound around a candidate looks, at a glance: levels before and after it, in dB over the quiet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .onset import Candidate, Power

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

GLANCE = ("low", "click", "fresh", "lately", "swell", "lasts", "noisy", "ring", "decay", "level", "jump", "hiss", "bright")
_LONGEST_S = 1.5  # of the past that is weighed
_LEAST_DB = -5.0  # what is quieter than this under the quiet is as quiet


def glances(found: list[Candidate], power: Power) -> Array:
    """What is seen of candidates (n, 13), in the order of ``GLANCE``; ``low`` and ``click`` as logarithms of nats.

    fresh, lately: 20 ms of the low band after against the loudest 20 ms of the 0.3 and 1.5 s before; swell: the first
    12 ms against the next 48; lasts: the click's 8 ms against 30-90 ms later; noisy, ring: the click and low band before;
    decay: 20-70 ms against 120-200 ms; level: 10-60 ms; jump: 15 ms after against 15 ms before; hiss: the click's 8 ms;
    bright: those against the loudest 8 ms of the 0.15 s before.
    """
    if not found:
        return np.zeros((0, len(GLANCE)))
    at_s, ears = np.array([c.at_s for c in found]), np.array([c.ears for c in found])
    ring, click = _Levels(power.ring, power.ring_hop_s, at_s, ears), _Levels(power.click, power.click_hop_s, at_s, ears)
    low, high = ring.mean_db, click.mean_db
    struck, hiss = np.maximum(low(0.003, 0.023), -3.0), high(0.0, 0.008)
    return np.stack([
        np.log1p([c.low for c in found]), np.log1p([max(c.click, 0.0) for c in found]),
        struck - ring.loudest_db(0.3, 0.020, 0.002), struck - ring.loudest_db(_LONGEST_S, 0.020, 0.002),
        low(0.0, 0.012) - low(0.012, 0.060), hiss - high(0.030, 0.090), high(-0.030, -0.003), low(-0.050, -0.003),
        low(0.020, 0.070) - low(0.120, 0.200), low(0.010, 0.060), low(0.0, 0.015) - low(-0.015, 0.0), hiss,
        hiss - click.loudest_db(0.15, 0.008, 0.003),
    ], axis=1)


class _Levels:
    """Levels around times ``at_s`` (n,) of a power (channels, frames), each as its own ``ears`` (n, e) hear it on the mean."""

    def __init__(self, power: Array, hop_s: float, at_s: Array, ears: Indices) -> None:
        self.total = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=1)], axis=1)
        self.hop_s, self.at_s, self.ears = hop_s, at_s, ears

    def _index(self, after_s: float) -> Indices:
        frames = np.floor((self.at_s + after_s) / self.hop_s + 1e-9)
        return np.clip(frames, 0, self.total.shape[1] - 1).astype(int)

    def mean_db(self, begin_s: float, end_s: float) -> Array:
        """Mean power (n,) between two times after each [dB]; the quiet where nothing is known."""
        a, b = self._index(begin_s), self._index(end_s)
        energy = (self.total[self.ears, b[:, None]] - self.total[self.ears, a[:, None]]).mean(axis=1)
        mean = np.where(b > a, energy / np.maximum(b - a, 1), 1.0)
        return np.asarray(10 * np.log10(np.maximum(mean, 10 ** (_LEAST_DB / 10))))

    def loudest_db(self, past_s: float, long_s: float, guard_s: float) -> Array:
        """The loudest ``long_s`` of the past that ends ``guard_s`` before each, at least the quiet (n,) [dB]."""
        span = max(1, round(long_s / self.hop_s))
        out = np.zeros(len(self.at_s))
        for i, (a, b) in enumerate(zip(self._index(-past_s).tolist(), self._index(-guard_s).tolist(), strict=True)):
            if b - a >= span:
                past = self.total[self.ears[i], a : b + 1].mean(axis=0)
                out[i] = 10 * np.log10(max(float((past[span:] - past[:-span]).max()) / span, 1.0))
        return out
