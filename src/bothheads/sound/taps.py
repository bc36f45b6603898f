"""A round of taps, one near each rod, the other head held: rod pitches, split, levels of every line at every tap.

Taps answer in modes that belong to the whole head: all of them share one set of frequencies and differ in levels only.
Rod pitch = the (1,1) pair's two frequencies weighted with their levels at the tap.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError, InputError
from ..records import Drum, HeadName, Tap, TapReading
from .tap_levels import with_levels
from .tap_lines import Lines, fit_lines
from .tap_onsets import Round, a_round, given, tap_onsets
from .tap_pair import FAMILIES, Pair, find_pair, rod_pitch

Array = NDArray[np.float64]

_LEAST_CENTS = 0.3  # floor of a bar: heads are not linear to better than this
_DISAGREES_CENTS = 6.0
_OWNED = 0.75  # share of a line that one tap holds, beyond which the line is that tap's alone
_MOSTLY = 0.35  # share of a tap's level in lines of its own, beyond which it disagrees
_DOUBLED = 0.15  # of the split: two taps in a row interfere line by line
_FAINTEST_DB = -60.0
_WORST_COST = 45.0  # of the template: good rounds come out at 3 to 20
_SLOW_TOP_HZ = 165.0  # (1,1) up to which all families of interest lie under 440 Hz
_CENTS = 1200.0 / log(2.0)


def read_taps(
    samples: Array, sample_rate_hz: int, *, rods: int, onsets_s: Sequence[float] | None = None,
    expected_hz: float | None = None, drum: Drum | None = None, head: HeadName = "batter",
) -> TapReading:
    """Rod pitches of one head from taps in ``samples`` (n,) or (n, channels), rods in order, one round or several.

    ``onsets_s`` where the taps are known; ``expected_hz`` about where (1,1) lies. ``TapReading.refused`` says why nothing
    was read: taps missing or too many, nothing that rings, no (1,1) pair to be told from the rest.

    Raises
    ------
    InputError, AudioError
        Impossible number of rods; samples that are empty or not finite.
    """
    if not 3 <= rods <= 24:
        raise InputError("a head has 3 to 24 rods: give their number.")
    x = _loudest_channel(np.asarray(samples, float))
    found = given(onsets_s, rods) if onsets_s is not None else a_round(*tap_onsets(x, sample_rate_hz), rods)
    if found.refused:
        return TapReading((), None, None, (), found.warnings, found.refused)
    read = _lines_and_pair(x, sample_rate_hz, found, expected_hz, drum, head)
    if isinstance(read, str):
        return TapReading((), None, None, (), found.warnings, read)
    return _answer(*read, found, rods)


def _loudest_channel(x: Array) -> Array:
    if x.ndim == 2:
        if not x.shape[1]:
            raise AudioError("this recording has no channel: record again.")
        x = x[:, int(np.argmax((x**2).sum(0)))]
    if not len(x):
        raise AudioError("this recording is empty: record a tap near each rod in order.")
    if not np.isfinite(x).all():
        raise AudioError("this recording holds samples that are not numbers: export it again.")
    return x


def _lines_and_pair(x: Array, sample_rate_hz: int, found: Round, expected_hz: float | None, drum: Drum | None,
                    head: HeadName) -> tuple[Lines, Pair, bool] | str:
    """Lines up to 440 Hz first; up to 1 kHz where (1,1) lies high or is not found below."""
    loading = None if drum is None else drum.air.density * drum.radius / drum.head(head).surface_density
    sd = 0.15
    if expected_hz is None and drum is not None:
        expected_hz, sd = _foretold(drum, head), 0.25
    tries = (False, True) if expected_hz is None else ((expected_hz * 1.3 > _SLOW_TOP_HZ,))
    best: tuple[Lines, Pair, bool] | None = None
    for fast in tries:
        lines = fit_lines(x, sample_rate_hz, found.onsets_s, until_s=found.until_s, fast=fast)
        if lines is None:
            continue
        lines, stood = with_levels(lines)
        pair = find_pair(lines, expected_hz=expected_hz, expected_sd=sd, loading=loading, stood=stood)
        if pair is not None and (best is None or _doubt(lines, pair) < _doubt(best[0], best[1]) - 1.0):
            best = lines, pair, stood
        if best is not None and float(best[0].frequency_hz[best[1].lines[0]]) < _SLOW_TOP_HZ and _doubt(*best[:2]) < 30.0:
            break
    if best is None:
        return "nothing rings in these taps: tap harder 28 mm inside the hoop, hold the other head, and let each ring a second."
    if best[1].cost > _WORST_COST:
        return "no (1,1) pair stands among what rings here: tap 28 mm inside the hoop, near each rod, with the other head held."
    rival = best[1].rival_hz
    if rival is not None:
        first = float(best[0].frequency_hz[best[1].lines[0]])
        return (f"the (1,1) pair could be at {first:.0f} or {rival:.0f} Hz: name the drum, so that its size decides, "
                "or tap again with the other head held.")
    return best


def _doubt(lines: Lines, pair: Pair) -> float:
    """Cost of the template and of what the lines leave unexplained below 30 dB."""
    return pair.cost + max(0.0, 2.0 * (30.0 - float(np.median(lines.explained_db))))


def _foretold(drum: Drum, head: HeadName) -> float | None:
    """(1,1) [Hz] of a head whose tension is known, in air: j_11 / (2 pi a) sqrt(T / (sigma + 2 rho a c_11))."""
    film = drum.head(head)
    if film.tension is None:
        return None
    j, c, _ = FAMILIES[1, 1]
    load = film.surface_density + 2.0 * drum.air.density * drum.radius * c
    return j / (2.0 * pi * drum.radius) * sqrt(film.tension / load)


def _answer(lines: Lines, pair: Pair, stood: bool, found: Round, rods: int) -> TapReading:
    f = lines.frequency_hz
    pitch, sd = rod_pitch(lines, pair.lines, stood=stood)
    low, high = float(f[pair.lines[0]]), float(f[pair.lines[-1]])
    sd[list(found.doubled)] += _DOUBLED * (high - low)
    alone = _alone(lines)
    warnings = [*found.warnings, *_disagreements(lines, alone, found)]
    if stood:
        warnings.append("the microphone stood in one place: levels at the rods are taken against each line's mean over the head")
    level = 20.0 * np.log10(np.maximum(lines.amplitude, 1e-30) / lines.amplitude.max(1, keepdims=True))
    taps = []
    for rod in range(1, rods + 1):
        mine = [i for i, r in enumerate(found.rods) if r == rod and not np.isfinite(alone[i])]
        if not mine:
            taps.append(Tap(rod, None, None, high - low, ()))
            continue
        weight = 1.0 / np.maximum(sd[mine], 1e-9) ** 2
        value = float(weight @ pitch[mine] / weight.sum())
        bar = max(sqrt(1.0 / float(weight.sum())), _scatter(pitch[mine]), _LEAST_CENTS / _CENTS * value)
        heard = level[mine].mean(0)
        heard = heard - heard.max()
        partials = tuple((float(f[k]), float(heard[k])) for k in range(len(f)) if heard[k] > _FAINTEST_DB)
        taps.append(Tap(rod, value, bar, high - low, partials))
    heard_hz = [t.rod_pitch_hz for t in taps if t.rod_pitch_hz is not None]
    families = tuple((float(f[v[0]]), float(f[v[-1]])) for name, v in pair.families.items() if name != (1, 1) and name[0])
    return TapReading(tuple(taps), _CENTS * log(max(heard_hz) / min(heard_hz)), (low, high), families, tuple(warnings))


def _scatter(values: Array) -> float:
    return 0.0 if len(values) < 2 else float(values.std(ddof=1) / sqrt(len(values)))


def _alone(lines: Lines) -> Array:
    """Cents (taps,) by which a tap's lines lie off the others' where most of its level is in lines that only it has, else NaN.

    Lines of one tap that lie beside everybody's: the head was in another state there.
    """
    level = lines.amplitude / np.maximum(lines.amplitude.sum(1, keepdims=True), 1e-30)
    held = level / np.maximum(level.sum(0), 1e-30)
    single = held.max(0) > _OWNED
    out = np.full(len(level), np.nan)
    if len(level) < 4 or single.all():
        return out
    shared = lines.frequency_hz[~single]
    for i, row in enumerate(level):
        mine = single & (held.argmax(0) == i)
        if row[mine].sum() > _MOSTLY:
            off = [_CENTS * log(f / shared[int(np.abs(np.log(f / shared)).argmin())]) for f in lines.frequency_hz[mine]]
            out[i] = float(np.median(off))
    return out


def _disagreements(lines: Lines, alone: Array, found: Round) -> list[str]:
    """Taps whose lines all lie off the shared ones: the head was not in the same state."""
    shift = lines.shift_cents - np.median(lines.shift_cents)
    bar = np.maximum(5.0 * lines.shift_sd_cents, _DISAGREES_CENTS)
    off = np.where(np.isfinite(alone), alone, np.where(np.abs(shift) > bar, shift, np.nan))
    return [f"the tap at rod {rod} lies {abs(s):.0f} cents {'above' if s > 0 else 'below'} the others: the other head was not "
            "held there, or a hand lay on the rim" for rod, s in zip(found.rods, off, strict=True) if np.isfinite(s)]
