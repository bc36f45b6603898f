"""A drum as a search sees it: many states at once as pictures, with slopes along the unknowns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..physics.batch import BatchDrum, BatchModes
from .scenes import Hearing
from .scoring import UNKNOWNS, Assumed, Picture, chance_heard, floored

Array = NDArray[np.float64]

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
    def columns(self) -> NDArray[np.int_]:
        """Which followed mode every column of a picture is."""
        every = np.arange(len(self.batch.order))
        return np.concatenate([every, np.flatnonzero(self.batch.order > 0)]) if self.twins else every

    @property
    def mirror(self) -> float:
        """ln(sigma_b / sigma_r): heads tuned alike have d equal to this."""
        return float(np.log(self.film[0] / self.film[1]))

    def rows(self, x: Array) -> Array:
        """States x (B, 7) as rows of ``system.SLOPE_NAMES``."""
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
