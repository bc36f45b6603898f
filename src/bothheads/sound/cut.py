"""A strike whose recording ends while it still rings: said in a sentence, and the pitch still to fall taken into the note's bar.

A struck head falls to rest with its energy, as exp(-2 t / tau). What is cut off is not seen; how far the pitch fell from the
first to the second half of the ring that is there tells how far it would have fallen yet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..records import Note
from .note import UNSURE
from .residual import fisher, misfit
from .standing import Tail, near_lines, rest_of
from .varpro import JointFit
from .window import Window

Array = NDArray[np.float64]
RINGS_DB = 20.0  # what is still within this of the first 50 ms after the push is no end of a ring
_START_S, _BLOCK_S, _EDGE_S = 0.022, 0.05, 0.06
_AT_MOST = 0.75  # of the fall is kept from half to half: a piece of ring this short says no more
WORDS = ("the recording ends while the drum still rings, {db:.0f} dB under the strike: pitch and tail are extrapolated, so record "
         "again and let it ring out.")


def cut_at_db(samples: Array, sample_rate_hz: int, onset_s: float, end_s: float) -> float | None:
    """How far [dB] the level has fallen when the recording ends; None when the strike is heard out (or ends earlier)."""
    if end_s < len(samples) / sample_rate_hz - _EDGE_S or end_s - onset_s < _START_S + 2.0 * _BLOCK_S:
        return None
    first, last = (np.square(samples[int(t * sample_rate_hz) : int((t + _BLOCK_S) * sample_rate_hz)]).mean()
                   for t in (onset_s + _START_S, end_s - _BLOCK_S))
    if not last > 0.0:
        return None
    fallen = 10.0 * math.log10(first / last)
    return fallen if fallen < RINGS_DB else None


def still_falling(note: Note, tail: Tail | None) -> Note:
    """The note of a cut strike with the fall it has yet to make in its bar; refused where that is too much."""
    if note.frequency_hz is None or note.inferred or tail is None or tail.fit is None:
        return note
    left = _fall_left(tail, note.frequency_hz)
    sd = math.hypot(note.sd_hz or 0.0, left)
    if sd > UNSURE * note.frequency_hz:
        return Note(refused=f"the recording ends while the pitch near {note.frequency_hz:.0f} Hz still falls, so where it comes to "
                            "rest is not known: let the drum ring out.")
    return replace(note, sd_hz=sd)


def _fall_left(tail: Tail, frequency: float) -> float:
    """Standard deviation [Hz] of the fall from the second half of the tail to rest, of the partial about ``frequency``.

    The reading has foreseen some of it, none to all: uniform between both. 0 where noise hides any fall.
    """
    assert tail.fit is not None
    near = near_lines(tail, frequency)
    if not near.size:
        return 0.0
    rest = rest_of(tail, near)
    lines = [rest, *np.setdiff1d(np.arange(len(tail.fit.f)), near).tolist()]
    window = tail.fit.windows[0]
    middle = 0.5 * window.samples.shape[1] / window.rate_hz
    first, second = (_again(w, tail.fit, lines) for w in (_until(window, middle), window.later(middle)))
    if first is None or second is None:
        return 0.0
    fell = first[0] - second[0]
    fell = math.sqrt(max(fell**2 - first[1] ** 2 - second[1] ** 2, 0.0))
    kept = min(_AT_MOST, math.exp(-2.0 * middle * float(tail.fit.a[rest])))
    return fell * kept / (1.0 - kept) / math.sqrt(3.0)


def _again(window: Window, fit: JointFit, lines: Sequence[int]) -> tuple[float, float] | None:
    """(frequency, standard deviation) [Hz] of the first of ``lines`` in this window, the others beside it."""
    at = np.asarray(lines)
    try:
        found = JointFit([window], fit.f[at], fit.a[at], fit.clock).run(8, 1e-4)
    except np.linalg.LinAlgError:
        return None
    sd = float(fisher(found)[0][0] * misfit(found)[0])
    return (float(found.f[0]), sd) if math.isfinite(sd) else None


def _until(window: Window, seconds: float) -> Window:
    """The window's first ``seconds``."""
    k = int(seconds * window.rate_hz)
    return Window(window.rate_hz, window.start_s, window.samples[:, :k], window.nuisance[:, :k], window.weight[:k])
