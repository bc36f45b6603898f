"""A take in the making: strikes as they come, dropped and restored, averaged; nothing is stored until it is kept."""

from __future__ import annotations

import io
import threading
import wave
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import session
from ..errors import BothheadsError
from ..records import Drum, Reading
from .advice import Advice, advice, apart, clipped, pitch_of

MOST_STRIKES = 24


@dataclass
class Strike:
    """One strike of the take: its sound and its reading."""

    number: int
    wav: bytes
    reading: Reading
    dropped: bool = False


@dataclass
class Bench:
    """The unkept take of one drum. Lives in memory only; a reload of the page finds it again."""

    drum: Drum
    strikes: list[Strike] = field(default_factory=list)
    channels: tuple[str, ...] = ()
    lock: threading.Lock = field(default_factory=threading.Lock)

    def kept(self) -> list[Strike]:
        """Strikes that have not been dropped."""
        return [s for s in self.strikes if not s.dropped]

    def averaged(self) -> Reading | None:
        """The kept strikes as one reading."""
        readings = [s.reading for s in self.kept() if s.reading.partials]
        if not readings:
            return None
        if len(readings) == 1:
            return readings[0]
        try:
            return session.join_readings(readings, drum=self.drum)
        except BothheadsError:
            return readings[-1]

    def add(self, wav: bytes, reading: Reading) -> Strike:
        """One more strike; the oldest goes when there are too many."""
        with self.lock:
            number = self.strikes[-1].number + 1 if self.strikes else 1
            self.strikes.append(Strike(number, wav, reading))
            del self.strikes[:-MOST_STRIKES]
            return self.strikes[-1]

    def replace(self, number: int, wav: bytes, reading: Reading) -> None:
        """The same strike read again now that it has rung out."""
        with self.lock:
            for s in self.strikes:
                if s.number == number:
                    s.wav, s.reading = wav, reading

    def toggle(self, number: int) -> None:
        """Drop a strike, or take it back in."""
        with self.lock:
            for s in self.strikes:
                if s.number == number:
                    s.dropped = not s.dropped

    def advice(self) -> list[Advice]:
        """What to say now."""
        return advice([s.reading for s in self.kept()], self.averaged())

    def rows(self) -> list[dict[str, Any]]:
        """The strikes in words, for the list beside the ladder."""
        kept = self.kept()
        off = dict(zip((s.number for s in kept), apart([s.reading for s in kept]), strict=True))
        rows = []
        for s in self.strikes:
            pitch, far = pitch_of(s.reading), off.get(s.number)
            words = "no partial stands out" if pitch is None else f"{pitch:.1f} Hz"
            if far is not None:
                words += f", {abs(far):.0f} cents {'above' if far > 0 else 'below'} the others"
            if clipped(s.reading):
                words += ", clipped"
            rows.append({"number": s.number, "words": words, "dropped": s.dropped, "apart": far is not None})
        return rows


def wav_bytes(samples: NDArray[Any], sample_rate_hz: int) -> bytes:
    """Samples (n, channels), full scale 1, as a WAV of 24 bits."""
    whole = np.clip(np.round(np.asarray(samples, dtype=np.float64) * 8388608.0), -8388608, 8388607).astype("<i4")
    packed = np.ascontiguousarray(whole).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(3)
        file.setframerate(sample_rate_hz)
        file.writeframes(packed)
    return out.getvalue()


def wav_samples(data: bytes) -> NDArray[np.float64]:
    """Samples (n, channels) of a WAV of 24 bits as ``wav_bytes`` writes it."""
    with wave.open(io.BytesIO(data)) as file:
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3)
        channels = file.getnchannels()
    whole = np.zeros((len(raw), 4), np.uint8)
    whole[:, 1:] = raw
    return np.asarray(whole.view("<i4").reshape(-1, channels) / 2147483648.0, dtype=np.float64)
