"""How to climb: Gauss-Newton with exact slopes, partials and modes paired anew in every round.

Coordinates u = (ln Tb + ln Tr)/2 and d = ln Tb - ln Tr; starts come from ``grid``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from .grid import beginning, paired_starts, survey
from .model import DrumModel
from .scoring import TENSION_RANGE, Assumed, Heard, Picture, Prior, Weighed, pair_up, weigh

Array = NDArray[np.float64]
Pictures = Callable[[Array, float, bool], list[Picture]]  # states (B, 7), highest ln f of interest, levels' slopes

STEP = np.array([0.12, 0.12, 0.05, 0.05, 0.8, 0.8, 0.8])  # longest step of each unknown
COLD, WARM, ROUGH = 0.012, 0.005, 0.03  # first gate for pitches; halved every round
TAU_GATES = (0.6, 0.3)  # of the first rounds from cold, in ln tau


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
