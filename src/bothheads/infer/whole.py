"""A drum whose orders mix (opening, pad, strip), in full: the pictures of the last climb.

The search looks at such a drum through its mean round the axis (``physics.batch``), with wide errors and every pair
of m > 0 allowed to split. What it finds is climbed again here with ``physics.coupled.solve`` and its exact slopes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..constants import ONSET_TO_LEVEL
from ..physics.batch_levels import loudness, scene_amplitudes
from ..physics.coupled import solve
from ..physics.system import ModeSet
from ..records import Drum
from .model import DrumModel, along_x
from .scenes import Scenes
from .scoring import UNKNOWNS, Assumed, Heard, Picture, Prior, Weighed, chance_heard, floored
from .search import ROUGH, climb, refine

Array = NDArray[np.float64]

SEARCH_F_SD = (0.012, 0.02)  # error of the mean round the axis, m = 0 and m > 0
SEARCH_LEVEL_SD = 6.0  # dB
SEARCH_DECAY_SD = 0.5
F_SD = 0.006  # model against drum under a pad or round an opening
LEVEL_SD = 2.5  # dB
DECAY_SD = 0.15
MOST = 4  # states climbed again


def search_assumed(assumed: Assumed) -> Assumed:
    """What the search may assume of a drum seen by its mean round the axis."""
    return replace(assumed, decay_sd=SEARCH_DECAY_SD, level_sd=SEARCH_LEVEL_SD)


def full_assumed(assumed: Assumed) -> Assumed:
    """What the last climb assumes."""
    return replace(assumed, decay_sd=DECAY_SD, level_sd=LEVEL_SD)


@dataclass(frozen=True, eq=False)
class WholeDrum:
    """Pictures of one drum in full; scenes None = no levels."""

    drum: Drum
    scenes: Scenes | None
    travel: Array
    table: Array
    assumed: Assumed

    def at(self, x: Array) -> Drum:
        """The drum in state x (7,)."""
        b = self.drum.batter
        out = self.drum.with_head(
            "batter", tension=float(np.exp(x[0] + x[1] / 2)), surface_density=float(b.surface_density * np.exp(x[2])),
            resistance=float(np.exp(x[4])), stiffness_loss=float(np.exp(x[6])))
        if self.drum.resonant is None:
            return out
        return out.with_head(
            "resonant", tension=float(np.exp(x[0] - x[1] / 2)), resistance=float(np.exp(x[5])),
            surface_density=float(self.drum.resonant.surface_density * np.exp(x[3])),
            stiffness_loss=float(np.exp(x[6])))

    def modes(self, x: Array, highest: float) -> ModeSet:
        """All modes to just above ``highest`` [ln Hz]."""
        return solve(self.at(x), fmax_hz=float(np.exp(highest)) * 1.03)

    def pictures(self, x: Array, highest: float, sloped: bool = False) -> list[Picture]:
        """See ``search.DrumModel.pictures``; levels have no slopes here."""
        return [self.picture_of(row, self.modes(row, highest), highest) for row in x]

    def picture_of(self, x: Array, modes: ModeSet, highest: float) -> Picture:
        """The picture of solved modes in state x (7,)."""
        w, rate = modes.s.imag, np.minimum(modes.s.real, -0.02)
        in_range = np.log(w / (2 * np.pi)) < highest
        levels = floored(self._levels(modes), in_range)
        slopes = modes.slopes()
        channels = levels.shape[-1]
        return Picture(
            x.copy(), np.log(w / (2 * np.pi)), -np.log(-rate), levels, chance_heard(levels, in_range, self.assumed),
            in_range, np.full(len(w), F_SD), modes.order, along_x(slopes.imag / w[:, None]),
            along_x(slopes.real / -rate[:, None]), np.zeros((len(w), channels, UNKNOWNS)))

    def _levels(self, modes: ModeSet) -> Array:
        """dB (J, K, C)."""
        sc = self.scenes
        if sc is None:
            return np.zeros((len(modes), 2, 0))
        a = scene_amplitudes(modes, sc.points, travel=self.travel, table=self.table, strike_of=sc.scene_of,
                             strikes=sc.strikes(self.drum.strike), wait_s=ONSET_TO_LEVEL - self.drum.strike.duration)
        return np.asarray(loudness(sc.mixed(a, sc.count)[None], modes.frequency_hz[None], modes.order)[0])


def climb_whole(whole: WholeDrum, model: DrumModel, heard: Heard, prior: Prior, extra: Sequence[Array] = ()
                ) -> list[Weighed]:
    """Explanations of a drum whose orders mix: climbed by the mean round the axis, then the best of them and their
    mirror images by the whole drum."""
    rough = _best_first(climb(model, heard, prior, extra))
    states = list(extra)
    for w in rough:
        swapped = w.x.copy()
        swapped[1] = 2 * model.mirror - swapped[1]
        states += [w.x, swapped]
    chosen = distinct(states, 0.03)[:MOST]
    return refine(whole.pictures, heard, np.array(chosen), [rough[0].gain] * len(chosen), prior, whole.assumed,
                  rounds=4, gate=ROUGH)


def _best_first(states: Sequence[Weighed]) -> list[Weighed]:
    return sorted(states, key=lambda w: -w.evidence)


def distinct(states: Sequence[Array], apart: float) -> list[Array]:
    """States whose (u, d) differ by more than ``apart`` from all before them."""
    out: list[Array] = []
    for x in states:
        if all(np.abs(x[:2] - y[:2]).max() > apart for y in out):
            out.append(x)
    return out


def numbers(whole: WholeDrum, x: Array, highest: float) -> list[tuple[int | None, int | None]]:
    """(m, n) of every mode where one film function carries most of its motion, else (None, None)."""
    modes = whole.modes(x, highest)
    mixture, n = modes.mixture, modes.system.films
    if mixture is None:
        raise ValueError("this drum is round: its modes have orders")
    motion = np.abs(modes.vectors[:, : mixture.film_rows]) ** 2
    each = motion.reshape(len(modes), len(mixture.families), 2, n).sum(2)
    out: list[tuple[int | None, int | None]] = []
    for row in each:
        family, film = np.unravel_index(int(row.argmax()), row.shape)
        sure = row[family, film] > 0.6 * row.sum()
        out.append((mixture.families[int(family)][0], int(film) + 1) if sure else (None, None))
    return out
