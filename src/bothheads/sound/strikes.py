"""Strikes in a running recording: where each begins, how loud, how the channels lag, and where it sinks into noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .delay import delays
from .ending import end_of
from .gate import new_energy_db
from .onset import Bands, first_sample, rises_slowly, split, triggers

Array = NDArray[np.float64]

GATE_DB = 3.5  # strikes gain 4 dB and more, swells of noise under 2
_QUIETEST = 10 ** (-100 / 20)  # full scale; what stays below is silence


@dataclass(frozen=True)
class StrikeSpan:
    """One strike. ``onset_s``: first audible sample (2 % of its peak) in the earliest channel; ``end_s``: where it
    sinks into the noise or the next strike begins; ``peak_dbfs``, ``delay_s`` (after the earliest): per channel."""

    onset_s: float
    end_s: float
    peak_dbfs: tuple[float, ...]
    delay_s: tuple[float, ...]


def find_strikes(samples: NDArray[Any], sample_rate_hz: int) -> tuple[StrikeSpan, ...]:
    """Strikes in ``samples`` (n,) or (n, channels), full scale 1, in order of time.

    Rises of energy in two bands are tried one by one; a rise counts when partials that begin there explain at least
    3.5 dB more than the ring going on. Two strikes nearer than 35 ms are one.
    """
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    if len(x) < round(0.02 * sample_rate_hz) or not np.abs(x).max(initial=0.0) > _QUIETEST:
        return ()
    bands = split(x, float(sample_rate_hz))
    onsets = _confirmed(x, bands, sample_rate_hz)
    return tuple(_span(x, bands, sample_rate_hz, onset, following)
                 for onset, following in zip(onsets, [*onsets[1:], len(x)], strict=True))


def _confirmed(x: Array, bands: Bands, rate: int) -> list[int]:
    """Onsets [samples] of the triggers that pass the gate."""
    tried = triggers(bands, rate)
    onsets: list[int] = []
    for i, at in enumerate(tried):
        if rises_slowly(bands, rate, at):
            continue
        earliest = onsets[-1] + round(0.02 * rate) if onsets else 0
        onset = first_sample(bands, rate, at, earliest)
        before = onsets[-1] if onsets else 0
        after = tried[i + 1] if i + 1 < len(tried) else len(x)
        if new_energy_db(bands.body, rate, onset, before, after) > GATE_DB:
            onsets.append(onset)
    return onsets


def _span(x: Array, bands: Bands, rate: int, onset: int, following: int) -> StrikeSpan:
    peak = np.abs(x[onset : min(following, onset + rate // 2)]).max(axis=0)
    levels = tuple((20 * np.log10(np.maximum(peak, 1e-10))).tolist())
    return StrikeSpan(onset / rate, end_of(bands.body, rate, onset, following) / rate, levels,
                      delays(bands.click, rate, onset))
