"""Packets from the browser to strikes: a wake-up on a sudden rise, then the same reading as of any recording.

The wake-up decides only when to look; whether it was a strike, and what it rings, is said by the reading of the
cut-out sound. A strike is read twice: soon after its onset for the eye, and again when it has rung out.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import session
from ..errors import BothheadsError
from ..records import Drum, Reading
from .bench import BEFORE_S, Past, wav_bytes

HEADER = struct.Struct("<IId")
LOOK_S = 0.8  # after the onset, for the first reading
RING_S = 4.0  # after the onset, for the second
CELL_S = 0.006
BACK = 12  # cells that a rise is measured against
RISE = 2.5  # over the largest change of the last 70 ms
OVER_FLOOR = 6.0
LEAST = 0.002  # full scale 1: softer sounds do not wake the reader
REST_S = 0.15  # between two wake-ups
MOST_CHANNELS = 8
NEAR_S = 0.06
LOUDER = 1.12  # rms after over before; a strike into a ring adds at least its own energy


@dataclass(frozen=True)
class Heard:
    """A strike as read. ``window_end``: the frame that closed what was read; ``final``: it has rung out."""

    onset: int
    window_end: int
    wav: bytes
    reading: Reading
    final: bool


class Gate:
    """Frames at which a sound begins suddenly, in a stream of blocks.

    Looks at the sample-to-sample change, in which a ringing drum is faint and a stroke is not, so that a strike
    into the ring of the one before wakes it too.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self.cell = max(16, round(CELL_S * sample_rate_hz))
        self.rest = round(REST_S * sample_rate_hz)
        self.changes: list[float] = []
        self.left: NDArray[np.float32] | None = None
        self.at = 0
        self.last = -self.rest

    def feed(self, block: NDArray[np.float32]) -> list[int]:
        """Frames of beginnings in ``block`` (n, channels)."""
        x = block if self.left is None else np.concatenate([self.left, block])
        count = (len(x) - 1) // self.cell
        cells = x[:count * self.cell + 1]
        self.left = x[count * self.cell:]
        if not count:
            return []
        change = np.abs(np.diff(cells, axis=0)).max(axis=1).reshape(count, self.cell).max(axis=1)
        loud = np.abs(cells[:-1]).max(axis=1).reshape(count, self.cell).max(axis=1)
        return [at for c, p in zip(change.tolist(), loud.tolist(), strict=True) if (at := self._cell(c, p)) is not None]

    def _cell(self, change: float, loud: float) -> int | None:
        at, before = self.at, max(self.changes[-BACK:], default=0.0)
        floor = float(np.median(self.changes)) if len(self.changes) > BACK else 0.0
        self.changes.append(change)
        del self.changes[:-400]
        self.at += self.cell
        if loud < LEAST or change < max(RISE * before, OVER_FLOOR * floor) or at - self.last <= self.rest:
            return None
        self.last = at
        return at


class Ear:
    """Reads strikes out of a stream of packets."""

    def __init__(self, sample_rate_hz: int, picked: list[int], names: tuple[str, ...], drum: Drum) -> None:
        self.rate, self.picked, self.names, self.drum = sample_rate_hz, picked, names, drum
        self.past = Past(sample_rate_hz, len(picked))
        self.gate = Gate(sample_rate_hz)
        self.open: list[tuple[int, bool]] = []  # onsets, and whether their first reading is done
        self.expected: float | None = None
        self.gaps = 0

    def unpack(self, packet: bytes) -> NDArray[np.float32] | None:
        """Samples (n, channels) of a packet, None when it is not one; counts pieces lost on the way."""
        if len(packet) < HEADER.size:
            return None
        channels, frames, first = HEADER.unpack_from(packet)
        if not 1 <= channels <= MOST_CHANNELS or len(packet) != HEADER.size + 4 * channels * frames:
            return None
        if self.expected is not None and first != self.expected:
            self.gaps += 1
        self.expected = first + frames
        planes = np.frombuffer(packet, "<f4", offset=HEADER.size).reshape(channels, frames)
        return np.ascontiguousarray(planes[[min(p, channels - 1) for p in self.picked]].T)

    def feed(self, packet: bytes, *, behind: bool = False) -> list[Heard]:
        """Strikes that can be read now that this packet has come; ``behind``: more wait, so second readings are left."""
        block = self.unpack(packet)
        if block is None or not np.isfinite(block).all():
            return []
        self.past.add(block)
        for onset in self.gate.feed(block):
            self.open.append((onset, False))
        return self._due(behind)

    def _due(self, behind: bool) -> list[Heard]:
        out: list[Heard] = []
        still: list[tuple[int, bool]] = []
        for i, (onset, read) in enumerate(self.open):
            following = self.open[i + 1][0] if i + 1 < len(self.open) else None
            ends = onset + round((RING_S if read else LOOK_S) * self.rate)
            closed = following is not None and following < ends
            if closed and following is not None:
                ends = following - round(0.02 * self.rate)
            if self.past.end < ends:
                still.append((onset, read))
                continue
            if read and behind:
                continue
            heard = self._read(onset, ends, final=read or closed)
            if heard is not None:
                out.append(heard)
                if not heard.final:
                    still.append((onset, True))
        self.open = still
        return out

    def _read(self, onset: int, ends: int, *, final: bool) -> Heard | None:
        sound = self.past.cut(onset - round(BEFORE_S * self.rate), ends)
        if len(sound) < 0.1 * self.rate:
            return None
        at, near = min(onset, round(BEFORE_S * self.rate)), round(NEAR_S * self.rate)
        if _rms(sound[at:at + near]) < LOUDER * _rms(sound[max(at - near, 0):at]):
            return None  # a click: the drum does not sound louder for it
        lead = min(onset, round(0.6 * BEFORE_S * self.rate))
        if onset > lead:  # the ring of the strike before would begin with the cut like a strike of its own
            sound[:lead] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(lead) / lead))[:, None].astype(np.float32)
        wav = wav_bytes(sound, self.rate)
        try:
            reading = session.read_upload(wav, "live.wav", channels=self.names, drum=self.drum, quick=True)
        except BothheadsError:
            return None
        here = any(abs(s.onset_s - at / self.rate) < NEAR_S for s in reading.strikes)  # not the ring that the cut begins in
        return Heard(onset, ends, wav, reading, final) if here else None


def _rms(samples: NDArray[np.float32]) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))) if samples.size else 0.0


def hello_of(message: Any, places: tuple[str, ...]) -> tuple[int, list[int], tuple[str, ...]]:
    """Sample rate, picked channels and their names from the page's first message.

    Raises
    ------
    ValueError
        When it is not such a message.
    """
    rate = int(message["rate"])
    if not 8000 <= rate <= 192000:
        raise ValueError(f"{rate} Hz is not a rate that is read")
    picked, names = [], []
    for item in list(message.get("channels") or ["1"])[:MOST_CHANNELS]:
        number, _, name = str(item).partition(":")
        picked.append(max(0, min(int(number), MOST_CHANNELS) - 1))
        names.append(name if name in places else f"ch{picked[-1] + 1}")
    if len(set(names)) != len(names) or not names:
        raise ValueError("two channels have the same name")
    return rate, picked, tuple(names)
