"""Packets from the browser to the streaming reader, and its readings as strikes of a page: transport only."""

from __future__ import annotations

import struct
from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import session
from ..errors import BothheadsError
from ..records import Drum, Reading
from .bench import wav_bytes

HEADER = struct.Struct("<IId")
MOST_CHANNELS = 8


@dataclass(frozen=True)
class Heard:
    """A strike as read. ``window_end``: the frame that closed what was read; ``final``: it will not be read again."""

    onset: int
    window_end: int
    wav: bytes
    reading: Reading
    final: bool


class Ear:
    """Strikes out of a stream of packets; ``gaps`` counts pieces that were lost on the way or could not be used."""

    def __init__(self, sample_rate_hz: int, picked: list[int], names: tuple[str, ...], drum: Drum, *,
                 executor: Executor | None = None, notify: Callable[[], None] | None = None) -> None:
        self.rate, self.picked, self.names, self.drum = sample_rate_hz, picked, names, drum
        self.reader = session.live_reader(sample_rate_hz, names, drum=drum, executor=executor, notify=notify)
        self.gaps = 0
        self._origin: int | None = None

    def unpack(self, packet: bytes) -> tuple[int, NDArray[np.float32]] | None:
        """(frame, samples (n, channels)) of a packet, None when it is not one."""
        if len(packet) < HEADER.size:
            return None
        channels, frames, first = HEADER.unpack_from(packet)
        if not 1 <= channels <= MOST_CHANNELS or len(packet) != HEADER.size + 4 * channels * frames:
            return None
        if not 0 <= first < 2**53:
            return None
        planes = np.frombuffer(packet, "<f4", offset=HEADER.size).reshape(channels, frames)
        return int(first), np.ascontiguousarray(planes[[min(p, channels - 1) for p in self.picked]].T)

    def feed(self, packet: bytes) -> list[Heard]:
        """Take in a packet; what can be told by now. Never waits for a reading when there is an executor."""
        found = self.unpack(packet)
        if found is None:
            return []
        frame, block = found
        if self._origin is None:  # a page may open in the middle of the worklet's count
            self._origin = frame
        with suppress(BothheadsError):  # numbers that are not finite: the next packet shows the gap
            return self._told(self.reader.feed(block, frame=frame - self._origin))
        return []

    def heard(self) -> list[Heard]:
        """What has been read since this was last asked."""
        return self._told(self.reader.events())

    def finish(self) -> list[Heard]:
        """No more packets come: the last strikes with what there is. Waits for the readings."""
        return self._told(self.reader.finish())

    def _told(self, events: list[Any]) -> list[Heard]:
        self.gaps += sum(e.kind in ("dropped", "restarted") for e in events)
        first = self._origin or 0
        return [Heard(e.onset + first, e.window_end + first, wav_bytes(e.sound, self.rate), e.reading, e.final)
                for e in events if e.kind in ("first", "refined") and e.reading.strikes]


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
