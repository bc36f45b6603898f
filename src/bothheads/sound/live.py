"""A streaming reader: blocks in, strikes out, in constant memory."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..records import Reading
from .reading import read_samples
from .strikes import StrikeSpan, find_strikes

Array = NDArray[np.float64]

KEPT_S = 4.0  # of sound; nothing older is held
RING_S = 0.6  # after which the first reading is made
SETTLED_S = 1.6  # after which the reading is refined, unless the next strike comes first
_LOOK_S = 0.15  # a strike is confirmed when this much of it is there
_EVERY_S = 0.05  # between two looks for strikes


@dataclass(frozen=True)
class LiveEvent:
    """Something heard. ``at_s`` counts from the first sample fed.

    strike: heard, nothing read yet. reading: the first answer after 0.6 s. refined: the strike has rung out or the next
    one begins. dropped: ``frames`` samples are missing before ``at_s`` (the reader goes on, what spans the gap is lost).
    """

    kind: Literal["strike", "reading", "refined", "dropped"]
    at_s: float
    peak_dbfs: tuple[float, ...] = ()
    reading: Reading | None = None
    frames: int = 0


class LiveReader:
    """Reads while the drum is played. Not safe to be fed from two threads at once."""

    def __init__(self, sample_rate_hz: int, channels: tuple[str, ...]) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self._kept: Array = np.zeros((0, len(channels)))
        self._first = 0  # index of the first kept sample
        self._looked = 0
        self._pending: list[tuple[int, StrikeSpan, int]] = []  # onset, span, answers given
        self._last_onset = -(10**9)

    @property
    def position_s(self) -> float:
        """Length of what was fed so far [s]."""
        return (self._first + len(self._kept)) / self.sample_rate_hz

    def feed(self, block: NDArray[Any], *, frame: int | None = None) -> list[LiveEvent]:
        """Take the next samples (n, channels), full scale 1; ``frame``: their index by the sender's own count.

        A count that runs ahead of what came before is a gap: told as ``dropped``, filled with silence.
        """
        x = np.asarray(block, float)
        x = np.nan_to_num(x[:, None] if x.ndim == 1 else x)
        if x.shape[1] != len(self.channels):
            raise ValueError(f"a block has {x.shape[1]} channels, the reader {len(self.channels)}")
        events = self._gap(frame) if frame is not None else []
        self._kept = np.concatenate([self._kept, x])
        end = self._first + len(self._kept)
        if end - self._looked >= round(_EVERY_S * self.sample_rate_hz):
            self._looked = end
            events += self._new_strikes(end)
            events += self._answers(end)
        self._forget()
        return events

    def finish(self) -> list[LiveEvent]:
        """No more samples come: the last strikes are answered with what there is."""
        end = self._first + len(self._kept)
        events = self._new_strikes(end)
        for onset, span, given in self._pending:
            if given < 2:
                events.append(self._event("refined", onset, span, end, quick=False))
        self._pending = []
        return events

    def _gap(self, frame: int) -> list[LiveEvent]:
        end = self._first + len(self._kept)
        missing = frame - end
        if missing <= 0:
            return []
        if missing > round(KEPT_S * self.sample_rate_hz):
            self._kept, self._first = self._kept[:0], frame
        else:
            self._kept = np.concatenate([self._kept, np.zeros((missing, self._kept.shape[1]))])
        self._pending = []
        self._last_onset = frame
        return [LiveEvent("dropped", frame / self.sample_rate_hz, frames=missing)]

    def _new_strikes(self, end: int) -> list[LiveEvent]:
        """Strikes since the last one that is known, looked for in the last second and a half."""
        rate = self.sample_rate_hz
        begin = max(self._first, end - round(1.5 * rate))
        out = []
        for span in find_strikes(self._kept[begin - self._first :], rate):
            onset = begin + round(span.onset_s * rate)
            fresh = onset > self._last_onset + round(0.03 * rate)
            cut_ring = begin > self._first and onset < begin + round(0.05 * rate)  # the window's own edge
            if fresh and not cut_ring and end - onset >= round(_LOOK_S * rate):
                self._last_onset = onset
                self._pending.append((onset, span, 0))
                out.append(LiveEvent("strike", onset / rate, span.peak_dbfs))
        return out

    def _answers(self, end: int) -> list[LiveEvent]:
        rate = self.sample_rate_hz
        out, left = [], []
        for i, (onset, span, given) in enumerate(self._pending):
            following = self._pending[i + 1][0] if i + 1 < len(self._pending) else None
            stop = end if following is None else min(end, following)
            if given == 0 and stop - onset >= round(RING_S * rate):
                out.append(self._event("reading", onset, span, stop, quick=True))
                given = 1
            if following is not None or end - onset >= round(SETTLED_S * rate):
                out.append(self._event("refined", onset, span, stop, quick=False))
                given = 2
            if given < 2:
                left.append((onset, span, given))
        self._pending = left
        return out

    def _event(
        self, kind: Literal["reading", "refined"], onset: int, span: StrikeSpan, stop: int, *, quick: bool
    ) -> LiveEvent:
        rate = self.sample_rate_hz
        lead = min(onset - self._first, round(0.25 * rate))
        piece = self._kept[onset - lead - self._first : stop - self._first]
        alone = StrikeSpan(lead / rate, len(piece) / rate, span.peak_dbfs, span.delay_s)
        reading = read_samples(piece, rate, channels=self.channels, quick=quick, offset_s=(onset - lead) / rate,
                               spans=(alone,))
        return LiveEvent(kind, onset / rate, span.peak_dbfs, reading)

    def _forget(self) -> None:
        """Drop what no pending strike needs."""
        over = len(self._kept) - round(KEPT_S * self.sample_rate_hz)
        if over > 0:
            self._kept = self._kept[over:].copy()
            self._first += over
            self._pending = [p for p in self._pending if p[0] >= self._first]
