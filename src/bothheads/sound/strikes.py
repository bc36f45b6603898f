"""Strikes in a running recording: where each begins, how loud, how the channels lag, and where it sinks into noise."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .delay import delays
from .ending import end_of
from .gate import NewEnergy, new_energy
from .onset import Bands, Trigger, first_sample, rises_slowly, split, steep_click_db, triggers

Array = NDArray[np.float64]

ONE_STRIKE_S = 0.035  # what comes nearer is one strike: a pedal's noise, a flam
_NEW_DB = 2.3  # energy that new partials must explain where nothing as loud rang before
_BEAT_DB = 7.5  # the same for a rise without a click below the ring before: two partials beat
_NEW_SHARE = 0.09  # of the energy after it; beats of a ring that is well fitted leave less unexplained
_TELLING_S = 0.10  # of ring tell partials 12 Hz apart from one another; after less, only a click tells a beat
_LATER_S = 0.03
_CLICK_DB, _BODY_DB = 8.5, 6.0  # rises that count as a click, and as a body speaking
_PLAIN_DB = 14.0  # no beat seen rises so far within the first 100 ms
_SUDDEN_DB = 40.0  # breath and cloth do not rise so far in 3 ms; a big soft drum whose heads beat may swell after it
_STEEP_DB = 6.0  # the click's rise behind a filter that no low partial passes
_QUIETEST = 10 ** (-100 / 20)  # full scale; what stays below is silence


@dataclass(frozen=True)
class StrikeSpan:
    """One strike. ``onset_s``: first audible sample (2 % of its peak) in the earliest channel; ``end_s``: where it
    sinks into the noise or the next strike begins; ``peak_dbfs``, ``delay_s`` (after the earliest): per channel."""

    onset_s: float
    end_s: float
    peak_dbfs: tuple[float, ...]
    delay_s: tuple[float, ...]


def find_strikes(samples: NDArray[Any], sample_rate_hz: int) -> tuple[StrikeSpan, ...]:
    """Strikes in ``samples`` (n,) or (n, channels), full scale 1, in order of time.

    Rises of energy in two bands are tried one by one; a rise counts when partials that begin there explain what the
    ring going on does not. Two strikes nearer than 35 ms are one.
    """
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    if len(x) < round(0.02 * sample_rate_hz) or not np.abs(x).max(initial=0.0) > _QUIETEST:
        return ()
    bands = split(x, float(sample_rate_hz))
    onsets = _confirmed(x, bands, sample_rate_hz)
    return tuple(_span(x, bands, sample_rate_hz, onset, following)
                 for onset, following in pairwise([*onsets, len(x)]))


def _confirmed(x: Array, bands: Bands, rate: int) -> list[int]:
    """Onsets [samples] of the triggers that are strikes."""
    tried = [t for t in triggers(bands, rate) if t.body_db > _SUDDEN_DB or not rises_slowly(bands, rate, t.at)]
    loud = [t.at for t in tried if t.click_db > _CLICK_DB or (t.body_db > 8.0 and t.fresh_db > 0.0)]
    onsets: list[int] = []
    for trigger in tried:
        before = onsets[-1] if onsets else 0
        near = bool(onsets) and trigger.at - before < round(ONE_STRIKE_S * rate)
        onset = first_sample(bands, rate, trigger.at, before + round(0.02 * rate) if near else before,
                             back_s=0.008 if trigger.click_db > _CLICK_DB else 0.020)
        after = next((at for at in loud if at > trigger.at + round(0.02 * rate)), len(x))
        if near and not _much_louder(bands, rate, before, onset):
            continue
        ring_from = onsets[-2] if near and len(onsets) > 1 else (0 if near else before)
        new = new_energy(bands.body, rate, onset, ring_from, after)
        if new.gain_db <= _NEW_DB and trigger.fresh_db >= 1.0 and trigger.body_db > 10.0:
            # a padded head speaks in more partials at once than the gate holds; a little later few are left
            new = new_energy(bands.body, rate, onset, ring_from, after, from_s=_LATER_S)
        unsure = bool(onsets) and not near and onset - before < round(_TELLING_S * rate)
        clicks = trigger.click_db > _CLICK_DB and steep_click_db(bands, rate, trigger.at) > _STEEP_DB
        if unsure and not clicks and trigger.body_db < _PLAIN_DB:
            continue
        if _is_strike(trigger, new):
            onsets = [*onsets[:-1], onset] if near else [*onsets, onset]
    return onsets


def _is_strike(trigger: Trigger, new: NewEnergy) -> bool:
    """Weigh what new partials explain against how the rise looks; the figures are those of ``bench/onsets.py``.

    What the ring before predicts is no strike, however it rises.
    In the quiet a rise needs new partials only. On a ring, a click (a second stroke, a pedal) must come with a body
    about as loud as the ring or with clearly new partials; without a click it is a beat of the ring.
    """
    if new.share < _NEW_SHARE:
        return False
    if trigger.fresh_db >= 1.0:
        clicks = trigger.click_db > _CLICK_DB
        return new.gain_db > (_NEW_DB if clicks or trigger.fresh_db > 3.0 else _NEW_DB + 1.0) and (
            clicks or trigger.body_db > _BODY_DB)
    if trigger.click_db > _CLICK_DB:
        return new.gain_db + 0.6 * (trigger.fresh_db + 6.0) > 2.65
    return new.gain_db > _BEAT_DB and trigger.body_db > 8.0


def _much_louder(bands: Bands, rate: int, earlier: int, later: int) -> bool:
    """Whether the later of two near rises is the strike and the earlier a noise before it (twice its body)."""
    first = np.abs(bands.body[earlier:later]).max(initial=0.0)
    second = np.abs(bands.body[later : later + round(0.05 * rate)]).max(initial=0.0)
    return bool(second > 2.5 * first) and later > earlier


def _span(x: Array, bands: Bands, rate: int, onset: int, following: int) -> StrikeSpan:
    peak = np.abs(x[onset : min(following, onset + rate // 2)]).max(axis=0)
    levels = tuple((20 * np.log10(np.maximum(peak, 1e-10))).tolist())
    return StrikeSpan(onset / rate, end_of(bands.body, rate, onset, following) / rate, levels,
                      delays(bands.click, rate, onset))
