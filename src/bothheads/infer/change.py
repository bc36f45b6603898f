"""What changed between two readings of one drum: partials in common, with slopes, differences and noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, State
from . import ladder
from .anchors import anchors
from .history import measured_partials
from .ladder import Rung

Array = NDArray[np.float64]

PITCH_NOISE = 0.0012  # ln f, two readings of an untouched drum
DECAY_NOISE = 0.10  # ln tau, likewise


@dataclass(frozen=True)
class Pairs:
    """Partials that two readings share: slopes of each, changes and their noise."""

    rungs: tuple[Rung, ...]
    air: Array  # (n, 2) d ln f, d ln tau per kelvin of warmer air
    pitch: Array  # (n,) d ln f
    pitch_sd: Array
    decay: Array  # (n,) d ln tau
    decay_sd: Array
    level: Array  # (n, channels) dB, NaN where not heard

    @property
    def count(self) -> int:
        """How many partials."""
        return len(self.rungs)


def _air_slopes(drum: Drum, keys: list[ladder.Key]) -> Array:
    """d ln f and d ln tau per kelvin of warmer air, (n, 2): c goes with sqrt(T), density with 1 / T."""
    warm, base = 10.0, 293.15
    air = replace(drum.air, speed_of_sound=drum.air.speed_of_sound * sqrt(1 + warm / base),
                  density=drum.air.density / (1 + warm / base), temperature_c=None)
    cold, hot = ({r.key: r for r in ladder.rungs(d)} for d in (replace(drum, air=replace(drum.air, temperature_c=None)),
                                                                replace(drum, air=air)))
    out = np.zeros((len(keys), 2))
    for i, key in enumerate(keys):
        if key in cold and key in hot:
            out[i] = (log(hot[key].frequency_hz / cold[key].frequency_hz) / warm,
                      log(hot[key].decay_s / cold[key].decay_s) / warm)
    return out


def _known(state: State, other: State) -> Drum | None:
    """The state's drum with tensions, from the other state when its own were not found."""
    if ladder.known_tensions(state.drum) is not None:
        return state.drum
    tension = ladder.known_tensions(other.drum)
    return None if tension is None else ladder.with_tensions(state.drum, *tension)


def _same_channels(a: State, b: State) -> list[tuple[int, int]]:
    first, second = ((s.reading or {}).get("channels", []) for s in (a, b))
    return [(i, second.index(name)) for i, name in enumerate(first) if name in second]


def pair_up(a: State, b: State) -> Pairs | None:
    """Partials that both states' readings hold, keyed by the drum's modes; None without readings or tensions."""
    from ..physics.forecast import forecast

    first, second = _known(a, b), _known(b, a)
    if first is None or second is None or not measured_partials(a) or not measured_partials(b):
        return None
    tables = [{r.key: r for r in ladder.rungs(d)} for d in (first, second)]
    read = [anchors(s, forecast(d), list(t.values())) for s, d, t in zip((a, b), (first, second), tables, strict=True)]
    keys = [k for k in read[0] if k in read[1]]
    found = [{p["frequency_hz"]: p for p in measured_partials(s)} for s in (a, b)]
    channels = _same_channels(a, b)
    pitch, pitch_sd, decay, decay_sd, level, rungs = [], [], [], [], [], []
    for key in keys:
        x, y = read[0][key], read[1][key]
        pitch.append(log(y.frequency_hz / x.frequency_hz))
        pitch_sd.append(sqrt((x.frequency_sd_hz / x.frequency_hz) ** 2 + (y.frequency_sd_hz / y.frequency_hz) ** 2
                             + PITCH_NOISE**2))
        decay.append(log(y.decay_s / x.decay_s))
        decay_sd.append(sqrt((x.decay_sd_s / x.decay_s) ** 2 + (y.decay_sd_s / y.decay_s) ** 2 + DECAY_NOISE**2))
        lx, ly = (f[v.frequency_hz].get("level_dbfs") or [] for f, v in zip(found, (x, y), strict=True))
        level.append([_difference(lx, i, ly, j) for i, j in channels])
        rungs.append(_middle(tables[0][key], tables[1][key]))
    return Pairs(tuple(rungs), _air_slopes(first, keys), np.array(pitch), np.array(pitch_sd), np.array(decay),
                 np.array(decay_sd), np.array(level, dtype=float).reshape(len(keys), len(channels)))


def _difference(x: Any, i: int, y: Any, j: int) -> float:
    if i >= len(x) or j >= len(y) or x[i] is None or y[j] is None:
        return float("nan")
    return float(y[j]) - float(x[i])


def _middle(a: Rung, b: Rung) -> Rung:
    """The rung with slopes halfway between both states, so that first order reaches further."""
    def half(x: tuple[float, float], y: tuple[float, float]) -> tuple[float, float]:
        return (x[0] + y[0]) / 2, (x[1] + y[1]) / 2

    return replace(a, pitch_slope=half(a.pitch_slope, b.pitch_slope), decay_slope=half(a.decay_slope, b.decay_slope),
                   loss_slope=half(a.loss_slope, b.loss_slope))
