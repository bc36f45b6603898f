"""One state of a drum against one reading, in nats.

Every partial is one mode or foreign, every mode is heard or missed:
-ln p = sum over pairs [N(ln f) + N(ln tau)] + N(levels; C) - sum over pairs ln P - sum over missed ln(1 - P)
        + sum over foreign F + prior,
P the chance that a mode is in the list, F = - ln(rate / (2.5 nats of pitch x 3 nats of decay)) + channels x ln 35 dB.
C holds the scatter over the scenes (where microphones and strikes may have been), one free gain and one free tilt
for each channel. Unknown x = (u, d, ln sigma_b, ln sigma_r, ln R_b, ln R_r, ln beta), films against their nominal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..constants import ASSUMED_RESISTANCE, ASSUMED_STIFFNESS_LOSS, FILM_MASS_SD
from ..records import Drum

Array = NDArray[np.float64]
Index = NDArray[np.int_]
Mask = NDArray[np.bool_]

TENSION_RANGE = (100.0, 3800.0)  # N/m, what heads of drums carry
UNKNOWNS = 7


@dataclass(frozen=True)
class Assumed:
    """Spreads of what is not known; one standard deviation each unless said otherwise."""

    tension_centre: float = 650.0  # N/m
    tension_sd: float = 0.9  # of the mean ln tension
    ratio_sd: float = 0.35  # of ln Tb - ln Tr
    film_sd: float = FILM_MASS_SD  # of ln film mass, each head
    loss_sd: float = 1.5  # of ln resistance where the drum file says nothing
    known_loss_sd: float = 0.8  # where it does
    stiffness_loss_sd: float = 0.8
    frequency_sd: float = 0.003  # model against drum, m = 0
    uneven_sd: float = 0.004  # added for m > 0: uneven rods split the pair
    decay_sd: float = 0.15
    level_sd: float = 2.0  # dB, model
    room_sd: float = 2.0  # dB, one partial at one place in a room
    gain_sd: float = 30.0  # dB, each channel
    tilt_sd: float = 2.25  # dB per 0.7 nats of frequency, each channel: beater and microphone
    shared: float = 0.75  # part of the scenes' scatter that goes together between partials
    foreign_rate: float = 1.5  # foreign partials in a reading
    detected: float = 0.8  # chance that an audible mode is in the list
    floor_db: float = 35.0  # under the loudest partial of a channel: half of the modes there are heard
    missed_above: float = 0.004  # chance of a mode above the highest partial


DEFAULT = Assumed()


@dataclass(frozen=True, eq=False)
class Prior:
    """Normal prior of x: mean (7,), precision (7, 7); ``free`` says which unknowns are open."""

    mean: Array
    precision: Array
    free: Mask

    def held(self, index: int) -> Prior:
        """The same with one unknown held where it starts."""
        free = self.free.copy()
        free[index] = False
        return Prior(self.mean, self.precision, free)


def wide_prior(drum: Drum, assumed: Assumed = DEFAULT) -> Prior:
    """What is known of a drum before its first reading: films to a few per cent, tensions hardly, losses by order."""
    resonant = drum.resonant or drum.batter
    given = [drum.batter.resistance, resonant.resistance]
    centre = [np.log(max(ASSUMED_RESISTANCE if r is None else r, 0.05)) for r in given]
    loss = [assumed.loss_sd if r is None else assumed.known_loss_sd for r in given]
    beta = drum.batter.stiffness_loss or resonant.stiffness_loss or ASSUMED_STIFFNESS_LOSS
    mean = np.array([np.log(assumed.tension_centre), 0.0, 0.0, 0.0, *centre, np.log(beta)])
    sd = np.array([assumed.tension_sd, assumed.ratio_sd, assumed.film_sd, assumed.film_sd, *loss,
                   assumed.stiffness_loss_sd])
    free = np.ones(UNKNOWNS, bool)
    if drum.resonant is None:
        free[[1, 3, 5]] = False
    return Prior(mean, np.diag(1.0 / sd**2), free)


@dataclass(frozen=True, eq=False)
class Heard:
    """A reading's partials as arrays: n of them, C channels; levels in dB, nan where a channel did not have them."""

    log_f: Array
    log_f_sd: Array
    log_tau: Array
    log_tau_sd: Array
    level: Array  # (n, C)

    def __len__(self) -> int:
        return len(self.log_f)

    @property
    def has(self) -> Mask:
        """Where a level was read, (n, C)."""
        return np.isfinite(self.level)

    def foreign(self, assumed: Assumed) -> Array:
        """Nats for calling each partial foreign, (n,)."""
        return np.asarray(-np.log(assumed.foreign_rate / 2.5 / 3.0) + self.has.sum(1) * np.log(35.0))


@dataclass(frozen=True, eq=False)
class Picture:
    """What the model says of one state: J modes, K scenes, C channels. Slopes are along x."""

    x: Array
    log_f: Array  # (J,)
    log_tau: Array
    levels: Array  # (J, K, C), floored 50 dB under the loudest
    chance: Array  # (J,) of being in the list
    in_range: Mask  # (J,) not above the highest partial
    f_sd: Array  # (J,) model against drum
    order: Index  # (J,) m, -1 where orders mix
    slope_f: Array  # (J, 7)
    slope_tau: Array
    slope_level: Array  # (J, C, 7)

    @property
    def mean(self) -> Array:
        """Mean level over the scenes, (J, C)."""
        return np.asarray(self.levels.mean(1))

    def loudest_gain(self) -> Array:
        """Gain that puts the loudest mode of every channel at 0 dB, (C,)."""
        return np.asarray(-np.where(self.in_range[:, None], self.mean, -999.0).max(0))


def floored(levels: Array, in_range: Mask, depth_db: float = 50.0) -> Array:
    """Levels (..., J, K, C) no lower than ``depth_db`` under the loudest mode in range (..., J) of any scene."""
    top = np.where(in_range[..., None, None], levels, -999.0).max((-3, -2), keepdims=True)
    return np.asarray(np.maximum(levels, top - depth_db))


def chance_heard(levels: Array, in_range: Mask, assumed: Assumed) -> Array:
    """Chance that a mode is in the list: near enough to the loudest in its best channel, mean over scenes, (..., J)."""
    if not levels.shape[-1]:
        return np.asarray(np.where(in_range, 0.5 * assumed.detected, assumed.missed_above))
    relative = levels - np.where(in_range[..., None, None], levels, -999.0).max(-3, keepdims=True)
    near = 1.0 / (1.0 + np.exp(-(relative + assumed.floor_db) / 2.0))
    chance = np.clip(assumed.detected * near.max(-1).mean(-1), assumed.missed_above, 0.85)
    return np.asarray(np.where(in_range, chance, assumed.missed_above))


def cost(heard: Heard, log_f: Array, log_tau: Array, mean: Array, spread: Array, chance: Array, gain: Array,
         foreign: Array, *, f_sd: Array | float, tau_sd: float, level_sd: float) -> Array:
    """Nats of every pairing against 'foreign and missed', (..., n, J).

    ``log_f``, ``log_tau``, ``chance`` (..., J); ``mean``, ``spread`` (..., J, C) [dB]; ``gain`` (..., C).
    """
    var = heard.log_f_sd[:, None] ** 2 + np.square(f_sd)
    out = 0.5 * (heard.log_f[:, None] - log_f[..., None, :]) ** 2 / var + 0.5 * np.log(2 * np.pi * var)
    var = heard.log_tau_sd[:, None] ** 2 + tau_sd**2
    gap = np.clip(heard.log_tau[:, None] - log_tau[..., None, :], -4.0, 4.0)
    out = out + 0.5 * gap**2 / var + 0.5 * np.log(2 * np.pi * var)
    has = heard.has
    for c in range(heard.level.shape[1]):
        wide = spread[..., None, :, c] ** 2 + level_sd**2
        level = np.where(has[:, c], heard.level[:, c], 0.0)[:, None]
        gap = level - mean[..., None, :, c] - gain[..., None, None, c]
        out = out + np.where(has[:, c][:, None], 0.5 * gap**2 / wide + 0.5 * np.log(2 * np.pi * wide), 0.0)
    return np.asarray(out - foreign[:, None] + (np.log1p(-chance) - np.log(chance))[..., None, :])


def match(nats: Array) -> tuple[Index, Index, float]:
    """Best one-to-one pairing where any pair may be refused: rows, columns, total nats (negative)."""
    from scipy.optimize import linear_sum_assignment

    n, count = nats.shape
    i, j = linear_sum_assignment(np.concatenate([nats, np.zeros((n, n))], 1))
    taken = j < count
    i, j = i[taken], j[taken]
    good = nats[i, j] < 0.0
    return i[good], j[good], float(nats[i, j][good].sum())


def pair_up(heard: Heard, p: Picture, gain: Array, assumed: Assumed, *, f_sd: float, tau_sd: float
            ) -> tuple[Index, Index]:
    """Partials and modes that belong together; two gains are tried, for a wrong gain keeps a wrong pairing alive."""
    spread = p.levels.std(1)
    level_sd = float(np.hypot(assumed.level_sd, assumed.room_sd))
    foreign = heard.foreign(assumed)
    best: tuple[float, Index, Index] | None = None
    for g in (gain, p.loudest_gain()):
        nats = cost(heard, p.log_f, p.log_tau, p.mean, spread, p.chance, g, foreign,
                    f_sd=np.maximum(p.f_sd, f_sd), tau_sd=tau_sd, level_sd=level_sd)
        i, j, total = match(nats)
        if best is None or total < best[0]:
            best = total, i, j
    assert best is not None
    return best[1], best[2]


@dataclass(frozen=True, eq=False)
class Weighed:
    """One state with its pairs: evidence by Laplace's approximation, covariance and Gauss-Newton step."""

    x: Array
    evidence: float
    cov: Array  # (7, 7), zero where held
    step: Array
    rows: Index  # partials explained
    columns: Index  # by these modes
    gain: Array
    log_f: Array  # of all modes
    order: Index

    @property
    def tensions(self) -> Array:
        """ln Tb, ln Tr."""
        return np.array([self.x[0] + self.x[1] / 2, self.x[0] - self.x[1] / 2])


def _level_terms(heard: Heard, p: Picture, i: Index, j: Index, assumed: Assumed) -> tuple[Array, Array, Array]:
    """Residuals (L,), covariance (L, L) and slopes (L, 7) of all levels of the pairs, channel after channel."""
    has = heard.has[i]
    rows = [np.flatnonzero(has[:, c]) for c in range(heard.level.shape[1])]
    count = sum(map(len, rows))
    residual = np.concatenate([heard.level[i[h], c] - p.mean[j[h], c] for c, h in enumerate(rows)] or [np.zeros(0)])
    off = np.concatenate([p.levels[j[h], :, c] for c, h in enumerate(rows)] or [np.zeros((0, 2))])
    off = off - off.mean(1, keepdims=True)
    cov = off @ off.T / max(off.shape[1] - 1, 1)
    cov = assumed.shared * cov + (1 - assumed.shared) * np.diag(np.diag(cov))
    cov[np.diag_indices(count)] += assumed.level_sd**2 + assumed.room_sd**2
    slopes = np.concatenate([p.slope_level[j[h], c] for c, h in enumerate(rows)] or [np.zeros((0, UNKNOWNS))])
    start = 0
    for h in rows:
        part = slice(start, start + len(h))
        start += len(h)
        ramp = (heard.log_f[i[h]] - heard.log_f.mean()) / 0.7
        cov[part, part] += assumed.gain_sd**2 + assumed.tilt_sd**2 * np.outer(ramp, ramp)
    return residual, cov, slopes


def _gain(heard: Heard, p: Picture, i: Index, j: Index, before: Array) -> Array:
    """Gain of every channel from the pairs, weighed by the scenes' scatter; as before where nothing is paired."""
    out = before.copy()
    for c in range(heard.level.shape[1]):
        h = np.flatnonzero(heard.has[i, c])
        if len(h):
            weight = 1.0 / (p.levels[j[h], :, c].var(1) + 4.5)
            out[c] = (weight * (heard.level[i[h], c] - p.mean[j[h], c])).sum() / weight.sum()
    return out


def weigh(heard: Heard, p: Picture, i: Index, j: Index, gain: Array, prior: Prior, assumed: Assumed) -> Weighed:
    """Evidence and step of one state whose partials ``i`` are modes ``j``."""
    gap = np.concatenate([heard.log_f[i] - p.log_f[j], heard.log_tau[i] - p.log_tau[j]])
    var = np.concatenate([heard.log_f_sd[i] ** 2 + p.f_sd[j] ** 2, heard.log_tau_sd[i] ** 2 + assumed.decay_sd**2])
    slope = np.concatenate([p.slope_f[j], p.slope_tau[j]]) / np.sqrt(var)[:, None]
    level, level_cov, level_slope = _level_terms(heard, p, i, j, assumed)
    root = np.linalg.cholesky(level_cov)
    white = np.linalg.solve(root, np.column_stack([level, level_slope]))
    off = p.x - prior.mean
    hessian = slope.T @ slope + white[:, 1:].T @ white[:, 1:] + prior.precision
    gradient = slope.T @ (gap / np.sqrt(var)) + white[:, 1:].T @ white[:, 0] - prior.precision @ off
    foreign = heard.foreign(assumed)
    nats = (0.5 * ((gap**2 / var).sum() + (white[:, 0] ** 2).sum() + off @ prior.precision @ off)
            + 0.5 * np.log(2 * np.pi * var).sum() + np.log(np.diag(root)).sum() + 0.5 * len(level) * np.log(2 * np.pi)
            + foreign.sum() - foreign[i].sum() - np.log(p.chance[j]).sum() - np.log1p(-np.delete(p.chance, j)).sum())
    open_ = np.flatnonzero(prior.free)
    inner = hessian[np.ix_(open_, open_)]
    evidence = -nats - 0.5 * np.linalg.slogdet(inner)[1] + 0.5 * np.linalg.slogdet(prior.precision)[1]
    evidence += 0.5 * (UNKNOWNS - len(open_)) * np.log(1 / (2 * np.pi))  # density at what is held
    step, cov = np.zeros(UNKNOWNS), np.zeros((UNKNOWNS, UNKNOWNS))
    step[open_] = np.linalg.solve(inner, gradient[open_])
    cov[np.ix_(open_, open_)] = np.linalg.inv(inner)
    return Weighed(p.x, float(evidence), cov, step, i, j, _gain(heard, p, i, j, gain), p.log_f, p.order)
