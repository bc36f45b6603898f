"""The glide of a whole drum: both heads' tensions follow their stretch, so every mode starts sharp.

dT = c mean |grad w|^2 for each head, c = 0.8174 E h / (2 (1 - nu^2)), with all film functions of that head in w; all of
them feel it. The push is integrated in time on the stiffening heads, because a hard stroke moves them less than a linear
drum; from its end on the shift of each mode follows by averaging over the cycles while every mode dies at its own rate.
Film that an opening takes away does not count. Left out: the in-plane field beyond its mean effect.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, log2, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..constants import FILM_POISSON
from ..records import HEADS, Drum, HeadName, Strike
from .coupled import solve
from .feel import rests_on_hz
from .glide import fixed_rim_factor, stretch_stiffness
from .response import families, heard, spot
from .system import ModeSet

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

CREDIBLE_DB = 30.0  # a partial weaker than this below the loudest is not the one whose glide is told
TRUSTED_CENTS = 150.0  # to here within 20 % of the same equations integrated in time; 53 % too much at 670 cents
_RATE = 48000.0  # Hz of the push's integration: under a tenth of a radian a step
_SEEN = np.linspace(0.0, 1.5, 31)  # of the partial's decay: where the falling pitch is fitted


@dataclass(frozen=True)
class Films:
    """One head in the modes: displacement of its film functions is Re ``shape`` @ a, a the modal displacements."""

    shape: Complex  # (functions, modes)
    wavenumber2: Array  # (functions,), k^2 [1/m2]
    push: Array  # (functions,), a unit push on them
    stiffness: float  # dT = stiffness q' K q [N/m], K = diag(k^2) less what is cut away
    cut: Array | None = None  # (functions, functions) [1/m2], gradient overlap over the opening

    def gradient(self, shape: NDArray[Any]) -> NDArray[Any]:
        """K times ``shape`` (functions, ...)."""
        whole = (self.wavenumber2 * shape.T).T
        return whole if self.cut is None else np.asarray(whole - self.cut @ shape)


def films_of(modes: ModeSet, strike: Strike, name: HeadName) -> Films:
    """The film functions of one head over all orders, with the strike's place in them (nought on the resonant)."""
    n, angle = modes.system.films, atan2(strike.y, strike.x)
    shapes, k2, push = [], [], []
    for f in families(modes, strike):
        shape = np.zeros((n, len(modes)), complex)
        part = f.batter if name == "batter" else f.resonant
        shape[:, f.rows] = modes.vectors[f.rows, part].T
        shapes.append(shape)
        k2.append(modes.system.wavenumber2[f.m][:n])
        hit = spot(modes.drum, n, f.m, strike) * f.wave(angle)
        push.append(hit if name == "batter" else np.zeros(n))
    density = modes.drum.head(name).surface_density
    stiffness = stretch_stiffness(density) * fixed_rim_factor(FILM_POISSON) / pi
    cut = modes.mixture.cut_gradient if modes.mixture is not None and name == "resonant" else None
    return Films(np.concatenate(shapes), np.concatenate(k2), np.concatenate(push), stiffness, cut)


def both_films(modes: ModeSet, strike: Strike) -> tuple[Films, ...]:
    """``films_of`` for every head that the drum has."""
    return tuple(films_of(modes, strike, name) for name in HEADS
                 if name == "batter" or modes.drum.resonant is not None)


def pushed(modes: ModeSet, strike: Strike, films: tuple[Films, ...]) -> Complex:
    """Modal displacements [m] at the end of the raised-cosine push on the stiffening heads, (modes,).

    Exact rotation over a half step, kick by push and stretch in the middle, exact rotation (second order in the step).
    """
    steps = max(8, int(np.ceil(strike.duration * _RATE)))
    dt = strike.duration / steps
    half = np.exp(modes.s * dt / 2)
    shape = np.concatenate([f.shape for f in films])
    hit = np.concatenate([f.push for f in films])
    back = 2.0 * dt * shape.T / modes.norms[:, None]
    cuts = np.cumsum([0, *(len(f.push) for f in films)])
    kick = np.zeros(len(hit))
    a = np.zeros(len(modes), complex)
    for i in range(steps):
        a = half * a
        q = (shape @ a).real
        for f, low, high in zip(films, cuts, cuts[1:], strict=False):
            slope = f.gradient(q[low:high])
            kick[low:high] = f.stiffness * float(q[low:high] @ slope) * slope
        force = strike.force / 2 * (1 - np.cos(2 * pi * (i + 0.5) / steps))
        a = half * (a + back @ (hit * force - kick))
    return np.asarray(a)


def shift_weights(modes: ModeSet, films: tuple[Films, ...]) -> Complex:
    """W [1/(s m2)] with ds_j = sum_l W_jl |a_l|^2: how the motion of mode l moves the pole of mode j, (modes, modes).

    Averaged over the cycles: the mean of dT, its part at twice the mode's own frequency (one mode alone: together 3/4
    of the peak, Duffing's shift), and its parts at sums and differences with other modes of the same order.
    """
    total = np.zeros((len(modes), len(modes)), complex)
    for f in films:
        slopes = f.gradient(f.shape).T
        sums, differences = slopes @ f.shape, slopes @ f.shape.conj()
        crossed = sums * differences
        np.fill_diagonal(crossed, 0.25 * np.diag(crossed))
        total += f.stiffness * (0.5 * np.outer(np.diag(sums), np.diag(differences)) + crossed)
    return np.asarray(-total / modes.norms[:, None])


def lowest_credible(modes: ModeSet, strike: Strike) -> int | None:
    """The lowest mode within 30 dB of the loudest at any of the drum's places at the end of the push."""
    level = np.abs(heard(modes, strike, modes.drum.places))
    loud = np.nonzero((level > level.max(0, initial=0.0) * 10 ** (-CREDIBLE_DB / 20)).any(1))[0]
    return int(loud[0]) if loud.size else None


def start_minus_rest(modes: ModeSet, strike: Strike, index: int) -> float:
    """Glide [cents] of mode ``index``: one exponential through its pitch over 1.5 of its decay, read at the push's end.

    What dies sooner than that exponential is smoothed over, as a reading of a recording does.
    """
    films = both_films(modes, strike)
    moved = np.abs(pushed(modes, strike, films)) ** 2
    weights = shift_weights(modes, films)[index].imag / modes.s[index].imag
    t = _SEEN * min(float(modes.decay_s[index]), 10.0)
    rise = (weights * moved) @ np.exp(2.0 * np.outer(modes.s.real, t))
    bent = np.sqrt(np.maximum(1.0 + 2.0 * rise, 0.25)) - 1.0  # harmonic balance: f^2 follows the tension
    return 1200.0 * log2(1.0 + _start_of_exponential(t, bent, np.exp(-t / max(t[-1], 1e-9) * 1.5)))


def _start_of_exponential(t: Array, values: Array, weight: Array) -> float:
    """Value at t = 0 of the best g exp(-rate t) through the running integral of ``values``, which is what a phase shows."""
    phase = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(t))])
    best, answer = np.inf, float(values[0])
    for rate in np.geomspace(0.2, 80.0, 60):
        design = np.stack([np.ones_like(t), (1 - np.exp(-rate * t)) / rate], 1) * weight[:, None]
        found = np.linalg.lstsq(design, phase * weight, rcond=None)[0]
        error = float(np.sum((design @ found - phase * weight) ** 2))
        if error < best:
            best, answer = error, float(found[1])
    return answer


def beyond_trust(cents: float | None) -> tuple[str, ...]:
    """A sentence about a glide that is larger than the forecast can be trusted for."""
    if cents is None or cents <= TRUSTED_CENTS:
        return ()
    return (f"the glide of {cents:.0f} cents is an upper bound: above {TRUSTED_CENTS:.0f} cents the forecast is a fifth "
            "too high and more, and so hard a stroke also sounds less loud than forecast",)


def forecast_glide(drum: Drum) -> float | None:
    """Start (end of the push) minus rest [cents] of the lowest credible partial of the drum's own strike."""
    return glide_of(solve(drum, fmax_hz=rests_on_hz(drum)))


def glide_of(modes: ModeSet) -> float | None:
    """The same from modes that were solved to ``feel.rests_on_hz``."""
    drum = modes.drum
    lowest = lowest_credible(modes, drum.strike)
    return None if lowest is None else start_minus_rest(modes, drum.strike, lowest)
