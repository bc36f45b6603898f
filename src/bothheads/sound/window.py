"""One strike's window: samples in units of the noise, drift and hum as nuisance, weights, the coarse half grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_BLOCK_S = 0.005
_PER_LINE = 4  # rows of a hum line: cosine, sine, both times a ramp
_DRIFTS = 0.4  # of a line's amplitude over the window


@dataclass
class Window:
    """One strike's samples (channels, T) in units of the noise's standard deviation, T a multiple of ``block``.

    ``start_s`` is the first sample's time after the onset, ``nuisance`` (p, T) are drift and hum, ``hum_hz`` the lines
    among them, ``weight`` (T,) multiplies data and model alike. ``hum_sd``: standard deviation of each line's amplitude
    about zero in the same units, as the pause told it; without it a partial at a mains frequency is lost in the line.
    """

    rate_hz: float
    start_s: float
    samples: Array
    nuisance: Array
    weight: Array
    hum_hz: tuple[float, ...] = ()
    hum_sd: tuple[float, ...] = ()
    block: int = field(init=False)
    half: Array = field(init=False)
    weighted: Array = field(init=False)
    weighted_nuisance: Array = field(init=False)
    ridge: Array = field(init=False)  # (p,) prior curvature of the nuisance's amplitudes

    def __post_init__(self) -> None:
        self.block = block_length(self.rate_hz)
        count = self.samples.shape[1] // self.block
        self.samples = self.samples[:, : count * self.block]
        self.nuisance = self.nuisance[:, : count * self.block]
        self.half = self.start_s - 0.5 / self.rate_hz + np.arange(2 * count + 1) * (0.5 * self.block / self.rate_hz)
        self.ridge = np.zeros(len(self.nuisance))
        for i, sd in enumerate(self.hum_sd):
            first = len(self.nuisance) - _PER_LINE * (len(self.hum_hz) - i)
            self.ridge[first : first + _PER_LINE] = 1.0 / (max(sd, 1e-6) * np.array([1.0, 1.0, _DRIFTS, _DRIFTS])) ** 2
        self.reweigh(self.weight[: count * self.block])

    def reweigh(self, weight: Array) -> None:
        """Replace the weight (T,)."""
        self.weight = weight
        self.weighted = self.samples * weight
        self.weighted_nuisance = self.nuisance * weight

    def quiet(self) -> Array:
        """The samples (channels, T) without drift and hum, the latter held by its prior."""
        X = self.nuisance
        G = X @ X.T
        G[np.diag_indices_from(G)] += self.ridge
        out: Array = self.samples - np.linalg.solve(G, X @ self.samples.T).T @ X
        return out

    @property
    def times(self) -> Array:
        """Times (T,) of the samples after the onset [s]."""
        return self.start_s + np.arange(self.samples.shape[1]) / self.rate_hz

    def later(self, offset_s: float) -> Window:
        """The same window without its first ``offset_s`` seconds."""
        k = int(offset_s * self.rate_hz)
        return Window(self.rate_hz, self.start_s + k / self.rate_hz, self.samples[:, k:], self.nuisance[:, k:],
                      self.weight[k:], self.hum_hz, self.hum_sd)


def block_length(rate_hz: float) -> int:
    """Odd number of samples in about 5 ms."""
    return max(3, int(round(_BLOCK_S * rate_hz)) | 1)


def drift_and_hum(start_s: float, count: int, rate_hz: float, hum_hz: Sequence[float]) -> Array:
    """Rows (p, count): Legendre polynomials for drift below about 1.5 Hz, cosine and sine of hum lines."""
    from numpy.polynomial import legendre

    terms = int(np.clip(round(2.0 + 2.5 * count / rate_hz), 2, 7))
    x = np.linspace(-1.0, 1.0, count)
    t = start_s + np.arange(count) / rate_hz
    rows = [legendre.legval(x, np.eye(terms)[i]) for i in range(terms)]
    for hz in hum_hz:
        c, s = np.cos(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t)
        rows += [c, s, x * c, x * s]  # the mains are up to 0.02 Hz off: phase and level may drift
    return np.array(rows)
