"""Where to look and how to climb: a grid over both tensions, paired starts, Gauss-Newton with exact slopes.

Coordinates u = (ln Tb + ln Tr)/2 and d = ln Tb - ln Tr. The swapped pair of a drum exchanges the films' pitches:
d -> 2 ln(sigma_b / sigma_r) - d. With equal films its spectrum is the same to the last digit and only levels differ,
so every start is tried with its mirror image.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..physics.batch import BatchDrum, BatchModes
from .scenes import Hearing
from .scoring import (
    TENSION_RANGE,
    UNKNOWNS,
    Assumed,
    Heard,
    Picture,
    Prior,
    Weighed,
    chance_heard,
    cost,
    floored,
    match,
    pair_up,
    weigh,
)

Array = NDArray[np.float64]
Index = NDArray[np.int_]
Pictures = Callable[[Array, float, bool], list[Picture]]  # states (B, 7), highest ln f of interest, levels' slopes

STEP = np.array([0.12, 0.12, 0.05, 0.05, 0.8, 0.8, 0.8])  # longest step of each unknown
COLD, WARM, ROUGH = 0.012, 0.005, 0.03  # first gate for pitches; halved every round
TAU_GATES = (0.6, 0.3)  # of the first rounds from cold, in ln tau
STARTS = 22
KEEP = 500  # nodes of the grid that get a full pairing
GRID = (11, 18)
FINE = 0.02
SCENES_OF_GRID = 9
_NUDGE = 1e-4  # step of a level's difference along ln T


@dataclass(frozen=True, eq=False)
class DrumModel:
    """A drum as the search sees it: batched modes, levels in every scene, nominal films and model errors."""

    batch: BatchDrum
    hearing: Hearing | None  # None: no channel has a usable level
    film: tuple[float, float]  # nominal surface densities [kg/m2]
    f_sd: Array  # (J,)
    assumed: Assumed
    twins: bool = False  # modes of m > 0 count twice: what mixes the orders splits their pairs

    @property
    def columns(self) -> Index:
        """Which followed mode every column of a picture is."""
        every = np.arange(len(self.batch.order))
        return np.concatenate([every, np.flatnonzero(self.batch.order > 0)]) if self.twins else every

    @property
    def mirror(self) -> float:
        """ln(sigma_b / sigma_r): heads tuned alike have d equal to this."""
        return float(np.log(self.film[0] / self.film[1]))

    def rows(self, x: Array) -> Array:
        """States x (B, 7) as rows of ``coupled.SLOPE_NAMES``."""
        return np.column_stack([
            np.exp(x[:, 0] + x[:, 1] / 2), np.exp(x[:, 0] - x[:, 1] / 2), self.film[0] * np.exp(x[:, 2]),
            self.film[1] * np.exp(x[:, 3]), np.exp(x[:, 4]), np.exp(x[:, 5]), np.exp(x[:, 6])])

    def levels(self, modes: BatchModes, *, scenes: int | None = None) -> Array:
        """dB (B, J, K, C); no channels when nothing can be heard."""
        if self.hearing is None:
            return np.zeros((*modes.s.shape, 2, 0))
        return self.hearing.levels(modes, scenes=scenes)

    def pictures(self, x: Array, highest: float, sloped: bool = True) -> list[Picture]:
        """The model's picture of every state with slopes along x; modes above ``highest`` [ln Hz] are out of range.

        Without ``sloped`` the levels have none: enough for steps far from the answer, and three times as fast.
        """
        count = len(x)
        p = self.rows(x)
        sloped = sloped and not self.batch.open_end and self.hearing is not None
        both = p if not sloped else np.concatenate([p, p * _nudge(0), p * _nudge(1)])
        modes = self.batch.modes(both)
        first = BatchModes(modes.s[:count], modes.vectors[:count], modes.norms[:count])
        levels = self.levels(modes)
        slopes = self.batch.slopes(first, p)
        w, rate = first.s.imag, np.minimum(first.s.real, -0.02)
        in_range = np.log(w / (2 * np.pi)) < highest
        heard = floored(levels[:count], in_range)
        chance = chance_heard(heard, in_range, self.assumed)
        slope_f, slope_tau = along_x(slopes.imag / w[..., None]), along_x(slopes.real / -rate[..., None])
        slope_level = np.zeros((count, w.shape[1], levels.shape[-1], UNKNOWNS))
        if sloped:
            here = levels[:count]
            a, b = (np.clip(((levels[k * count:(k + 1) * count] - here) / _NUDGE).mean(2), -150.0, 150.0)
                    for k in (1, 2))
            slope_level[..., 0], slope_level[..., 1] = a + b, (a - b) / 2
        c = self.columns
        return [Picture(x[b], np.log(w[b, c] / (2 * np.pi)), -np.log(-rate[b, c]), heard[b, c], chance[b, c],
                        in_range[b, c], self.f_sd[c], self.batch.order[c], slope_f[b, c], slope_tau[b, c],
                        slope_level[b, c]) for b in range(count)]


def _nudge(column: int) -> Array:
    out = np.ones(UNKNOWNS)
    out[column] += _NUDGE
    return out


def along_x(slopes: Array) -> Array:
    """Slopes along x from slopes along (ln Tb, ln Tr, ...), last axis 7."""
    out = slopes.copy()
    out[..., 0] = slopes[..., 0] + slopes[..., 1]
    out[..., 1] = (slopes[..., 0] - slopes[..., 1]) / 2
    return out


# ------------------------------------------------------------------ the grid
@dataclass(frozen=True, eq=False)
class Start:
    """A place to climb from, with the gains found there; higher scores first."""

    score: float
    u: float
    d: float
    gain: Array


def _fine(coarse: Array, u: Array, d: Array, at: Array) -> Array:
    """Values on the grid (U, D, ...) refined: cubic along u to ``at``, linear along d to half steps; flattened."""
    from scipy.interpolate import CubicSpline

    y = CubicSpline(u, coarse)(at)
    out = np.empty((len(at), 2 * len(d) - 1, *y.shape[2:]))
    out[:, ::2] = y
    out[:, 1::2] = 0.5 * (y[:, 1:] + y[:, :-1])
    return out.reshape(-1, *y.shape[2:])


def beginning(heard: Heard, prior: Prior, film: tuple[float, float]) -> Array:
    """State to begin from: the prior's mean, with losses that go with the longer decays heard: R = 2 sigma / tau.

    Half as much film again stands for the air that moves with it.
    """
    x = prior.mean.copy()
    if len(heard):
        tau = float(np.exp(np.quantile(heard.log_tau, 0.75)))
        guess = np.log(np.clip(3.0 * np.array(film) / tau, 0.2, 60.0))
        sd = 1.0 / np.sqrt(np.diag(prior.precision)[4:6])
        x[4:6] = np.where(sd > 1.0, guess, x[4:6])
    return x


def survey(model: DrumModel, heard: Heard, prior: Prior, *, every_d: int = 0) -> list[Start]:
    """Nodes of a grid over both tensions that explain the reading best, best first.

    ``every_d``: so many nodes of every d are kept besides, for drums that this model sees only roughly.
    """
    low, high = np.log(TENSION_RANGE[0]) + 0.3, np.log(TENSION_RANGE[1]) - 0.3
    u = np.linspace(low, high, GRID[0])
    d = np.linspace(-0.85, 0.85, GRID[1]) if prior.free[1] else np.array([0.0])
    uu, dd = (q.ravel() for q in np.meshgrid(u, d, indexing="ij"))
    x = np.tile(beginning(heard, prior, model.film), (len(uu), 1))
    x[:, 0], x[:, 1] = uu, dd
    modes = model.batch.modes(model.rows(x))
    levels = model.levels(modes, scenes=SCENES_OF_GRID)
    levels = np.maximum(levels, levels.max((1, 2), keepdims=True) - 50.0)
    at, c = np.arange(u[0], u[-1], FINE), model.columns
    half = np.linspace(d[0], d[-1], 2 * len(d) - 1)
    fine = [_fine(v.reshape(len(u), len(d), *v.shape[1:]), u, d, at) for v in (
        np.log(modes.frequency_hz[:, c]), np.log(modes.decay_s[:, c]), levels.mean(2)[:, c], levels.std(2)[:, c])]
    nodes = [q.ravel() for q in np.meshgrid(at, half, indexing="ij")]
    return _rank(model, heard, fine[0], fine[1], fine[2], np.abs(fine[3]), nodes, every_d)


def _rank(model: DrumModel, heard: Heard, log_f: Array, log_tau: Array, mean: Array, spread: Array,
          nodes: Sequence[Array], every_d: int) -> list[Start]:
    """Lower bound for all nodes (every partial's best mode), full pairing for the best of them."""
    assumed, foreign = model.assumed, heard.foreign(model.assumed)
    in_range = log_f < heard.log_f.max() + 0.05
    top = np.where(in_range[..., None], mean, -999.0).max(1)
    near = 1.0 / (1.0 + np.exp(-((mean - top[:, None]) + assumed.floor_db) / 4.0))
    chance = assumed.detected * (near.max(-1) if mean.shape[-1] else np.full(log_f.shape, 0.5))
    chance = np.where(in_range, np.clip(chance, 0.01, 0.85), 0.01)
    wide = {"f_sd": np.maximum(model.f_sd[model.columns], 0.007), "tau_sd": 0.7, "level_sd": 4.0}
    nats = cost(heard, log_f, log_tau, mean, spread, chance, -top, foreign, **wide)  # type: ignore[arg-type]
    missed = np.log1p(-chance).sum(1)
    bound = missed - np.minimum(nats.min(2), 0.0).sum(1)
    out = []
    for b in _kept(bound, nodes[1], every_d):
        i, j, _ = match(nats[b])
        gain = -top[b]
        for c in range(len(gain)):
            sure = heard.has[i, c] & (model.batch.order[model.columns[j]] == 0)
            if sure.sum() > 1:
                gain[c] = np.median(heard.level[i, c][sure] - mean[b, j[sure], c])
        again = cost(heard, log_f[b], log_tau[b], mean[b], spread[b], chance[b], gain, foreign,
                     **wide)  # type: ignore[arg-type]
        out.append(Start(float(missed[b] - match(again)[2]), float(nodes[0][b]), float(nodes[1][b]), gain))
    return sorted(out, key=lambda s: -s.score)


def _kept(bound: Array, d: Array, every_d: int) -> list[int]:
    """Nodes for a full pairing: the best of all, and the best of every d."""
    order = np.argsort(-bound)
    chosen = set(order[:KEEP if not every_d else 0].tolist())
    for value in np.unique(d) if every_d else ():
        chosen |= set(order[d[order] == value][:every_d].tolist())
    return sorted(chosen)


def banded_starts(found: Sequence[Start], *, bands: int, each: int) -> list[Start]:
    """The best nodes of every band of d, at least .06 apart in u."""
    edges = np.linspace(min(s.d for s in found) - 1e-9, max(s.d for s in found) + 1e-9, bands + 1)
    out: list[Start] = []
    for low, high in pairwise(edges):
        mine: list[Start] = []
        for s in found:
            if low < s.d <= high and len(mine) < each and all(abs(s.u - q.u) >= 0.06 for q in mine):
                mine.append(s)
        out += mine
    return out


def paired_starts(found: Sequence[Start], mirror: float, *, both: bool, most: int = STARTS) -> list[Start]:
    """The best nodes at least .08 / .13 apart in (u, d), each with its swapped pair."""
    out: list[Start] = []

    def add(s: Start, d: float) -> None:
        if not any(abs(s.u - q.u) < 0.08 and abs(d - q.d) < 0.13 for q in out):
            out.append(Start(s.score, s.u, d, s.gain))

    for s in found:
        if len(out) >= most or (s.score < found[0].score - 12.0 and len(out) > 5):
            break
        add(s, s.d)
        if both:
            add(s, 2 * mirror - s.d)
    return out


# ------------------------------------------------------------------ the climb
def highest_of(heard: Heard) -> float:
    """ln Hz beyond which a mode cannot be missed: 5 % above the highest partial."""
    return float(heard.log_f.max() + np.log(1.05))


def refine(pictures: Pictures, heard: Heard, starts: Array, gains: Sequence[Array], prior: Prior, assumed: Assumed, *,
           rounds: int, gate: float = COLD) -> list[Weighed]:
    """Gauss-Newton from many starts (B, 7) at once; partials and modes are paired anew in every round.

    Cold starts open the gate for pitches wide and close it: with a film 4 % off, every pitch is 2 % off, and a
    refused pair cannot pull.
    """
    x = np.array(starts, float)
    best: list[Weighed | None] = [None] * len(x)
    now = [np.array(g, float) for g in gains]
    highest = highest_of(heard)
    warm = gate <= WARM
    for turn in range(rounds):
        tau_sd = assumed.decay_sd if warm or turn >= len(TAU_GATES) else TAU_GATES[turn]
        for b, p in enumerate(pictures(x, highest, warm or turn >= 3)):
            i, j = pair_up(heard, p, now[b], assumed, f_sd=gate / 2**turn, tau_sd=tau_sd)
            w = weigh(heard, p, i, j, now[b], prior, assumed)
            now[b] = w.gain
            held = best[b]
            if held is None or (turn < 3 and not warm) or w.evidence > held.evidence:
                best[b] = w
            if turn < rounds - 1:
                x[b] = x[b] + np.clip(w.step, -STEP, STEP) * (1.0 if turn < 3 else 0.7)
        x[:, 0] = np.clip(x[:, 0], np.log(TENSION_RANGE[0]), np.log(TENSION_RANGE[1]))
        x[:, 1] = np.clip(x[:, 1], -1.2, 1.2)
    return [w for w in best if w is not None]


def climb(model: DrumModel, heard: Heard, prior: Prior, extra: Sequence[Array] = ()) -> list[Weighed]:
    """All explanations worth weighing: grid, paired starts (and ``extra`` states), two rounds of climbing."""
    found = paired_starts(survey(model, heard, prior), model.mirror, both=bool(prior.free[1]))
    x = np.tile(beginning(heard, prior, model.film), (len(found) + len(extra), 1))
    for row, s in zip(x, found, strict=False):
        row[:2] = s.u, s.d
    for row, state in zip(x[len(found):], extra, strict=True):
        row[:] = state
    gains = [s.gain for s in found] + [found[0].gain] * len(extra)
    first = sorted(refine(model.pictures, heard, x, gains, prior, model.assumed, rounds=3), key=lambda w: -w.evidence)
    nothing = [w for w in first if len(w.rows) < 2][:1]  # all foreign, tensions as before: one is enough
    some: list[Weighed] = []
    for w in (w for w in first if len(w.rows) > 1):
        new = all(np.abs(w.x[:2] - q.x[:2]).max() >= 0.004 for q in some)
        if new and len(some) < 10 and (not some or w.evidence > some[0].evidence - 14.0):
            some.append(w)
    if not some:
        return nothing
    return refine(model.pictures, heard, np.array([w.x for w in some]), [w.gain for w in some], prior, model.assumed,
                  rounds=5, gate=WARM) + nothing
