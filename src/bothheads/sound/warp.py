"""Clocks on which partials run: a struck drum starts sharp and settles, because stretching raises the tension.

Every clock gives u(t), the time that a partial at rest would need for the same phase, du/dt, and the slopes of u
with its own parameters. They are smooth, so they are asked for on a coarse half grid and interpolated elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST_SHARE = 0.4
MOST_SWELL = 15.0
SWELL_SD = 4.0  # ln(amplitude) per unit of glide


@dataclass(frozen=True)
class Curve:
    """Clock time u [s] and rate du/dt at the knots (rows, n + 1), u at the centres between them (rows, n)."""

    at_knots: Array
    rate: Array
    at_centres: Array
    rate_half: Array  # du/dt on the half grid, (rows, 2 n + 1)
    swell: Array | None = None  # factor of the amplitude at the knots (rows, n + 1); None: one
    drive: Array | None = None  # what each drive adds to the tension on the half grid (R, 2 n + 1)


def integrate(rate: Array, step_s: float) -> tuple[Array, Array]:
    """Integral of ``rate`` (..., 2 n + 1; half grid) at the knots (..., n + 1) and centres (..., n): Simpson's rule."""
    left, middle, right = rate[..., :-2:2], rate[..., 1::2], rate[..., 2::2]
    at_knots = np.zeros((*rate.shape[:-1], left.shape[-1] + 1))
    whole = 4.0 * middle
    whole += left
    whole += right
    whole *= step_s / 6.0
    np.cumsum(whole, axis=-1, out=at_knots[..., 1:])
    half = 5.0 * left
    half -= right
    half += 8.0 * middle
    half *= step_s / 24.0
    half += at_knots[..., :-1]
    return at_knots, half


class Clock(Protocol):
    """What the fit needs of a clock. ``window`` is the strike's index, ``half`` the half grid [s after the onset]."""

    @property
    def shared(self) -> bool:
        """True: parameters belong to all partials; False: each partial has its own."""

    @property
    def parameters(self) -> Array:
        """(R,) when shared, else (R, partials)."""

    def curve(self, window: int, half: Array) -> Curve:
        """Clock time, one row for all partials or one each."""

    def slopes(self, window: int, half: Array, curve: Curve) -> Array:
        """du/dp at the centres (rows, R, n)."""

    def swelling(self, window: int, half: Array, curve: Curve) -> Array | None:
        """d ln(amplitude)/dp at the centres (rows, R, n); None: the clock leaves amplitudes alone."""

    def held(self, slope: Array) -> NDArray[np.intp]:
        """Indices of the parameters that are at a bound and that the ``slope`` (their own) would push across it."""

    def moved(self, step: Array) -> Clock | None:
        """The clock after a step of its parameters; None where it would be impossible."""

    def prior(self) -> tuple[float, Array, Array]:
        """(cost, half its slope, half its curvature) of what is known about the parameters beforehand."""

    def kept(self, keep: Array) -> Clock:
        """The clock of the partials in ``keep`` (indices)."""


@dataclass(frozen=True)
class AtRest:
    """No glide: u = t."""

    shared: bool = True

    @property
    def parameters(self) -> Array:
        return np.zeros(0)

    def curve(self, window: int, half: Array) -> Curve:
        u = half - half[0]
        return Curve(u[None, ::2], np.ones((1, half[::2].size)), u[None, 1::2], np.ones((1, half.size)))

    def slopes(self, window: int, half: Array, curve: Curve) -> Array:
        return np.zeros((1, 0, (half.size - 1) // 2))

    def swelling(self, window: int, half: Array, curve: Curve) -> Array | None:
        return None

    def held(self, slope: Array) -> NDArray[np.intp]:
        return np.zeros(0, np.intp)

    def moved(self, step: Array) -> Clock | None:
        return self

    def prior(self) -> tuple[float, Array, Array]:
        return 0.0, np.zeros(0), np.zeros(0)

    def kept(self, keep: Array) -> Clock:
        return self


@dataclass(frozen=True)
class ExponentialWarp:
    """One warp for all partials: f(t) = f (1 + glide share exp(-rate t)), t from the onset.

    ``energy`` (windows,) scales the glide of each strike; ``free_rate`` lets the rate [1/s] move too.
    """

    glide: float
    rate: float
    energy: Array
    free_rate: bool = True
    shared: bool = True

    @property
    def parameters(self) -> Array:
        return np.array([self.glide, self.rate] if self.free_rate else [self.glide])

    def curve(self, window: int, half: Array) -> Curve:
        g = self.glide * self.energy[window]
        e = np.exp(-self.rate * half)
        u = half - half[0] + g * (e[0] - e) / self.rate
        du = 1.0 + g * e
        return Curve(u[None, ::2], du[None, ::2], u[None, 1::2], du[None])

    def slopes(self, window: int, half: Array, curve: Curve) -> Array:
        t, b = half[1::2], self.rate
        e = np.exp(-b * t)
        rows = [self.energy[window] * (1.0 - e) / b]
        if self.free_rate:
            rows.append(self.energy[window] * self.glide * (t * e / b - (1.0 - e) / b**2))
        return np.array(rows)[None]

    def swelling(self, window: int, half: Array, curve: Curve) -> Array | None:
        return None

    def held(self, slope: Array) -> NDArray[np.intp]:
        return np.zeros(0, np.intp)

    def moved(self, step: Array) -> Clock | None:
        glide = self.glide + float(step[0])
        rate = self.rate
        if self.free_rate:
            rate = float(np.clip(rate + step[1], 0.4 * rate, 2.5 * rate))
        if not -0.05 < glide < 0.25 or not 0.5 < rate < 120.0:
            return None
        return replace(self, glide=glide, rate=rate)

    def prior(self) -> tuple[float, Array, Array]:
        n = self.parameters.size
        return 0.0, np.zeros(n), np.zeros(n)

    def kept(self, keep: Array) -> Clock:
        return self


@dataclass(frozen=True)
class DrivenWarp:
    """Each partial has its own clock: (du/dt)^2 = 1 + 2 sum_r S_rk E_sr exp(-rate_r (t - reference)), t from the onset.

    r counts the partials that stretch the heads (drives): their energy E (windows, R) and rate (R,) follow from their
    own amplitudes and decays; S (R, partials) >= 0 is the same in every strike and scatters about ``centre`` (R, partials)
    by the relative ``scatter``: the two heads share every stretch. While the tension is up a mode is shaped and damped
    otherwise: its amplitude is larger by exp(swell (du/dt - 1)), ``swell`` (partials,).
    """

    shares: Array
    energy: Array
    rate: Array
    centre: Array
    swell: Array
    scatter: float = 0.6
    reference_s: float = 0.022  # after the onset: the time at which E is given
    shared: bool = False

    @property
    def parameters(self) -> Array:
        return np.concatenate([self.shares, self.swell[None]])

    def _drive(self, window: int, half: Array) -> Array:
        t = half - self.reference_s
        out: Array = np.exp(-self.rate[:, None] * t) * self.energy[window][:, None]
        return out

    def curve(self, window: int, half: Array) -> Curve:
        drive = self._drive(window, half)
        du = np.sqrt(np.clip(1.0 + 2.0 * (self.shares.T @ drive), 0.4, 4.0))
        at_knots, at_centres = integrate(du, 2.0 * (half[1] - half[0]))
        swell = np.exp(np.clip(self.swell[:, None] * (du[:, ::2] - 1.0), -2.0, 2.0))
        return Curve(at_knots, du[:, ::2], at_centres, du, swell, drive)

    def slopes(self, window: int, half: Array, curve: Curve) -> Array:
        drive = self._drive(window, half) if curve.drive is None else curve.drive
        out = np.zeros((self.shares.shape[1], len(self.shares) + 1, (half.size - 1) // 2))
        out[:, :-1] = integrate(drive / curve.rate_half[:, None], 2.0 * (half[1] - half[0]))[1]
        return out

    def swelling(self, window: int, half: Array, curve: Curve) -> Array | None:
        du = curve.rate_half[:, 1::2]
        drive = self._drive(window, half) if curve.drive is None else curve.drive
        by_shares = (self.swell[:, None] / du)[:, None] * drive[:, 1::2]
        return np.concatenate([by_shares, du[:, None] - 1.0], axis=1)

    def held(self, slope: Array) -> NDArray[np.intp]:
        at = (self.shares <= 0.0) & (slope[: self.shares.size].reshape(self.shares.shape) < 0.0)
        return np.nonzero(at.ravel())[0]

    def moved(self, step: Array) -> Clock | None:
        rows = step.reshape(-1, self.shares.shape[1])
        return replace(self, shares=np.clip(self.shares + rows[:-1], 0.0, MOST_SHARE),
                       swell=np.clip(self.swell + rows[-1], -MOST_SWELL, MOST_SWELL))

    def width(self) -> Array:
        """Standard deviation (R, partials) of the shares about their centre."""
        size = np.abs(self.centre)
        out: Array = self.scatter * size + self.scatter * (0.15 * float(size.sum()) / size.shape[1] + 1e-5)
        return out

    def prior(self) -> tuple[float, Array, Array]:
        curvature = np.empty((len(self.shares) + 1, len(self.swell)))
        curvature[:-1], curvature[-1] = self.width() ** -2, SWELL_SD**-2
        away = np.concatenate([self.shares - self.centre, self.swell[None]])
        slope = away * curvature
        return float(np.vdot(away, slope)), slope.ravel(), curvature.ravel()

    def kept(self, keep: Array) -> Clock:
        return replace(self, shares=self.shares[:, keep], centre=self.centre[:, keep], swell=self.swell[keep])
