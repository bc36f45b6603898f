"""The weighing of evidence: log odds that a candidate is a strike, by a logistic regression learned from scenes.

``builders/strike_weights.py`` learns it from scenes whose truth is known; ``bench/onsets.py`` judges it on others.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .gate import FEATURES

Array = NDArray[np.float64]

LIMIT = 3.0  # standard deviations; what lies further out says no more


class Weights(NamedTuple):
    """Mean and standard deviation of every feature over the scenes, and the weights of ``terms``."""

    mean: Array
    sd: Array
    weight: Array


@cache
def learned() -> Weights:
    """The shipped weights."""
    table = json.loads((files(__package__) / "data" / "strikes.json").read_text(encoding="utf-8"))
    if tuple(table["features"]) != FEATURES:
        raise ValueError("data/strikes.json was learned for other features: run builders/strike_weights.py.")
    return Weights(*(np.array(table[name], float) for name in ("mean", "sd", "weight")))


def terms(features: Array, mean: Array, sd: Array) -> Array:
    """Features (n, k) standardised and held within 3 deviations, with 1 before and all their products behind."""
    z = np.clip((features - mean) / sd, -LIMIT, LIMIT)
    a, b = np.triu_indices(z.shape[1])
    return np.concatenate([np.ones((len(z), 1)), z, z[:, a] * z[:, b]], axis=1)


def log_odds(features: Array) -> Array:
    """Log odds (n,) that candidates with ``features`` (n, k) are strikes."""
    if not len(features):
        return np.zeros(0)
    w = learned()
    out: Array = terms(np.nan_to_num(features), w.mean, w.sd) @ w.weight
    return out
