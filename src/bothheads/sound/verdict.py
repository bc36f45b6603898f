"""The weighing of evidence: log odds that a candidate is a strike, by boosted decision trees learned from scenes.

A first set of trees knows the glance only, and spares the rest the trouble of being looked at closely.

``builders/strike_weights.py`` learns them from scenes whose truth is known; ``bench/onsets.py`` judges them on others. Beyond
the last threshold of a feature a tree says nothing new, so that what lies further out than any scene is no stranger.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .gate import TOLD
from .glance import GLANCE

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


class Trees(NamedTuple):
    """Trees of equal depth d: ``feature`` and ``threshold`` (trees, 2^d - 1) of the questions, breadth first (a feature above
    its threshold goes right), ``leaf`` (trees, 2^d) log odds, and the log odds ``base`` before any question."""

    base: float
    feature: Indices
    threshold: Array
    leaf: Array


FEATURES = {"glance": GLANCE, "verdict": (*GLANCE, *TOLD)}


@cache
def learned(stage: str) -> Trees:
    """The shipped trees of a stage: ``glance`` or ``verdict``."""
    table = json.loads((files(__package__) / "data" / "strikes.json").read_text(encoding="utf-8"))[stage]
    if tuple(table["features"]) != FEATURES[stage]:
        raise ValueError("data/strikes.json was learned for other features: run builders/strike_weights.py.")
    return Trees(float(table["base"]), np.array(table["feature"], int), np.array(table["threshold"], float),
                 np.array(table["leaf"], float))


def leaves(trees: Trees, features: Array) -> Array:
    """Log odds (n, trees) that each tree adds for ``features`` (n, k)."""
    every, rows = np.arange(len(trees.feature)), np.arange(len(features))[:, None]
    questions = trees.feature.shape[1]
    at = np.zeros((len(features), len(every)), int)
    while questions and at[0, 0] < questions:
        above = features[rows, trees.feature[every, at]] > trees.threshold[every, at]
        at = 2 * at + 1 + above
    out: Array = trees.leaf[every, at - questions]
    return out


def log_odds(features: Array, stage: str) -> Array:
    """Log odds (n,) that candidates with ``features`` (n, k) of a stage are strikes."""
    if not len(features):
        return np.zeros(0)
    trees = learned(stage)
    out: Array = trees.base + leaves(trees, np.nan_to_num(features)).sum(axis=1)
    return out
