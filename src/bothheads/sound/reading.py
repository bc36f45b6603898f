"""The whole chain: samples -> strikes -> partials -> note, levels, glide, what is left, warnings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..constants import ONSET_TO_LEVEL
from ..records import Drum, Note, Reading, StrikeReading
from .decimate import divisor
from .gather import Found, joined, partials_of
from .growing import quality
from .late import over_starts, tail_moves
from .noise import Floor, cut_windows, floor_of, is_fast
from .partials import REST_S, StrikeFit, explained, fit_beside_hum, over_windows
from .remainder import explained_late_db, remainder
from .residual import envelope, fisher, misfit
from .varpro import JointFit
from .warp import ExponentialWarp
from .whole import amplitudes, of_channels, read_take, strongest_channels
from .window import Window

Array = NDArray[np.float64]
MOST_STRIKES = 12  # of a take, read in one fit
FEW_STRIKES = 2  # too few to see them scatter
NOTHING_HEARD = "no strike was found in this recording"
NOTHING_CREDIBLE = "no partial stands clear of the noise"


class Span(Protocol):
    """A strike as found: seconds from the first sample."""

    @property
    def onset_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...
    @property
    def peak_dbfs(self) -> tuple[float, ...]: ...
    @property
    def delay_s(self) -> tuple[float, ...]: ...


def read_samples(
    samples: NDArray[Any], sample_rate_hz: int, *, channels: tuple[str, ...] = (), drum: Drum | None = None,
    quick: bool = False, offset_s: float = 0.0, spans: Sequence[Span] | None = None,
) -> Reading:
    """Read the strikes in ``samples`` (n,) or (n, channels), full scale 1.

    ``quick``: the first reading (one warp for all partials, each strike alone); else all strikes in one fit with the
    heads' own tension histories. ``offset_s`` is added to every time; ``spans``: strikes already found. A recording
    without a strike or a credible partial comes back with no partials and the note refused. Never raises on sound.
    """
    from .strikes import find_strikes

    x = _two_dimensional(samples)
    names = channels if len(channels) == x.shape[1] else tuple(f"ch{i + 1}" for i in range(x.shape[1]))
    warnings = _warnings(x, drum)
    if spans is None:
        spans = find_strikes(x, sample_rate_hz) if len(x) > 64 and np.abs(x).max(initial=0.0) > 0 else ()
    if not spans:
        return Reading(sample_rate_hz, names, (), (), Note(refused=NOTHING_HEARD), warnings)
    found = read_spans(x, sample_rate_hz, spans, quick=quick)
    if found is None or not len(found.frequency_hz):
        strikes = tuple(_strike(s, offset_s, None, ()) for s in spans)
        return Reading(sample_rate_hz, names, strikes, (), Note(refused=NOTHING_CREDIBLE), warnings, settled=False)
    if not quick and len(spans) > MOST_STRIKES:
        warnings += (f"{len(spans)} strikes were found; partials are those of the {MOST_STRIKES} that ring longest and "
                     "loudest: use --from and --to to read others.",)
    reading = _assemble(found, spans, sample_rate_hz, names, drum, offset_s, warnings)
    return reading if quick else _stands(reading, x, spans, drum)


def read_spans(x: Array, sample_rate_hz: int, spans: Sequence[Span], *, quick: bool) -> Found | None:
    """Partials of the strikes ``spans`` in x (n, channels); None when none is credible."""
    limits = [(s.onset_s, min(s.end_s, t.onset_s - 0.012)) for s, t in pairwise(spans)]
    limits.append((spans[-1].onset_s, spans[-1].end_s))
    step = divisor(sample_rate_hz, any(is_fast(x, sample_rate_hz, a, b) for a, b in limits[:8]))
    floor = floor_of(x, sample_rate_hz, limits, step)
    if not quick:
        plain = _plain(x, sample_rate_hz, limits[0], floor, step) if len(spans) == 1 and floor.measured else None
        if plain is not None:
            return plain
        chosen = best_strikes(spans, MOST_STRIKES)
        windows, which, unit = cut_windows(x, sample_rate_hz, [limits[i] for i in chosen], floor, step)
        which = [chosen[i] for i in which]
        found = read_take(windows, which, len(spans), unit, floor, sample_rate_hz, step) if windows else None
        if found is not None:
            return found
    return _each_alone(x, sample_rate_hz, limits, floor, step, quick)


def best_strikes(spans: Sequence[Span], most: int) -> list[int]:
    """Indices, in order of time, of the ``most`` strikes that tell most of the partials: what a strike tells of a frequency
    goes with its power and the cube of the time it rings undisturbed (at most 1.5 s)."""
    told = [3.0 * np.log(min(max(s.end_s - s.onset_s, 1e-3), 1.5)) + max(s.peak_dbfs) * np.log(10.0) / 10.0 for s in spans]
    return sorted(sorted(range(len(spans)), key=lambda i: -told[i])[:most])


_NOISE_ONLY, _NOISE_AT_MOST = 0.05, 0.3  # log of residual over the noise of the pause, in the mean and anywhere


def _plain(x: Array, sample_rate_hz: int, limit: tuple[float, float], floor: Floor, step: int) -> Found | None:
    """One strike by the plain fit, where that leaves nothing but noise: then a freer clock would only make it less sure."""
    windows, _, unit = cut_windows(x, sample_rate_hz, [limit], floor, step, longest_s=1.5, rest_s=REST_S)
    if not windows:
        return None
    fit = _fitted(windows[0], unit, floor)
    if fit is None or not _noise_only(fit):
        return None
    out = joined([_found(fit, windows[0], unit, sample_rate_hz, step, floor, _with_moves)])
    return out if len(out.frequency_hz) else None


def _noise_only(fit: JointFit) -> bool:
    """Whether nothing but noise is left, at no time: a short pause tells its level to some 4 %, a tenth of a second less."""
    worst = max(float(np.log(envelope(p.residual / w.weight, w.rate_hz)).max())
                for w, p in zip(fit.windows, fit.state.parts, strict=True))
    return quality(fit) < _NOISE_ONLY and worst < _NOISE_AT_MOST


def _each_alone(
    x: Array, sample_rate_hz: int, limits: Sequence[tuple[float, float]], floor: Floor, step: int, quick: bool
) -> Found | None:
    fits = []
    for span in limits:
        windows, _, unit = cut_windows(x, sample_rate_hz, [span], floor, step, longest_s=1.5, rest_s=REST_S)
        fits.append(_one(windows[0], unit, sample_rate_hz, step, quick, floor) if windows else _nothing(x.shape[1]))
    out = joined(fits)
    return out if len(out.frequency_hz) else None


def _nothing(channels: int) -> Found:
    none = np.zeros(0)
    return Found(none, none, none, none, np.zeros((1, channels, 0)), np.zeros((1, channels, 0), bool), (None,), None)


def _one(
    window: Window, unit: Array, sample_rate_hz: int, step: int, quick: bool, floor: Floor
) -> Found:
    fit = _fitted(window, unit, floor)
    if fit is None:
        return _nothing(window.samples.shape[0])
    return _found(fit, window, unit, sample_rate_hz, step, floor, _as_it_is if quick else _with_windows)


def _fitted(window: Window, unit: Array, floor: Floor) -> JointFit | None:
    channels = strongest_channels([window])
    return fit_beside_hum([of_channels(window, channels)], floor, unit, channels=channels)


def _as_it_is(found: StrikeFit, fit: JointFit) -> StrikeFit:
    return found


def _with_windows(found: StrikeFit, fit: JointFit) -> StrikeFit:
    return over_windows(found, fit.windows)


def _with_moves(found: StrikeFit, fit: JointFit) -> StrikeFit:
    late_f, late_a = over_starts(fit)
    return replace(found, frequency_sd_hz=np.hypot(np.hypot(found.frequency_sd_hz, late_f), tail_moves(fit)),
                   rate_sd=np.hypot(found.rate_sd, late_a))


def _found(
    fit: JointFit, window: Window, unit: Array, sample_rate_hz: int, step: int, floor: Floor,
    with_bars: Callable[[StrikeFit, JointFit], StrikeFit],
) -> Found:
    sf, sa = fisher(fit)
    mis = misfit(fit)
    clock = fit.clock
    g = clock.glide * float(np.exp(-clock.rate * ONSET_TO_LEVEL)) if isinstance(clock, ExponentialWarp) else 0.0
    found = with_bars(StrikeFit(fit.f, sf * mis, fit.a, sa * mis, np.abs(fit.state.parts[0].amplitudes), g, 0.0,
                                explained(fit), fit, unit), fit)
    amplitude, heard = amplitudes(fit, [window], unit, sample_rate_hz, step)
    credible = (found.frequency_sd_hz < 0.6) & heard.any(axis=(0, 1))
    level = amplitude[0].max(0) * np.exp(-fit.a * ONSET_TO_LEVEL)
    credible &= level > 10 ** (-40 / 20) * level.max()
    k = np.nonzero(credible)[0]
    return Found(found.frequency_hz[k], found.frequency_sd_hz[k], found.rate[k], found.rate_sd[k], amplitude[:, :, k],
                 heard[:, :, k], (float(1200.0 * np.log2(1.0 + g)),), found.explained_db, found.settled,
                 (found.reason,) if found.reason else (), (), remainder(fit, floor.measured), (), explained_late_db(fit))


LITTLE_DB = 4.0  # of the ring from 150 ms on: real notes leave a twentieth of the energy or less unexplained
NO_RING = ("what rings on is not explained by steady partials and moves with the window, so no note is claimed: "
           "strike softer, or take muffling off.")


def _assemble(found: Found, spans: Sequence[Span], sample_rate_hz: int, names: tuple[str, ...], drum: Drum | None,
              offset_s: float, warnings: tuple[str, ...]) -> Reading:
    from .note import note_of_drum

    partials = partials_of(found)
    if not partials:
        strikes = tuple(_strike(s, offset_s, None, ()) for s in spans)
        return Reading(sample_rate_hz, names, strikes, (), Note(refused=NOTHING_CREDIBLE), warnings, settled=False)
    note = note_of_drum(partials, drum=drum, channels=names)
    if not found.settled and (found.explained_late_db or 0.0) < LITTLE_DB:
        note = Note(refused=NO_RING)
    strikes = tuple(_strike(s, offset_s, found.glide_cents[i], partials_of(found, [i])) for i, s in enumerate(spans))
    reasons = tuple(f"not settled: {r}" for r in found.reasons)
    return Reading(sample_rate_hz, names, strikes, partials, note, warnings + found.warnings + reasons,
                   found.explained_db, found.remainder, found.settled, found.explained_late_db)


def _stands(reading: Reading, x: Array, spans: Sequence[Span], drum: Drum | None) -> Reading:
    """The reading with its note held against the late ring of the strike that tells most; a cut ring is said."""
    from .cut import WORDS, cut_at_db, still_falling
    from .standing import beside_unsettled, judged, tail_of

    told = spans[best_strikes(spans, 1)[0]]
    tail = tail_of(x, reading.sample_rate_hz, told.onset_s, told.end_s)
    note, rings = judged(reading.note, tail, single=len(spans) <= FEW_STRIKES, sized=drum is not None,
                         settled=reading.settled)
    if not reading.settled and drum is None:
        note = beside_unsettled(note, reading.partials)
    fallen = cut_at_db(x, reading.sample_rate_hz, told.onset_s, told.end_s)
    warnings = reading.warnings
    if fallen is not None and rings:
        note, warnings = still_falling(note, tail), (*warnings, WORDS.format(db=fallen))
    return replace(reading, note=note, settled=reading.settled and rings, warnings=warnings)


def _strike(span: Span, offset_s: float, glide: float | None, partials: tuple[Any, ...]) -> StrikeReading:
    return StrikeReading(span.onset_s + offset_s, tuple(span.peak_dbfs), glide, partials, span.end_s + offset_s,
                         tuple(span.delay_s))


def _two_dimensional(samples: NDArray[Any]) -> Array:
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    clean: Array = np.nan_to_num(x, nan=0.0, posinf=0.0, neginf=0.0)
    return clean


def _warnings(x: Array, drum: Drum | None) -> tuple[str, ...]:
    out = []
    if drum is not None and drum.wires_on:
        out.append("snare wires are on: they answer every strike, so decays and weak partials cannot be trusted.")
    return tuple(out)
