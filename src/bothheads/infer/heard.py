"""From readings to arrays: one or several recordings of a state, with the microphones whose places are known.

Recordings with the same channels are joined as one reading. Others bring further channels: their partials are
matched by frequency, and every channel keeps a gain of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..physics.muffling import is_round
from ..records import Drum, Microphone, Partial, Reading
from .scoring import Heard

Array = NDArray[np.float64]

SD_UNKNOWN = 0.001  # relative, of a frequency whose spread was not stated
DECAY_SD_UNKNOWN = 0.2
SAME_PARTIAL = 0.0035  # relative distance of two recordings' frequencies that may be one partial
HIGHEST_HZ = 300.0  # for a 24 in drum, scaled with 1/radius: beyond, modes are no longer followed
HIGHEST_MUFFLED_HZ = 165.0
REFERENCE_RADIUS = 0.3048


@dataclass(frozen=True)
class Channels:
    """Which channels' levels are used: names in order, and what to say about the rest."""

    names: tuple[str, ...]
    placed: bool  # False: nobody said where they stood
    warnings: tuple[str, ...]


def is_inside(drum: Drum, place: Microphone) -> bool:
    """Whether a microphone stands between the heads."""
    return 0.0 < place.z < drum.depth and place.x**2 + place.y**2 < drum.radius**2


def usable_channels(drum: Drum, readings: Sequence[Reading]) -> Channels:
    """Channels with a known place outside the drum, else all of them as 'somewhere'."""
    places = {p.name: p for p in drum.places}
    names = tuple(dict.fromkeys(c for r in readings for c in r.channels))
    outside = tuple(c for c in names if c in places and not is_inside(drum, places[c]))
    said: list[str] = []
    if any(c in places and is_inside(drum, places[c]) for c in names):
        said.append("levels of a microphone inside the drum are not used to tell the heads apart.")
    if outside:
        if len(outside) == 1:
            said.append("one microphone only: which head is which rests on fewer levels; seat and front know better.")
        return Channels(outside, True, tuple(said))
    free = tuple(c for c in names if c not in places)
    if free:
        said.append("nobody said where the microphones stood: name the channels (seat, front, ...) to tell the heads "
                    "apart with more certainty.")
    return Channels(free, False, tuple(said))


def highest_frequency(drum: Drum) -> float:
    """Highest partial used [Hz]; under pads and strips the film's short waves are known too little."""
    mixed = any(not is_round(item) for item in drum.muffling)
    return (HIGHEST_MUFFLED_HZ if mixed else HIGHEST_HZ) * REFERENCE_RADIUS / drum.radius


def gather(drum: Drum, readings: Sequence[Reading], names: Sequence[str]) -> Heard:
    """Partials of all readings as arrays, levels [dB] of the channels ``names`` in that order."""
    groups: dict[tuple[str, ...], list[Reading]] = {}
    for r in readings:
        groups.setdefault(r.channels, []).append(r)
    parts = [_joined(group) for group in groups.values()]
    merged: list[tuple[Partial, Array]] = []
    for part in parts:
        new = [(p, _levels(part, p, names)) for p in part.partials if p.frequency_hz <= highest_frequency(drum)]
        merged = _merge(merged, new)
    merged.sort(key=lambda pair: pair[0].frequency_hz)
    f = np.array([p.frequency_hz for p, _ in merged])
    tau = np.array([max(p.decay_s, 1e-3) for p, _ in merged])
    f_sd = np.array([SD_UNKNOWN if p.frequency_sd_hz is None else p.frequency_sd_hz / p.frequency_hz
                     for p, _ in merged])
    tau_sd = np.array([DECAY_SD_UNKNOWN if p.decay_sd_s is None else p.decay_sd_s / max(p.decay_s, 1e-3)
                       for p, _ in merged])
    level = np.array([lv for _, lv in merged]).reshape(len(merged), len(names))
    return Heard(np.log(f), np.maximum(f_sd, 1e-5), np.log(tau), np.maximum(tau_sd, 1e-3), level)


def _joined(group: Sequence[Reading]) -> Reading:
    if len(group) == 1:
        return group[0]
    from ..sound.join import join

    return join(group)


def _levels(reading: Reading, partial: Partial, names: Sequence[str]) -> Array:
    found = partial.level_dbfs or partial.level_db
    by_name = dict(zip(reading.channels, found, strict=False))
    return np.array([np.nan if by_name.get(n) is None else by_name[n] for n in names], dtype=float)


def _merge(old: list[tuple[Partial, Array]], new: list[tuple[Partial, Array]]) -> list[tuple[Partial, Array]]:
    """Partials of another recording joined to those that lie close; the better known frequency is kept."""
    out, left = list(old), list(new)
    for k, (p, level) in enumerate(out):
        near = [i for i, (q, _) in enumerate(left)
                if abs(q.frequency_hz / p.frequency_hz - 1.0) < _distance(p, q)]
        if not near:
            continue
        i = min(near, key=lambda i: abs(left[i][0].frequency_hz - p.frequency_hz))
        q, more = left.pop(i)
        better = p if (p.frequency_sd_hz or 1.0) <= (q.frequency_sd_hz or 1.0) else q
        out[k] = better, np.where(np.isfinite(level), level, more)
    return out + left


def _distance(p: Partial, q: Partial) -> float:
    sd = np.hypot(p.frequency_sd_hz or 0.0, q.frequency_sd_hz or 0.0) / p.frequency_hz
    return float(max(SAME_PARTIAL, 3.0 * sd))
