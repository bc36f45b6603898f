"""Sound in memory, and what in its samples gives reason to warn: clipped peaks, numbers that are not finite."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError

Array = NDArray[np.float64]

_FLAT = 3  # equal samples in a row at the top that make a clipped peak


@dataclass(frozen=True, eq=False)
class Recording:
    """Sound in memory. ``samples`` (n, channels), full scale 1; ``warnings``: one sentence each."""

    samples: Array
    sample_rate_hz: int
    warnings: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True)
class AudioInfo:
    """What a file holds, without reading its samples. ``kind`` is the container's name (WAV, FLAC, ...)."""

    frames: int
    sample_rate_hz: int
    channels: int
    kind: str

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.frames / self.sample_rate_hz


def checked(samples: Array, sample_rate_hz: int, name: str, warnings: tuple[str, ...]) -> Recording:
    """The recording of finite ``samples`` with its warnings, those of clipped channels added."""
    refuse_not_finite(samples, sample_rate_hz, name, 0)
    return Recording(samples, sample_rate_hz, (*warnings, *_clipped(samples)))


def refuse_not_finite(samples: Array, sample_rate_hz: int, name: str, offset: int) -> None:
    """Raise ``AudioError`` where samples are NaN or infinite; ``offset``: index of the first in its file."""
    bad = ~np.isfinite(samples).all(axis=1)
    if bad.any():
        at = (offset + int(np.argmax(bad))) / sample_rate_hz
        raise AudioError(f"{name} holds numbers that are not finite from {at:.3f} s on: export the recording again.")


def lossy(kind: str) -> str:
    """The warning that goes with a lossy coding."""
    return f"the file is lossy ({kind}): phase and decay are not kept exactly, so record WAV or FLAC where it counts."


def _clipped(samples: Array) -> tuple[str, ...]:
    """A peak is clipped when at least three samples in a row stand at the channel's extreme, entered by a jump,
    and below full scale (turned down afterwards) at two places or more.

    The jump tells a flattened peak from a quiet low tone whose top rounds to one value.
    """
    out = []
    for channel in range(samples.shape[1]):
        x = samples[:, channel]
        count = sum(_flat_tops(side) for side in (x, -x) if side.max(initial=0.0) > 0.05)
        if count:
            out.append(f"channel {channel + 1} is clipped at {count} places: turn the input down and strike again.")
    return tuple(out)


def _flat_tops(x: Array) -> int:
    extreme = float(x.max())
    top = np.flatnonzero(x >= extreme * (1 - 1e-9))
    if len(top) < _FLAT:
        return 0
    starts = np.flatnonzero(np.diff(top, prepend=-2) > 1)
    lengths = np.diff(np.append(starts, len(top)))
    begin = top[starts[lengths >= _FLAT]]
    jump = np.abs(x[begin] - x[np.maximum(begin - 1, 0)])
    full = extreme >= 1 - 2.0**-14
    places = int(np.count_nonzero((jump > 0.002 * extreme) | full))
    return places if full or places > 1 else 0  # three equal samples happen once by chance
