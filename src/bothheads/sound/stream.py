"""What a stream needs of the past in constant memory: the last seconds by frame, and rises of energy as they come."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError
from .onset import FRAME_S

Array = NDArray[np.float64]
Block = NDArray[np.float32]

FRAMES_A_TICK = 30  # of ``FRAME_S``: the stream is looked at every 20 ms
_GAP, _PAST, _BACK = 6, 45, 450  # frames: before the fast level; the past before that (30 ms); the ring (0.3 s)
_FLOOR_TICKS = 100  # the quiet level is that of two seconds
_FLOOR_EVERY = 10  # ticks
_ABOVE_RING_DB = -6.0  # a body this much softer than the ring is no strike without a click
_QUIETEST = 1e-5  # full scale; what stays below is silence


class Rise(NamedTuple):
    """What wakes in one band: the level over ``fast`` frames stands ``past_db`` above the 30 ms before and ``floor_db`` above
    the quiet level; in the body, where beats rise too, also no more than 6 dB below the loudest of 0.3 s."""

    fast: int
    past_db: float
    floor_db: float
    above_ring: bool


BODY = Rise(15, 4.0, 5.0, True)  # 10 ms: over less, noise below 1 kHz rises as far by chance
CLICK = Rise(4, 7.5, 7.0, False)


def checked_block(block: NDArray[Any], channels: int) -> NDArray[Any]:
    """The block as (n, channels).

    Raises
    ------
    AudioError
        For another number of channels, or numbers that are not finite or not of full scale 1.
    """
    x = np.asarray(block)
    x = x[:, None] if x.ndim == 1 else x
    if x.ndim != 2 or x.shape[1] != channels:
        got = x.shape[1] if x.ndim == 2 else 0
        raise AudioError(f"a block has {got} channels and the stream {channels}: begin a new stream with the channels that are "
                         "there.")
    if x.dtype.kind != "f":
        raise AudioError("a block holds whole numbers: divide them by full scale, so that 1 is the loudest.")
    if not np.isfinite(x).all():
        raise AudioError("a block holds numbers that are not finite: leave it out, and let the next say its place in the "
                         "stream.")
    return x


class Ring:
    """The last ``kept`` frames (n, channels) of a stream, addressed by their index since it began."""

    def __init__(self, kept: int, channels: int) -> None:
        self.kept = kept
        self._store: Block = np.zeros((2 * kept, channels), np.float32)
        self._used = 0
        self.end = 0  # index after the last frame

    @property
    def begin(self) -> int:
        """Index of the first frame still held."""
        return self.end - min(self._used, self.kept)

    def add(self, block: NDArray[Any]) -> None:
        """The next frames (n, channels), ``kept`` at most."""
        n = len(block)
        if self._used + n > len(self._store):
            held = min(self._used, self.kept)
            self._store[:held] = self._store[self._used - held : self._used]
            self._used = held
        self._store[self._used : self._used + n] = block
        self._used += n
        self.end += n

    def cut(self, start: int, stop: int) -> Block:
        """A copy of frames ``start`` to ``stop`` as far as they are held."""
        start, stop = max(start, self.begin), min(stop, self.end)
        shift = self._used - self.end
        return self._store[start + shift : max(start, stop) + shift].copy()

    def clear(self, end: int) -> None:
        """Forget everything; the next frame has index ``end``."""
        self._used, self.end = 0, end


class Wake:
    """Rises of energy in a stream, in the bands in which strikes are sought, by causal filters that run on.

    It wakes more often than there are strikes; what was one is said by ``find_strikes`` on the sound around it.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        from scipy.signal import butter

        self.hop = max(1, round(FRAME_S * sample_rate_hz))
        self.tick = FRAMES_A_TICK * self.hop
        top = 0.45 * sample_rate_hz
        designs = (("body", 3, [30.0, min(1000.0, 0.5 * top)]), ("click", 2, [min(1200.0, 0.5 * top), min(9000.0, top)]))
        self._sos = [butter(order, edges, "band", fs=sample_rate_hz, output="sos") for _, order, edges in designs]
        self._state = [np.zeros((len(sos), 2, channels)) for sos in self._sos]
        self._power = np.zeros((2, FRAMES_A_TICK * _FLOOR_TICKS, channels))  # band, frame, channel
        self._floor = np.zeros((2, channels))
        self._ticks = 0

    def feed(self, block: NDArray[Any], at: int) -> int | None:
        """Frame at which the sound rises first within ``block`` (``tick`` frames from index ``at``); None: nowhere."""
        self._ticks += 1
        self._measure(block)
        if not np.abs(block).max() > _QUIETEST:
            return None
        seen = min(self._ticks * FRAMES_A_TICK, self._power.shape[1])
        need = min(seen, _BACK + _GAP + 2 * BODY.fast + FRAMES_A_TICK)
        first = None
        for band, rise in enumerate((BODY, CLICK)):
            quiet = np.maximum(self._floor[band], 1e-8 * self._power[band, -need:].max(axis=0) + 1e-30)
            k = _first_rise((self._power[band, -need:] / quiet).mean(axis=1), rise)
            if k is not None:
                frame = at + self.tick - (need - k) * self.hop
                first = frame if first is None else min(first, frame)
        return first

    def _measure(self, block: NDArray[Any]) -> None:
        from scipy.signal import sosfilt

        self._power[:, :-FRAMES_A_TICK] = self._power[:, FRAMES_A_TICK:]
        for band, sos in enumerate(self._sos):
            y, self._state[band] = sosfilt(sos, block, axis=0, zi=self._state[band])
            power = np.square(y).reshape(FRAMES_A_TICK, self.hop, -1).mean(axis=1)
            self._power[band, -FRAMES_A_TICK:] = power
        if self._ticks <= _FLOOR_EVERY or self._ticks % _FLOOR_EVERY == 0:
            seen = min(self._ticks * FRAMES_A_TICK, self._power.shape[1])
            self._floor = self._quiet(seen)

    def _quiet(self, seen: int) -> Array:
        """Quiet level (band, channel): the 20th percentile of the fast levels over two seconds."""
        out = np.empty((2, self._power.shape[2]))
        for band, rise in enumerate((BODY, CLICK)):
            sums = np.concatenate([np.zeros((1, out.shape[1])), np.cumsum(self._power[band, -seen:], axis=0)])
            fast = min(rise.fast, seen)
            out[band] = np.percentile((sums[fast:] - sums[:-fast])[::3] / fast, 20, axis=0)
        return np.maximum(out, 0.0)


def _first_rise(total: Array, rise: Rise) -> int | None:
    """Index of the first frame of the last tick at which the power ``total`` (quiet level 1) rises; None: nowhere."""
    n, fast = len(total), rise.fast
    k = np.arange(max(1, n - FRAMES_A_TICK - fast + 1), n - fast + 1)
    if not len(k):
        return None
    sums = np.concatenate([[0.0], np.cumsum(total)])
    level = (sums[k + fast] - sums[k]) / fast
    end = np.maximum(k - _GAP, 0)
    begin = np.maximum(end - _PAST, 0)
    past = np.where(end > begin, (sums[end] - sums[begin]) / np.maximum(end - begin, 1), 1.0)
    risen = (level > 10 ** (rise.past_db / 10) * past) & (level > 10 ** (rise.floor_db / 10))
    if rise.above_ring and risen.any():
        before = (sums[fast:] - sums[:-fast]) / fast  # of the fast frames from each index on
        ring = np.array([before[max(0, x - _BACK) : max(1, x - _GAP - fast + 1)].max() for x in k])
        risen &= level > 10 ** (_ABOVE_RING_DB / 10) * ring
    found = np.flatnonzero(risen)
    return int(k[found[0]]) if len(found) else None
