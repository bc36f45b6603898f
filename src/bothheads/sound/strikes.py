"""Strikes in a running recording: where each begins, how loud, how the channels lag, and where it sinks into noise."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .arrival import click_delays, first_audible
from .ending import end_of
from .gate import new_energy, told
from .glance import glances
from .onset import Candidate, candidates
from .verdict import log_odds
from .whiten import Streams, streams

Array = NDArray[np.float64]

ONE_STRIKE_S = 0.035  # what comes nearer is one strike: a pedal's noise, a flam
LEAST_GLANCE = -3.0  # natural logarithm of the odds: of strikes the verdict finds, a glance rules out one in ten thousand
LEAST_ODDS = 1.0  # natural logarithm: what is less likely is no strike; fewer than one in a hundred found is then false
_LOUDER = 2.5  # by so much the later of two near rises is the strike and the earlier a noise before it
_FAINT, _SINCE_S = 10 ** (-46 / 20), 2.5  # of the loudest so long before: so faint is a noise of the drum coming to rest
_QUIETEST = 10 ** (-100 / 20)  # full scale; what stays below is silence


@dataclass(frozen=True)
class StrikeSpan:
    """One strike. ``onset_s``: first audible sample (2 % of its peak) in the earliest channel; ``end_s``: where it
    sinks into the noise or the next strike begins; ``peak_dbfs``, ``delay_s`` (after the earliest): per channel."""

    onset_s: float
    end_s: float
    peak_dbfs: tuple[float, ...]
    delay_s: tuple[float, ...]


def find_strikes(
    samples: NDArray[Any], sample_rate_hz: int, *, untold_s: float = 0.0, past: Array | None = None
) -> tuple[StrikeSpan, ...]:
    """Strikes in ``samples`` (n,) or (n, channels), full scale 1, in order of time.

    Everything new in two bands is a candidate; how likely it is a strike is weighed from what partials that begin there
    explain beyond the ring going on, and from how the sound around it looks. Two strikes nearer than 35 ms are one.
    Of a piece of a stream: ``untold_s`` of the beginning [s] was faded in and tells nothing of the quiet, and ``past`` is
    what ``whiten.LowBand`` kept.
    """
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    if len(x) < round(0.02 * sample_rate_hz) or not np.abs(x).max(initial=0.0) > _QUIETEST:
        return ()
    heard = streams(x, float(sample_rate_hz), untold_s=untold_s, past=past)
    onsets = _onsets(heard)
    return tuple(_span(x, heard, onset, following) for onset, following in pairwise([*onsets, len(x)]))


def weighed(heard: Streams, *, least: float = LEAST_GLANCE) -> tuple[list[Candidate], Array]:
    """Candidates that a glance gives log odds of ``least``, and what the verdict weighs of them (n, k)."""
    found, power = candidates(heard)
    seen = glances(found, power)
    strong = np.array([c.at_s for c in found if c.strong])
    kept, rows = [], []
    for i in np.flatnonzero(log_odds(seen, "glance") > least if least > -np.inf else np.ones(len(found))).tolist():
        c = found[i]
        earlier, later = strong[strong < c.at_s - 0.02], strong[strong > c.at_s + 0.02]
        new = new_energy(heard.ring[list(c.ears)], heard.low_rate_hz, c.at_s, float(earlier.max(initial=0.0)),
                         float(later.min(initial=np.inf)))
        kept.append(c)
        rows.append(np.concatenate([seen[i], told(new)]))
    return kept, np.array(rows)


def _onsets(heard: Streams) -> list[int]:
    """First audible samples of the candidates that are strikes, one each."""
    found, evidence = weighed(heard)
    rate = heard.sample_rate_hz
    onsets: list[int] = []
    for c, odds in zip(found, log_odds(evidence, "verdict").tolist(), strict=True):
        if odds <= LEAST_ODDS or _is_faint(heard, c.at_s):
            continue
        before = onsets[-1] if onsets else -heard.samples.shape[1]
        near = c.at_s * rate - before < ONE_STRIKE_S * rate
        onset = round(rate * first_audible(heard, c.at_s, max(0.0, before / rate + (0.012 if near else 0.02))))
        if near and not _much_louder(heard, before, onset):
            continue
        onsets = [*onsets[:-1], onset] if near else [*onsets, onset]
    return onsets


def _is_faint(heard: Streams, at_s: float) -> bool:
    """Whether what begins at ``at_s`` is lost beside what was struck in the 2.5 s before."""
    since, at, until = (max(0, round((at_s + t) * heard.low_rate_hz)) for t in (-_SINCE_S, -0.003, 0.05))
    before = np.abs(heard.ring[:, since:at]).max(initial=0.0)
    return bool(np.abs(heard.ring[:, at:until]).max(initial=0.0) < _FAINT * before)


def _much_louder(heard: Streams, earlier: int, later: int) -> bool:
    """Whether the later of two near rises is the strike and the earlier a noise before it."""
    a, b, c = (round(k * heard.low_rate_hz / heard.sample_rate_hz) for k in (earlier, later, later + 0.05 * heard.sample_rate_hz))
    first = np.abs(heard.low[:, a:b]).max(initial=0.0)
    second = np.abs(heard.low[:, b:c]).max(initial=0.0)
    return bool(second > _LOUDER * first) and later > earlier


def _span(x: Array, heard: Streams, onset: int, following: int) -> StrikeSpan:
    rate, slow = heard.sample_rate_hz, heard.low_rate_hz
    peak = np.abs(x[onset : min(following, onset + round(rate / 2))]).max(axis=0)
    levels = tuple((20 * np.log10(np.maximum(peak, 1e-10))).tolist())
    last = following == len(x)
    low = heard.low.T
    end = end_of(low, slow, int(onset * slow / rate), len(low) if last else int(following * slow / rate)) / slow
    return StrikeSpan(onset / rate, min(end, following / rate), levels, click_delays(heard, onset))
