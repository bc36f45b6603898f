"""Was the level ridden? A recorder's gain control changes every partial alike: one common gain explains what decays do not.

The gain of a fast compressor falls with the strike and comes back while the drum rings. Undoing D exp(-t/R) decibels must
then make the same partials explain the sound far better, in all partials at once; a drum's own curved decays differ
from partial to partial. Where the noise tells the gain (``floor_gain``) this is not asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..records import Note, Partial, Reading, StrikeReading
from .floor_gain import LEFT_DB
from .partials import fit_strike
from .strikes import StrikeSpan
from .varpro import JointFit
from .window import Window

Array = NDArray[np.float64]
RELEASES_S = (0.15, 0.4, 1.0)
DEPTHS_DB = (3.0, 8.0, 16.0)
LEAST_GAIN = 1.6  # cost of the plain fit over that with a common gain
_READ_OVER = 1.5  # nepers of a partial that its decay is read over
_LATE_S = 0.03  # the attack of the gain control is over
WORDS = ("the level was ridden by the recorder (gain control): tails are not to be trusted, so switch it off or use another "
         "recorder.")
SET_BACK = ("the level was ridden by the recorder (gain control): its noise tells the gain, and partials and decays are those "
            "at the gain of the pause before the first strike; decays are less sure. Switch gain control off where you can.")
WIDER = 0.5  # relative: standard deviation of a decay read from a ridden level


def common_gain(fit: JointFit) -> float:
    """Cost of ``fit`` (partials kept, refitted) over the least cost with a common gain undone, 1 = none helps.

    A gain that will not bring it to ``LEAST_GAIN`` is not followed to its end.
    """
    if len(fit.f) < 1:
        return 1.0
    windows = [w.later(_LATE_S) for w in fit.windows]
    plain = _cost(fit, windows)
    if plain is None:
        return 1.0
    costs = [c for depth in DEPTHS_DB for release in RELEASES_S
             if (c := _cost(fit, [undone(w, depth, release) for w in windows], plain / LEAST_GAIN)) is not None]
    return max(1.0, plain / min(costs)) if costs else 1.0


def undone(window: Window, depth_db: float, release_s: float) -> Window:
    """The window with a gain of -depth exp(-t / release) dB taken back; its weight keeps the noise as it was."""
    gain = 10.0 ** (depth_db * np.exp(-window.times / release_s) / 20.0)
    return Window(window.rate_hz, window.start_s, window.samples * gain, window.nuisance, window.weight / gain,
                  window.hum_hz, window.hum_sd)


def _cost(fit: JointFit, windows: list[Window], wanted: float = np.inf) -> float | None:
    try:
        return float(JointFit(windows, fit.f, fit.a, fit.clock).run(6, 1e-3, wanted).cost)
    except np.linalg.LinAlgError:
        return None


def is_ridden(samples: Array, sample_rate_hz: int, strikes: Sequence[StrikeReading], offset_s: float = 0.0) -> bool:
    """Whether a common gain explains one of the first two strikes of samples (n, channels) far better than decays do."""
    for strike in strikes[:2]:
        if strike.end_s is None:
            continue
        found = fit_strike(samples, sample_rate_hz, strike.onset_s - offset_s, strike.end_s - offset_s)
        if found is not None and common_gain(found.fit) > LEAST_GAIN:
            return True
    return False


def distrusted(reading: Reading, sized: bool) -> Reading:
    """The reading of a ridden level: decays with wide bars, a warning, and no note where the drum's size is not known.

    The gain lifts what rings on over what was loud, so levels and tails, two of the note's signs, are not the drum's.
    """
    partials = tuple(_wider(p) for p in reading.partials)
    note = replace(reading.note, decay_s=None, t60_s=None)
    if not sized and note.frequency_hz is not None:
        note = Note(refused="the level was ridden by the recorder, which hides what tells the note: name the drum so that its "
                            "size decides, or switch gain control off.")
    return replace(reading, partials=partials, note=note, warnings=(*reading.warnings, WORDS))


def spans_of(reading: Reading, offset_s: float = 0.0) -> tuple[StrikeSpan, ...]:
    """The strikes of a reading as found, ``offset_s`` taken off: the samples read again keep their strikes and peaks."""
    return tuple(
        StrikeSpan(s.onset_s - offset_s, s.end_s - offset_s, tuple(-np.inf if p is None else p for p in s.peak_dbfs), s.delay_s)
        for s in reading.strikes if s.end_s is not None
    )


def set_back(reading: Reading) -> Reading:
    """The reading of samples put back to one gain: decays with the bar of the gain read off the noise, a warning."""
    left = LEFT_DB * np.log(10.0) / 20.0 / _READ_OVER
    return replace(reading, partials=tuple(_wider(p, left) for p in reading.partials), warnings=(*reading.warnings, SET_BACK))


def _wider(p: Partial, relative: float = WIDER) -> Partial:
    return replace(p, decay_sd_s=float(np.hypot(p.decay_sd_s or 0.0, relative * p.decay_s)))
