"""What a streaming reader works out away from the audio path: pure functions of copied sound."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import BothheadsError
from ..records import Drum, Note, Reading
from .reading import NOTHING_CREDIBLE, read_samples
from .recording import checked
from .strikes import ONE_STRIKE_S, StrikeSpan, find_strikes

Array = NDArray[np.float64]
Block = NDArray[np.float32]

FADE_S = 0.3  # at the beginning of a cut: a ring that is cut into would begin like a strike
SEAM_S = 0.004  # before the onset; nothing earlier is read with the strike


class AtOnce(Executor):
    """Does the work when it is handed in: for files, tests, and callers with a thread of their own."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


@dataclass(frozen=True)
class Piece:
    """One strike cut out of a stream. ``onset``: index in ``samples`` (n, channels), before it a pause, the noise that the
    strike is measured against; ``first``: index of ``samples[onset]`` in the stream; ``sound``: as it was played."""

    samples: Block
    onset: int
    first: int
    sound: Block


def faded(samples: Block, sample_rate_hz: int, fade_s: float = FADE_S) -> Block:
    """``samples`` (n, channels) faded in over ``fade_s`` by a raised cosine."""
    n = min(len(samples), round(fade_s * sample_rate_hz))
    out = samples.copy()
    out[:n] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(n) / max(n, 1)))[:, None].astype(np.float32)
    return out


def look(samples: Block, sample_rate_hz: int, begin: int, cut: bool, past: Array) -> list[tuple[int, StrikeSpan]]:
    """(index in the stream, span) of the strikes in ``samples``, which begin at index ``begin``; ``cut``: sound came before
    them, so they are faded in and nothing that begins within the fade counts; ``past``: of the low band, that tells the quiet."""
    x = faded(samples, sample_rate_hz) if cut else samples
    try:
        spans = find_strikes(x, sample_rate_hz, untold_s=FADE_S if cut else 0.0, past=past)
    except np.linalg.LinAlgError:
        return []
    least = FADE_S if cut else 0.0
    return [(begin + round(s.onset_s * sample_rate_hz), s) for s in spans if s.onset_s >= least]


def read_piece(
    piece: Piece, sample_rate_hz: int, channels: tuple[str, ...], drum: Drum | None, span: StrikeSpan, quick: bool
) -> Reading:
    """The reading of one strike; never raises on sound."""
    alone = replace(span, onset_s=piece.onset / sample_rate_hz, end_s=len(piece.samples) / sample_rate_hz)
    offset_s = (piece.first - piece.onset) / sample_rate_hz
    try:
        if not quick:  # it may have sunk into the noise by now, as it is told of a recording
            near = [s for s in find_strikes(piece.samples, sample_rate_hz) if abs(s.onset_s - alone.onset_s) < ONE_STRIKE_S]
            alone = replace(alone, end_s=near[-1].end_s) if near else alone
        reading = read_samples(piece.samples, sample_rate_hz, channels=channels, drum=drum, quick=quick, offset_s=offset_s,
                               spans=(alone,))
    except np.linalg.LinAlgError:
        return Reading(sample_rate_hz, channels, (), (), Note(refused=NOTHING_CREDIBLE))
    return replace(reading, warnings=(*_clipping(piece.sound, sample_rate_hz), *reading.warnings))


def _clipping(sound: Block, sample_rate_hz: int) -> tuple[str, ...]:
    try:
        return checked(np.asarray(sound, float), sample_rate_hz, "the stream", ()).warnings
    except BothheadsError:
        return ()


def pause_before(samples: Block, sample_rate_hz: int, known_rms: float | None) -> Block:
    """The even noise at the end of ``samples`` (n, channels), as far back as it goes; empty where something rings.

    In blocks of 50 ms, the mean over channels of their rms (of sample triples, which leaves hiss out): even is within a
    factor of 1.6 of the quietest, and within 2 of ``known_rms``, that of a pause known before.
    """
    block = round(0.05 * sample_rate_hz)
    usable = samples[: max(0, len(samples) - round(0.01 * sample_rate_hz))]
    count = len(usable) // block
    if not count:
        return usable[:0]
    rms = np.array([rms_of(usable[len(usable) - (i + 1) * block : len(usable) - i * block]) for i in range(count)])
    top = 1.6 * np.minimum.accumulate(rms)
    if known_rms is not None:
        top = np.minimum(top, 2.0 * known_rms + 1e-9)
    loud = np.flatnonzero(rms > top + 1e-9)
    even = int(loud[0]) if len(loud) else count
    return usable[len(usable) - even * block :].copy() if even else usable[:0]


def rms_of(samples: Block) -> float:
    """Rms of the sums of neighbouring triples of samples (n, channels) over 3, drift left out."""
    n = len(samples) // 3 * 3
    if not n:
        return 0.0
    smooth = samples[:n].reshape(-1, 3, samples.shape[1]).mean(axis=1, dtype=np.float64)
    return float(np.sqrt(np.square(smooth - smooth.mean(axis=0)).mean()))
