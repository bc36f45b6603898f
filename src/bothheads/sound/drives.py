"""The fit of a take in which partials that stretch the heads drive the clocks of all partials.

What a drive does to the tension is read off its own amplitudes and decay in every strike, old ring included; the only
glide unknowns are the shares S >= 0 of each partial in each drive, the same in all strikes. Soft strikes and late sound
hold the rest, hard ones the shares.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .decimate import band_hz
from .esprit import esprit
from .histories import Drives, carried, drives_of
from .resample import at_positions, halve
from .residual import broad_density, envelope, spectrum
from .select import Limits, forward, prune
from .varpro import JointFit, State
from .warp import DrivenWarp
from .window import Window

Array = NDArray[np.float64]
_APART_HZ, _PAIR_HZ = 1.0, 0.4  # nearest that a new line may lie to another, and when nothing else is left to find


@dataclass(frozen=True)
class Kept:
    """A state of a ``DrivenFit`` to come back to, with its ``unlikeliness``."""

    state: State
    weights: list[Array]
    driven_by: Drives
    unlikeliness: float


class DrivenFit:
    """A ``JointFit`` on a ``DrivenWarp`` whose drives follow the partials of ``driven_by`` (-1 = gone)."""

    def __init__(self, fit: JointFit, drives: int, density: Callable[[Array], Array] | None, limits: Limits) -> None:
        self.fit, self.drives, self.density, self.limits = fit, drives, density, limits
        self.driven_by = Drives.none()
        self.multiples = False  # of one rate, in one strike
        self.least = 1.0  # residual rms [noise units] below which no weight rises further

    @property
    def clock(self) -> DrivenWarp:
        clock = self.fit.clock
        assert isinstance(clock, DrivenWarp)
        return clock

    def amplitudes(self) -> Array:
        """(strikes, channels, K) at the clock's reference time, in noise units."""
        fade = np.exp(-self.fit.a * self.clock.reference_s)
        out: Array = np.array([np.abs(p.amplitudes) for p in self.fit.state.parts]) * fade
        return out

    def level(self) -> Array:
        """Largest level (K,) over strikes and channels relative to the strongest partial there."""
        A = self.amplitudes()
        out: Array = (A / A.max(axis=2, keepdims=True)).max(axis=(0, 1))
        return out

    def unlikeliness(self) -> float:
        """Twice the negative log likelihood of what is left, its rms over time as fitted, and what the partials must pay."""
        total = self.limits.threshold * len(self.fit.f)
        for window, part in zip(self.fit.windows, self.fit.state.parts, strict=True):
            rms = np.maximum(envelope(part.residual / window.weight, window.rate_hz), self.least)
            total += 2.0 * len(window.samples) * float(np.log(rms).sum())
        return total

    def kept(self) -> Kept:
        """What ``back`` needs to come back here."""
        return Kept(self.fit.state, [w.weight for w in self.fit.windows], self.driven_by, self.unlikeliness())

    def back(self, kept: Kept) -> None:
        """Return to a state kept before."""
        for window, weight in zip(self.fit.windows, kept.weights, strict=True):
            window.reweigh(weight)
        self.fit.state = kept.state
        self.driven_by = kept.driven_by

    def mean_shares(self) -> Array:
        """(R,) mean of the shares over partials, weighted with level^2 decay."""
        w = self.level() ** 2 / self.fit.a
        out: Array = self.clock.shares @ (w / w.sum())
        return out

    def glide(self) -> float:
        """Mean glide, relative, at the clock's reference time in a strike that has the most of every drive."""
        return float((self.clock.energy.max(0) * self.mean_shares()).sum())

    def centre(self) -> Array:
        """(R, K) where the shares are expected: the mean over partials."""
        mean = np.maximum(self.mean_shares(), 1e-6)
        return np.repeat(mean[:, None], len(self.fit.f), 1)

    def run(self, iterations: int, tolerance: float = 1e-4) -> DrivenFit:
        """Fit on, the prior centred on the present mean of the shares."""
        self.fit.retune(replace(self.clock, centre=self.centre()))
        self.fit.run(iterations, tolerance)
        return self

    def choose(self, *, solve: bool = True) -> DrivenFit:
        """Take as drives the partials that stretch the heads for longest, their energies from their amplitudes.

        ``solve`` False leaves the amplitudes to the next change of weights or step.
        """
        new = drives_of(self.amplitudes(), self.fit.f, self.fit.a, self.drives, multiples=self.multiples)
        times = [w.half[::4] - self.clock.reference_s for w in self.fit.windows]
        shares = carried(self.clock, self.driven_by, new, times)
        self.driven_by = new
        clock = replace(self.clock, shares=shares, energy=new.energy, rate=new.rate,
                        centre=np.repeat(shares.mean(1)[:, None], shares.shape[1], 1))
        if solve:
            self.fit.restart(self.fit.f, self.fit.a, clock)
        else:
            self.fit.retune(clock)
        return self

    def reweigh(self) -> DrivenFit:
        """Weight every strike by 1 / the running rms of its own residual, not below ``least``."""
        for window, part in zip(self.fit.windows, self.fit.state.parts, strict=True):
            window.reweigh(1.0 / np.maximum(envelope(part.residual / window.weight, window.rate_hz), self.least))
        self.fit.restart(self.fit.f, self.fit.a, self.clock)
        return self

    def prune(self) -> DrivenFit:
        """Drop partials that do not pass the limits, drives among them replaced."""
        prune(self.fit, self.limits, density=self.density, on_drop=self._dropped, iterations=3)
        for _ in range(3 if len(self.fit.windows) == 1 else 0):  # other forces tell a pair from a slowing decay
            k = second_stage(self.fit.f, self.fit.a, self.level())
            if k is None:
                break
            self.fit.keep(np.delete(np.arange(len(self.fit.f)), k))
            self._dropped(np.array([k]))
            self.fit.run(6, 1e-4)
        return self

    def _dropped(self, index: NDArray[np.intp]) -> None:
        partial = self.driven_by.partial
        lost = np.isin(partial, index)
        below = np.array([(index < d).sum() for d in partial])
        self.driven_by = replace(self.driven_by, partial=np.where(lost, -1, partial - below))
        if lost.any():
            self.choose()

    def grow(self, most_new: int, away: float, *, pairs: bool = False) -> int:
        """Look for partials in what is left, unwarped by the mean warp; number added.

        A candidate nearer to a known partial than 1 Hz, ``away`` times its glide, or 0.4 line widths, is not one;
        ``pairs``: unless both are 0.4 Hz and 0.4 widths of the wider line apart.
        """
        f, a = self._candidates()
        known_f, known_a = self.fit.f, self.fit.a
        glide = self.glide()
        nearest = _PAIR_HZ if pairs else _APART_HZ
        wider = np.maximum if pairs else np.minimum
        ok = np.array([bool((np.abs(x - known_f) > np.maximum(nearest, np.maximum(
            away * glide * x, 0.4 * wider(y, known_a) / np.pi))).all()) for x, y in zip(f, a, strict=True)], bool)
        ok &= np.array([all(abs(x - r) > 0.4 or abs(np.log(y / s)) > 0.5 for r, s in self.fit.rejected)
                        for x, y in zip(f, a, strict=True)], bool)
        f, a = f[ok], a[ok]
        if not len(f):
            return 0
        freq, power = spectrum([p.residual for p in self.fit.state.parts], self.fit.windows[0].rate_hz)
        mean = replace(self.clock, shares=np.repeat(self.mean_shares()[:, None], len(f), 1), swell=np.zeros(len(f)))
        limits = replace(self.limits, most=max(0, min(most_new, self.limits.most - len(known_f))))
        chosen = forward(self.fit.windows, mean, f, a, limits, density=broad_density(freq, power, f),
                         targets=[p.residual for p in self.fit.state.parts],
                         apart=lambda x, y: np.abs(f - x) > np.maximum(1.0, 0.5 * np.minimum(a, y) / np.pi))
        if not chosen:
            return 0
        self.fit.rejected += [(float(f[i]), float(a[i])) for i in chosen]
        clock = self.clock
        more = np.repeat(self.mean_shares()[:, None], len(chosen), 1)
        clock = replace(clock, shares=np.concatenate([clock.shares, more], 1), centre=np.concatenate([clock.centre, more], 1),
                        swell=np.r_[clock.swell, np.zeros(len(chosen))])
        if not self.fit.restart(np.r_[known_f, f[chosen]], np.r_[known_a, a[chosen]], clock):
            return 0
        return len(chosen)

    def _candidates(self) -> tuple[Array, Array]:
        rows = []
        for i, (window, part) in enumerate(zip(self.fit.windows, self.fit.state.parts, strict=True)):
            mean = replace(self.clock, shares=self.mean_shares()[:, None], swell=np.zeros(1))
            u = mean.curve(i, window.half).at_knots[0]
            count = min(int(0.8 * window.rate_hz), window.samples.shape[1] - 20)
            t = np.interp(np.arange(count) / window.rate_hz, u, np.arange(len(u)) * window.block / window.rate_hz)
            left = part.residual / window.weight
            rows += [at_positions(r, t * window.rate_hz) for r in left]
        return poles(rows, self.fit.windows[0].rate_hz, 24, 200, 700)


def poles(rows: Sequence[Array], rate_hz: float, order: int, length: int, count: int) -> tuple[Array, Array]:
    """ESPRIT candidates (f, a) of all rows together; on the fast rate once more at half of it for the low band."""
    scaled = [r / (r.std() + 1e-20) for r in rows]
    bands = [(scaled, rate_hz, band_hz(rate_hz)[1])]
    if rate_hz > 1500.0:
        bands.append(([halve(r) for r in scaled], rate_hz / 2, 0.2 * rate_hz))
    F, A = [], []
    for series, rate, top in bands:
        cut = [s[:count] for s in series]
        size = min(length, min(len(s) for s in cut) * 3 // 5)
        f, a = esprit(cut, order, rate, size)
        keep = (f > 18.0) & (f < top) & (a < 90.0) & (a > 0.3)
        F.append(f[keep])
        A.append(a[keep])
    return np.concatenate(F), np.concatenate(A)


def second_stage(f: Array, a: Array, level: Array) -> int | None:
    """The weaker of two partials that are one whose decay slows down: much unlike decays (1.8 times) within half the
    width of the faster one's line. The two of an uneven head decay alike; the swell of one partial tells the rest.
    """
    for k in np.argsort(level):
        near = np.abs(f - f[k]) < 0.5 * np.maximum(a, a[k]) / np.pi
        if (near & (np.abs(np.log(a / a[k])) > np.log(1.8)) & (level >= level[k])).any():
            return int(k)
    return None


def window_again(window: Window) -> Window:
    """A copy with its own weight."""
    return Window(window.rate_hz, window.start_s, window.samples, window.nuisance, window.weight.copy(), window.hum_hz,
                  window.hum_sd)
