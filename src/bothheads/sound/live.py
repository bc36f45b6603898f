"""A streaming reader: blocks in, strikes out, in constant memory, the work done away from the audio path."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError
from ..records import Drum, Reading
from .live_jobs import FADE_S, SEAM_S, AtOnce, Block, Piece, faded, look, pause_before, read_piece, rms_of
from .live_strikes import EARLY_S, ONE_RISE_S, SURE_S, Known, Strike
from .stream import Ring, Wake, checked_block
from .whiten import LowBand

RING_S = 0.6  # after which the first reading is made
SETTLED_S = 4.0  # after which it is refined, unless the next strike comes first
KEPT_S = 12.0  # of sound; nothing older is held
CONTEXT_S = 1.5  # looked through for strikes
_BETWEEN_LOOKS_S = 0.10
_LEAD_S, _PAUSE_S = 0.2, 2.0  # before the onset: shown and stored, and looked at for noise
_SHORTEST_PAUSE_S = 0.3
_GUARD_S = 0.012  # before the next strike


@dataclass(frozen=True)
class LiveEvent:
    """Something heard. ``at_s`` counts from the first sample fed; ``number`` says which strike, from 1.

    strike: heard, not read yet. first: its reading after 0.6 s of ring. refined: read again, as a recording is, when it has
    rung for 4 s or the next one has begun. ``final``: no better reading of this strike will come (so is ``first`` when the
    next strike came within 0.6 s). withdrawn: it was none after all. dropped: ``frames`` samples are missing before
    ``at_s``. restarted: the sender began to count anew.
    """

    kind: Literal["strike", "first", "refined", "withdrawn", "dropped", "restarted"]
    at_s: float
    number: int = 0
    peak_dbfs: tuple[float, ...] = ()
    reading: Reading | None = None
    final: bool = False
    onset: int = 0  # index of the sample
    window_end: int = 0  # index after the last sample that was read
    sound: Block | None = None  # what was played, (n, channels), from a fifth of a second before the onset
    frames: int = 0


class LiveReader:
    """Reads while the drum is played.

    Parameters
    ----------
    sample_rate_hz, channels
        8 to 192 kHz; a name for each channel.
    executor
        Where the work is done, at least two at a time; without one it is done within ``feed``, for callers with a thread of
        their own. With one, ``feed`` takes well under a millisecond for 20 ms of sound, and blocks must come at the pace
        of the sound.
    notify
        Called, from the executor's thread, when something is ready for ``events``.

    Not safe to be fed from two threads at once. Raises ``AudioError`` for an impossible rate or no channel.
    """

    def __init__(
        self, sample_rate_hz: int, channels: tuple[str, ...], *, drum: Drum | None = None,
        executor: Executor | None = None, notify: Callable[[], None] | None = None,
    ) -> None:
        if not 8000 <= sample_rate_hz <= 192000:
            raise AudioError(f"{sample_rate_hz} Hz is not a rate that is read: use 8 to 192 kHz.")
        if not channels or len(set(channels)) != len(channels):
            raise AudioError("every channel of the stream needs a name of its own: name one for each microphone.")
        self.sample_rate_hz, self.channels, self.drum = sample_rate_hz, tuple(channels), drum
        self._executor, self._notify = executor or AtOnce(), notify
        self._ring = Ring(self._samples(KEPT_S), len(channels))
        self._peaks = np.zeros(len(channels))
        self._known = Known(sample_rate_hz)
        self._events: list[LiveEvent] = []
        self._begin(0)

    def _begin(self, at: int, cut: bool = False) -> None:
        """Begin to listen at index ``at``, knowing nothing of what came before; ``cut``: something came, and may ring."""
        self._ring.clear(at)
        self._wake = Wake(self.sample_rate_hz, len(self.channels))
        self._low = LowBand(self.sample_rate_hz, len(self.channels), kept_s=KEPT_S)
        self._partly: list[NDArray[Any]] = []  # less than a tick
        self._waiting = 0
        self._looks: list[int] = []  # when to look
        self._looked = at - self._samples(_BETWEEN_LOOKS_S)
        self._known.strikes = []
        self._pause: Block | None = None
        self._since, self._cut = at, cut
        self._looking: Future[Any] | None = None
        self._refining: Future[Any] | None = None
        self._reading: list[tuple[Strike, Piece, int, bool, bool, Future[Any]]] = []

    def _samples(self, seconds: float) -> int:
        return round(seconds * self.sample_rate_hz)

    @property
    def position_s(self) -> float:
        """Length of what was fed so far [s]."""
        return (self._ring.end + self._waiting) / self.sample_rate_hz

    def peaks_dbfs(self) -> tuple[float, ...]:
        """Highest peak of each channel since this was last asked [dB, 0 = full scale, -200 at the least]."""
        out = 20 * np.log10(np.maximum(self._peaks, 1e-10))
        self._peaks[:] = 0.0
        return tuple(out.tolist())

    def restart(self) -> None:
        """Begin anew at index 0; what was not yet read is lost."""
        self._begin(0)

    def feed(self, block: NDArray[Any], *, frame: int | None = None) -> list[LiveEvent]:
        """Take the next samples (n, channels) or (n,), full scale 1; what is ready by now.

        ``frame``: the index of the first of them by the sender's own count. A count ahead of what came is a gap: told as
        ``dropped``, and nothing is read across it. A count behind it is a new beginning.

        Raises
        ------
        AudioError
            For another number of channels, or numbers that are not finite or not of full scale 1; nothing is taken in.
        """
        x = checked_block(block, len(self.channels))
        if frame is not None and frame != self._ring.end + self._waiting:
            self._jump(frame)
        if len(x):
            np.maximum(self._peaks, np.abs(x).max(axis=0), out=self._peaks)
        at = 0
        while at < len(x):
            n = min(self._wake.tick - self._waiting, len(x) - at)
            self._partly.append(x[at : at + n])
            self._waiting += n
            at += n
            if self._waiting == self._wake.tick:
                self._tick()
        return self.events()

    def events(self) -> list[LiveEvent]:
        """What has become ready since this was last asked."""
        self._collect()
        out, self._events = self._events, []
        return out

    def finish(self) -> list[LiveEvent]:
        """No more samples come: waits for the work and answers the last strikes with what there is."""
        if self._waiting:
            self._ring.add(np.concatenate(self._partly))
            self._partly, self._waiting = [], 0
        self._wait()
        self._look()
        self._wait()
        for strike in self._known.strikes:
            strike.sure = True
        self._first_readings(last=True)
        self._wait()
        while any(s.asked and not s.done for s in self._known.strikes):
            self._refine(last=True)
            self._wait()
        return self.events()

    def _jump(self, frame: int) -> None:
        end = self._ring.end + self._waiting
        kind: Literal["dropped", "restarted"] = "dropped" if frame > end else "restarted"
        self._collect()
        self._begin(frame, cut=kind == "dropped")
        self._events.append(LiveEvent(kind, frame / self.sample_rate_hz, frames=max(0, frame - end)))

    def _tick(self) -> None:
        """Every 20 ms of sound, at the same samples however the blocks are cut."""
        block = np.concatenate(self._partly) if len(self._partly) > 1 else self._partly[0]
        self._partly, self._waiting = [], 0
        rise = self._wake.feed(block, self._ring.end)
        self._ring.add(block)
        self._low.add(block)
        self._collect()
        if rise is not None:
            for after in (EARLY_S, SURE_S):
                due = rise + self._samples(after)
                if not any(abs(other - due) < self._samples(ONE_RISE_S) for other in self._looks):
                    self._looks.append(due)
        end = self._ring.end
        if self._looking is None and end - self._looked >= self._samples(_BETWEEN_LOOKS_S) and any(d <= end for d in self._looks):
            self._look()
        self._first_readings()
        self._refine()
        self._known.forget(end)

    def _submit(self, fn: Callable[..., Any], *args: Any) -> Future[Any]:
        future = self._executor.submit(fn, *args)
        if self._notify is not None:
            notify = self._notify
            future.add_done_callback(lambda _: notify())
        return future

    def _look(self) -> None:
        end = self._ring.end
        self._looks = [due for due in self._looks if due > end]
        begin = max(self._ring.begin, end - self._samples(CONTEXT_S))
        self._looked = end
        cut = self._cut or begin > self._since
        self._looking = self._submit(look, self._ring.cut(begin, end), self.sample_rate_hz, begin, cut, self._low.past)
        self._zone = (begin + (self._samples(FADE_S) if cut else 0), end)
        self._collect()

    def _wait(self) -> None:
        for future in (self._looking, *(job[-1] for job in self._reading)):
            if future is not None:
                future.result()
        self._collect()

    def _collect(self) -> None:
        """Take in what has been worked out."""
        if self._looking is not None and self._looking.done():
            found, self._looking = self._looking.result(), None
            new, gone = self._known.merge(found, *self._zone)
            self._events += [LiveEvent("strike", s.onset / self.sample_rate_hz, s.number, s.span.peak_dbfs, onset=s.onset)
                             for s in new]
            self._events += [LiveEvent("withdrawn", s.onset / self.sample_rate_hz, s.number) for s in gone]
        still = []
        for job in self._reading:
            strike, piece, end, first, final, future = job
            if not future.done():
                still.append(job)
                continue
            self._events.append(LiveEvent(
                "first" if first else "refined", strike.onset / self.sample_rate_hz, strike.number, strike.span.peak_dbfs,
                future.result(), final, strike.onset, end, piece.sound))
            if future is self._refining:
                self._refining = None
        self._reading = still

    def _first_readings(self, last: bool = False) -> None:
        end, ring = self._ring.end, self._samples(RING_S)
        for i, strike in enumerate(self._known.strikes):
            following = self._known.following(i)
            closed = following is not None and following.onset < strike.onset + ring
            if strike.asked or not strike.sure or (closed and following is not None and not following.sure):
                continue
            if closed or last or end >= strike.onset + ring:
                stop = following.onset - self._samples(_GUARD_S) if closed and following is not None else strike.onset + ring
                strike.asked, strike.done = True, closed
                self._ask(i, min(stop, end), first=True, final=closed)

    def _refine(self, last: bool = False) -> None:
        """One at a time, and only while no first reading is awaited or not yet handed out: a refined one takes several times
        as long, on the same core where there is but one."""
        if self._refining is not None or any(not s.asked for s in self._known.strikes) or (not last and self._first_owed()):
            return
        end, settled = self._ring.end, self._samples(SETTLED_S)
        for i, strike in enumerate(self._known.strikes):
            following = self._known.following(i)
            stop = strike.onset + settled
            if following is not None and following.onset < stop:
                stop = following.onset - self._samples(_GUARD_S)
            if strike.done or not (last or end >= stop):
                continue
            strike.done = True
            if self._ring.begin <= strike.onset - self._samples(SEAM_S):
                self._ask(i, min(stop, end), first=False, final=True)
                return

    def _first_owed(self) -> bool:
        """Whether a first reading is being made, or lies ready and was not yet handed out."""
        return any(first for _, _, _, first, _, _ in self._reading) or any(e.kind == "first" for e in self._events)

    def _ask(self, i: int, stop: int, *, first: bool, final: bool) -> None:
        strike = self._known.strikes[i]
        piece = self._piece(i, stop)
        future = self._submit(read_piece, piece, self.sample_rate_hz, self.channels, self.drum, strike.span, first)
        self._reading.append((strike, piece, stop, first, final, future))
        if not first:
            self._refining = future
        self._collect()

    def _piece(self, i: int, stop: int) -> Piece:
        """The strike with the noise before it, or with that of an earlier pause where a ring goes on before it."""
        strike, before = self._known.strikes[i], self._known.strikes[i - 1] if i else None
        onset, rate = strike.onset, self.sample_rate_hz
        seam, lead = self._samples(SEAM_S), self._samples(_LEAD_S)
        earliest = max(self._since, onset - self._samples(_PAUSE_S))
        known = rms_of(self._pause) if self._pause is not None and before is not None else None
        if before is not None:
            earliest = max(earliest, min(before.onset + self._samples(_LEAD_S), onset))
        quiet = pause_before(self._ring.cut(earliest, onset - seam), rate, known)
        if len(quiet) >= self._samples(_SHORTEST_PAUSE_S):
            self._pause = quiet
        elif self._pause is None:
            quiet = self._ring.cut(max(onset - lead, self._since), onset - seam)
        else:
            quiet = self._pause
        sound = self._ring.cut(max(onset - lead, self._since), stop)
        if before is not None:
            sound = faded(sound, rate, 0.6 * _LEAD_S)
        played = self._ring.cut(onset - seam, stop)
        return Piece(np.concatenate([quiet, played]), len(quiet) + min(seam, onset - self._since), onset, sound)
