"""Which mode each measured partial of a state is, all of them assigned together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Any

import numpy as np

from .. import units
from ..records import FitPair, Prediction, State
from .history import fit_of, measured_partials
from .ladder import Key, Rung

MATCH_CENTS = 80.0  # a measured partial further than this from every mode belongs to none
MATCH_SD_CENTS = 15.0  # the model against a measured partial, when pairing
LEVEL_SD_DB = 12.0  # of a partial's level at some microphone against the model's loudest place, when pairing
FOREIGN_NATS = 9.0  # a partial that costs more than this as any mode is called foreign
NEVER = 1e3
HEARD_DB = 45.0  # modes further below the loudest are not taken for a measured partial


def pair_rungs(prediction: Prediction, rungs: Sequence[Rung]) -> list[Rung | None]:
    """The rung behind each partial of a prediction of the same drum (same frequency to 1e-4), in its order."""
    out: list[Rung | None] = []
    table = np.array([r.frequency_hz for r in rungs])
    for p in prediction.partials:
        near = [int(i) for i in np.argsort(np.abs(table - p.frequency_hz))[:4]]
        same = [rungs[i] for i in near if abs(table[i] / p.frequency_hz - 1.0) < 1e-4]
        match = [r for r in same if r.key[0] == p.m] or same
        out.append(min(match, key=lambda r: abs(r.decay_s - p.decay_s)) if match else None)
    return out


@dataclass(frozen=True)
class Anchor:
    """A measured partial and the mode it is; ``key`` as in ``ladder``."""

    key: Key
    frequency_hz: float
    frequency_sd_hz: float
    decay_s: float
    decay_sd_s: float


def loudness_of(prediction: Prediction, rungs: Sequence[Rung]) -> dict[Key, float]:
    """Loudest level of every rung's mode at any place [dB re the loudest of all]."""
    loud: dict[Key, float] = {}
    for p, rung in zip(prediction.partials, pair_rungs(prediction, rungs), strict=True):
        if rung is not None and p.level_db:
            loud[rung.key] = max(p.level_db.values())
    top = max(loud.values(), default=0.0)
    return {key: level - top for key, level in loud.items()}


def _nats(partial: dict[str, Any], rung: Rung, level: float, known: FitPair | None) -> float:
    """Cost of calling a measured partial this mode: pitch, how likely it is heard, level, and what the fit said."""
    off = abs(units.cents(partial["frequency_hz"], rung.frequency_hz))
    if off > MATCH_CENTS:
        return NEVER
    cost = 0.5 * (off / MATCH_SD_CENTS) ** 2 + log(1.0 + exp(-(level + 30.0) / 5.0))
    heard = [v for v in partial.get("level_db") or () if v is not None]
    if heard:
        cost += 0.5 * min(((max(heard) - level) / LEVEL_SD_DB) ** 2, 6.0)
    if known is not None and known.model_hz is not None:
        same = known.m in (None, rung.key[0]) and abs(units.cents(known.model_hz, rung.frequency_hz)) < 25.0
        cost += -4.0 if same else 2.0
    return cost


def anchors(state: State, prediction: Prediction, rungs: Sequence[Rung]) -> dict[Key, Anchor]:
    """The measured partials of a state, each with the mode that it is; those that are none are left out.

    ``prediction`` and ``rungs`` belong to the drum as it stood in that state. All partials are assigned together,
    one partial to one mode, least total cost in nats; pairs the fit already made weigh in, and what the fit
    called foreign stays foreign.
    """
    from scipy.optimize import linear_sum_assignment

    loud = loudness_of(prediction, rungs)
    audible = [r for r in rungs if loud.get(r.key, -99.0) > -HEARD_DB]
    fit = fit_of(state)
    paired = {round(p.measured_hz, 6): p for p in fit.partials} if fit else {}
    partials = [p for p in measured_partials(state)
                if (known := paired.get(round(p["frequency_hz"], 6))) is None or known.model_hz is not None]
    if not partials or not audible:
        return {}
    cost = np.full((len(partials), len(audible) + len(partials)), FOREIGN_NATS)
    for i, p in enumerate(partials):
        known = paired.get(round(p["frequency_hz"], 6))
        cost[i, : len(audible)] = [_nats(p, r, loud[r.key], known) for r in audible]
    out: dict[Key, Anchor] = {}
    for i, j in zip(*linear_sum_assignment(cost), strict=True):
        if j >= len(audible):
            continue
        p, key = partials[i], audible[j].key
        out[key] = Anchor(key, p["frequency_hz"], p.get("frequency_sd_hz") or 0.001 * p["frequency_hz"],
                          p["decay_s"], p.get("decay_sd_s") or 0.1 * p["decay_s"])
    return out


# ------------------------------------------------------------------ after turns
