"""When each strike of a take enters the fit: softest first, harder ones when their glide has fallen, longer at each stage.

Fitting a 10 % glide at full length at once locks partials a cycle wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .drives import window_again
from .glide import narrowest
from .noise import detrend
from .resample import halve
from .residual import envelope
from .window import Window

Array = NDArray[np.float64]
SMALL_GLIDE = 0.012
_STAGES = (0.012, 0.025, 0.045, 0.07, 0.1)
_FIRST_TOP_HZ = 440.0


@dataclass(frozen=True)
class Start:
    """One way into the fit: glide from which on strikes enter in stages, most drives, least rms that weights follow.

    ``held``: where a stage begins, resting frequencies and decays wait until the shares have found their place.
    ``multiples``: one strike is driven at fixed multiples of one rate (``histories``).
    """

    late: float
    drives: int
    least: float = 1.0
    held: bool = True
    multiples: bool = False


@dataclass
class Plan:
    """What is known before the fit: energies (S,), the warp's first guess and when each strike enters each stage."""

    energy: Array
    glide: float
    rate: float
    stages: list[list[float | None]]


def planned(windows: Sequence[Window], start: Start) -> Plan:
    """When each strike enters: at every stage an offset [s] into its window, None while it waits; the last one all at 0."""
    quiet = [detrend(w.samples, w.nuisance) for w in windows]
    energy = energies(windows, quiet)
    g, b = first_warp(windows, quiet, energy)
    stages: list[list[float | None]] = []
    weak = int(np.argmin(energy))
    loud = [envelope(y, w.rate_hz) for y, w in zip(quiet, windows, strict=True)]
    if g > start.late:
        for limit in _STAGES:
            row: list[float | None] = []
            for k, e in enumerate(energy):
                offset = max(0.0, float(np.log(g * e / limit)) / b)
                offset = 0.0 if offset < 0.03 else min(offset, 0.9) if k == weak else offset
                i = min(int(offset * windows[k].rate_hz), len(loud[k]) - 1)
                row.append(offset if offset <= 0.9 and (loud[k][i] > 8 * start.least or k == weak) else None)
            if any(o is None or o > 0 for o in row) and (not stages or row != stages[-1]):
                stages.append(row)
    return Plan(energy, g, b, [*stages, [0.0] * len(windows)])


def energies(windows: Sequence[Window], quiet: Sequence[Array]) -> Array:
    """Energy (S,) of the first 150 ms of each strike, the largest 1."""
    e = np.array([(y[:, : int(0.15 * w.rate_hz)] ** 2).sum() for w, y in zip(windows, quiet, strict=True)])
    out: Array = e / e.max()
    return out


def first_warp(windows: Sequence[Window], quiet: Sequence[Array], energy: Array) -> tuple[float, float]:
    """One exponential warp for all strikes, glide in proportion to the strike's energy, from the window's start."""
    rate = windows[0].rate_hz
    series = []
    for y, e in zip(quiet, energy, strict=True):
        for row in y[np.argsort(-y.std(axis=1))[:2]]:
            part = row[: int(0.85 * rate)]
            series.append((halve(part) if rate > 1500 else part, float(e)))
    g, b, _ = narrowest(series, rate / 2 if rate > 1500 else rate, _FIRST_TOP_HZ)
    return g, b


def entering(windows: Sequence[Window], offsets: Sequence[float | None]) -> tuple[list[int], list[Window]]:
    """(indices, windows from their offsets on) of the strikes that take part in a stage and have a quarter second to tell."""
    chosen, sub = [], []
    for k, offset in enumerate(offsets):
        if offset is not None and windows[k].samples.shape[1] / windows[k].rate_hz - offset > 0.25:
            chosen.append(k)
            sub.append(windows[k].later(offset) if offset else window_again(windows[k]))
    return chosen, sub
