"""A drum's figures as a smooth sheet over both tensions, drawn through a few exact solves.

A plan asks for the figures of hundreds of tension pairs; the sheet answers from a dozen forecasts, by cubic
radial functions |r|^3 with a linear part over (ln T_batter, ln T_resonant), and gets an exact point wherever
the plan wants to go. Points are kept per drum, so that planning again after a reading is quick.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import log, log10, sqrt

import numpy as np
from numpy.typing import NDArray

from ..constants import LN_1000
from ..infer import ladder
from ..records import Drum, ModelPartial, Prediction
from .wish import FIGURES

Array = NDArray[np.float64]
Model = Callable[[Drum], Prediction]

EARLY_S = 0.05  # s, what counts as attack: energy that arrives before this
AUDIBLE_DB = 30.0  # modes this far below the loudest still count when a recording is approached
KEPT_SHEETS = 12
SLACKEST = 250.0  # N/m, the resolution of a sheet is enough for both heads this slack


def exact_model(drum: Drum) -> Prediction:
    """The physical model's forecast of a drum."""
    from ..physics.forecast import forecast

    return forecast(drum)


def steady_model(drum: Drum) -> Model:
    """The same with one resolution for all tensions of a plan, so that the air's tables are made once."""
    from ..physics.coupled import default_fmax, resolution
    from ..physics.forecast import forecast
    from ..physics.system import Options

    if drum.resonant is None:
        return exact_model
    tensions = [t for t in ladder.known_tensions(drum) or () if t > 1.0]
    slack = min([SLACKEST, *tensions])
    films, orders = resolution(ladder.with_tensions(drum, slack, slack), default_fmax(drum))
    options = Options(films=films, orders=orders)
    return lambda d: forecast(d, options=options)


def _energies(partials: Sequence[ModelPartial]) -> tuple[Array, Array]:
    """Energy of each partial, mean over the places, before and after ``EARLY_S``."""
    power = np.array([np.mean([10.0 ** (v / 10.0) for v in p.level_db.values()]) if p.level_db else 0.0
                      for p in partials])
    tau = np.array([p.decay_s for p in partials])
    return early_late(power, tau)


def early_late(power: Array, tau: Array) -> tuple[Array, Array]:
    """Energy [power s] of decaying partials before and after ``EARLY_S``: A^2 tau / 2 and its parts."""
    late = np.exp(-2.0 * EARLY_S / tau)
    whole = power * tau / 2.0
    return whole * (1.0 - late), whole * late


def response_s(drum: Drum, tension: float) -> float:
    """The batter's wave from the middle to the edge and back [s]: 2 a sqrt(sigma / T), the film alone."""
    return 2.0 * drum.radius * sqrt(drum.batter.surface_density / tension)


def figures(drum: Drum, prediction: Prediction) -> Array:
    """The figures that wishes are about, in the order of ``wish.FIGURES``; NaN where there is none.

    tone = 10 lg(energy of the note / energy of all partials); attack = 10 lg(energy before 50 ms / after);
    response = ln(2 a sqrt(sigma / T)), the batter's wave to the edge and back from the middle.
    """
    note = prediction.note
    partials = prediction.partials
    out = np.full(len(FIGURES), np.nan)
    if partials:
        early, late = _energies(partials)
        out[3] = 10.0 * log10(max(early.sum(), 1e-30) / max(late.sum(), 1e-30))
        if note.frequency_hz is not None and note.decay_s is not None:
            mine = int(np.argmin([abs(p.frequency_hz - note.frequency_hz) for p in partials]))
            whole = early + late
            out[0], out[1] = log(note.frequency_hz), log(LN_1000 * note.decay_s)
            out[2] = 10.0 * log10(max(whole[mine], 1e-30) / max(whole.sum(), 1e-30))
    tension = ladder.known_tensions(drum)
    assert tension is not None
    out[4] = log(response_s(drum, tension[0]))
    out[5] = prediction.roundness_db if prediction.roundness_db is not None else np.nan
    out[6], out[7] = log(tension[0]), log(tension[1])
    return out


class Sheet:
    """Figures over (ln T_batter, ln T_resonant) of one drum; a drum without resonant head has one axis."""

    def __init__(self, drum: Drum, model: Model | None = None) -> None:
        self.drum = drum
        self.model = model or steady_model(drum)
        self.points: list[Array] = []
        self.values: list[Array] = []
        self.solved: dict[tuple[float, float], Prediction] = {}

    def exact(self, log_t: Sequence[float] | Array) -> Array:
        """Figures (8,) at one pair of ln tensions, solved and kept."""
        point = np.round(np.asarray(log_t, dtype=float), 6)
        key = (float(point[0]), float(point[1]))
        if key not in self.solved:
            drum = self.at(point)
            prediction = self.model(drum)
            self.solved[key] = prediction
            self.points.append(point)
            self.values.append(figures(drum, prediction))
            return self.values[-1]
        index = next(i for i, p in enumerate(self.points) if p[0] == key[0] and p[1] == key[1])
        return self.values[index]

    def at(self, log_t: Sequence[float] | Array) -> Drum:
        """The drum with these ln tensions."""
        return ladder.with_tensions(self.drum, float(np.exp(log_t[0])), float(np.exp(log_t[1])))

    def prediction(self, log_t: Sequence[float] | Array) -> Prediction:
        """The exact prediction there (solved when it is not yet)."""
        self.exact(log_t)
        point = np.round(np.asarray(log_t, dtype=float), 6)
        return self.solved[(float(point[0]), float(point[1]))]

    def cover(self, low: Array, high: Array, per_axis: int = 3) -> None:
        """Exact points on a grid over the rectangle [low, high] (ln T), skipping where one lies near already."""
        axes = [np.linspace(a, b, per_axis if b - a > 0.02 else 1) for a, b in zip(low, high, strict=True)]
        if min(len(axes[0]), len(axes[1])) == 1:  # one head only: a line may have more points
            axes = [np.linspace(a, b, 5 if b - a > 0.02 else 1) for a, b in zip(low, high, strict=True)]
        room = [0.3 * (x[1] - x[0]) if len(x) > 1 else 0.05 for x in axes]
        for x in axes[0]:
            for y in axes[1]:
                near = any(abs(p[0] - x) < room[0] and abs(p[1] - y) < room[1] for p in self.points)
                if not near:
                    self.exact((x, y))

    def at_many(self, log_t: Array) -> Array:
        """Figures (n, 8) at many pairs of ln tensions (n, 2), interpolated."""
        return self._through(np.array(self.values), log_t)

    def audible_at(self, log_t: Array) -> Array:
        """ln f (n, k) of the modes that are audible now, at many pairs of ln tensions (n, 2), interpolated."""
        tables = [{r.key: r.frequency_hz for r in ladder.rungs(self.at(p))} for p in self.points]
        first = self.solved[(float(self.points[0][0]), float(self.points[0][1]))]
        loud = [p.frequency_hz for p in first.partials
                if max(p.level_db.values()) > max(max(q.level_db.values()) for q in first.partials) - AUDIBLE_DB]
        keys = [k for k, f in tables[0].items()
                if all(k in t for t in tables) and any(abs(f / x - 1.0) < 2e-3 for x in loud)]
        return self._through(np.log([[t[k] for k in keys] for t in tables]), log_t)

    def _through(self, values: Array, log_t: Array) -> Array:
        """Values (n, k) at ln tensions (n, 2) from those at the sheet's points (points, k)."""
        known = np.array(self.points)
        free = np.ptp(known, axis=0) > 1e-6
        known, wanted = known[:, free], np.asarray(log_t)[:, free]
        size = known.shape[1] + 1
        if len(known) <= size:
            return np.asarray(np.repeat(values[-1:], len(wanted), axis=0))
        values = np.nan_to_num(values, nan=0.0)
        system = np.zeros((len(known) + size, len(known) + size))
        system[: len(known), : len(known)] = _cubed(known, known)
        ones = np.column_stack([np.ones(len(known)), known])
        system[: len(known), len(known):], system[len(known):, : len(known)] = ones, ones.T
        system[range(len(known)), range(len(known))] += 1e-9
        right = np.vstack([values, np.zeros((size, values.shape[1]))])
        weights = np.linalg.lstsq(system, right, rcond=None)[0]
        base = np.hstack([_cubed(wanted, known), np.ones((len(wanted), 1)), wanted])
        return np.asarray(base @ weights)

    def slopes(self, log_t: Sequence[float] | Array, step: float = 0.02) -> Array:
        """d figures / d ln T (8, 2) there, from the sheet."""
        centre = np.asarray(log_t, dtype=float)
        moves = np.array([[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]])
        f = self.at_many(centre + moves)
        return np.column_stack([(f[0] - f[1]) / (2 * step), (f[2] - f[3]) / (2 * step)])


def _cubed(a: Array, b: Array) -> Array:
    return np.asarray(np.sqrt(((a[:, None] - b[None]) ** 2).sum(axis=2)) ** 3)


_sheets: OrderedDict[Drum, Sheet] = OrderedDict()


def sheet_of(drum: Drum, model: Model | None = None) -> Sheet:
    """The kept sheet of a drum (whatever its tensions are now), or a new one; another ``model`` is never kept."""
    if model is not None:
        return Sheet(drum, model)
    key = replace(drum, name="", batter=replace(drum.batter, tension=None),
                  resonant=None if drum.resonant is None else replace(drum.resonant, tension=None))
    found = _sheets.pop(key, None) or Sheet(drum)
    _sheets[key] = found
    while len(_sheets) > KEPT_SHEETS:
        _sheets.popitem(last=False)
    return found
