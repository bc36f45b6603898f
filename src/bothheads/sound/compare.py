"""Two recordings compared fairly: equally loud in the first 50 ms, aligned, and what differs in numbers and words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records import Comparison, Difference, Partial, Reading
from ..units import cents
from .levels import band_levels_db, octave_bands, strike_level_db

Array = NDArray[np.float64]

CEILING_DB = -1.0  # peak of the louder of the matched pair, dB re full scale
BEFORE_S = 0.05  # kept before the first strike
_SAME_CENTS = 120.0  # partials further apart are not compared
_BAND_SD_DB = 1.0  # repeatability of one band of one strike by hand, common practice
_BRIGHT_SD_DB = 0.7


def compare_takes(
    a: NDArray[Any], rate_a: int, b: NDArray[Any], rate_b: int, *, reading_a: Reading, reading_b: Reading
) -> tuple[Comparison, Array, Array]:
    """What B has more or less than A, and the matched pair to listen to.

    Parameters
    ----------
    a, b : (n,) or (n, channels), full scale 1
    reading_a, reading_b : what was read from them; their first strikes are laid over one another

    Returns
    -------
    comparison : differences are b - a; ``gain_db`` is what B gets, ``delay_ms`` > 0 = B's strike comes later in its file
    sound_a, sound_b : (n, channels) at ``rate_a``, from 50 ms before the strike, equally loud by the RMS of the first
        50 ms, peak of the louder one at -1 dBFS
    """
    x, y = _columns(a), _resampled(_columns(b), rate_b, rate_a)
    onset_a, onset_b = _onset(reading_a), _onset(reading_b)
    level_a, level_b = strike_level_db(x, rate_a, onset_a), strike_level_db(y, rate_a, onset_b)
    gain_db = level_a - level_b
    shift = onset_b - onset_a + _fine_delay(x, y, rate_a, onset_a, onset_b)
    sound_a, sound_b = _matched(x, y * 10 ** (gain_db / 20), rate_a, onset_a, shift)
    warnings = _warnings(a, b, rate_a, rate_b, reading_a, reading_b)
    differences = _differences(sound_a, sound_b, rate_a, reading_a, reading_b)
    table = _partials(reading_a.partials, reading_b.partials)
    answer = Comparison(gain_db, 1e3 * shift, differences, table, warnings, _words(differences, gain_db))
    ceiling = 10 ** (CEILING_DB / 20) / max(float(np.abs(sound_a).max(initial=0.0)), float(np.abs(sound_b).max(initial=0.0)),
                                            1e-12)
    return answer, sound_a * ceiling, sound_b * ceiling


def _columns(samples: NDArray[Any]) -> Array:
    x = np.asarray(samples, float)
    return x[:, None] if x.ndim == 1 else x


def _resampled(x: Array, rate: int, wanted: int) -> Array:
    if rate == wanted:
        return x
    import soxr

    return np.asarray(soxr.resample(x, rate, wanted, quality="VHQ"), float)


def _onset(reading: Reading) -> float:
    return reading.strikes[0].onset_s if reading.strikes else 0.0


def _fine_delay(x: Array, y: Array, rate: int, onset_a: float, onset_b: float) -> float:
    """Delay [s] of B's strike beyond the difference of the onsets, within 2 ms, from the clicks' correlation.

    The second look cuts B where the first one found it, so that the cut itself does not draw the answer to zero.
    """
    found = 0.0
    for _ in range(3):
        more = _lag(_click(x, rate, onset_a), _click(y, rate, onset_b + found), rate)
        if more is None:
            return 0.0  # the strikes are too unlike to be laid over one another by their waves
        found += more
    return found if abs(found) < 0.002 else 0.0


def _click(samples: Array, rate: int, onset: float) -> NDArray[np.complex128]:
    """Spectrum of the 20 ms around an onset [s], all channels together, above 100 Hz, faded at both ends, cut between
    samples by a phase ramp."""
    size = 1 << int(np.ceil(np.log2(0.064 * rate)))
    start = (onset - 0.004) * rate
    first, length = math.floor(start), round(0.024 * rate)
    piece = np.zeros(size)
    lo, hi = max(first, 0), min(first + length, len(samples))
    if hi > lo:
        piece[lo - first : hi - first] = samples[lo:hi].sum(axis=1)
    fade = round(0.012 * rate)
    piece[length - fade : length] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    f = np.fft.rfftfreq(size, 1.0 / rate)
    spectrum = np.fft.rfft(piece) * np.clip((f - 100.0) / 200.0, 0.0, 1.0)
    return np.asarray(spectrum * np.exp(2j * np.pi * f * (start - first) / rate))


def _lag(a: NDArray[np.complex128], b: NDArray[np.complex128], rate: int, finer: int = 8) -> float | None:
    """Lag [s] of b behind a within 2 ms by parabola on the correlation; None when they correlate less than 0.6."""
    half = len(a) - 1
    size = 2 * half * finer
    correlation = np.fft.irfft(np.concatenate([b * np.conj(a), np.zeros((finer - 1) * half)]), size)
    reach = round(0.002 * rate * finer)
    around = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    k = int(np.argmax(around))
    strength = math.sqrt(float((np.abs(a) ** 2).sum() * (np.abs(b) ** 2).sum()))
    if strength <= 0.0 or around[k] * size / 2 < 0.6 * strength or not 0 < k < len(around) - 1:
        return None
    low, mid, high = around[k - 1 : k + 2]
    bend = low - 2 * mid + high
    return float((k - reach + (0.5 * (low - high) / bend if bend < 0 else 0.0)) / (finer * rate))


def _matched(x: Array, y: Array, rate: int, onset: float, shift: float) -> tuple[Array, Array]:
    """Both from 50 ms before A's strike, B moved by ``shift`` [s] to a fraction of a sample, equally long."""
    first = round((onset - BEFORE_S) * rate)
    moved = _advanced(y, shift * rate + first)
    left = x[first:] if first >= 0 else np.vstack([np.zeros((-first, x.shape[1])), x])
    n = min(len(left), len(moved))
    return left[:n], moved[:n]


def _advanced(y: Array, samples: float) -> Array:
    """y read from ``samples`` on (may be negative or between samples), by a phase ramp."""
    whole = math.floor(samples)
    part = samples - whole
    if part > 1e-9:
        size = len(y) + 512
        spectrum = np.fft.rfft(y, size, axis=0)
        ramp = np.exp(2j * np.pi * np.fft.rfftfreq(size) * part)
        y = np.fft.irfft(spectrum * ramp[:, None], size, axis=0)[: len(y)]
    return y[whole:] if whole >= 0 else np.vstack([np.zeros((-whole, y.shape[1])), y])


# ------------------------------------------------------------------ what differs
def _differences(x: Array, y: Array, rate: int, a: Reading, b: Reading) -> tuple[Difference, ...]:
    out = [*_note_differences(a, b)]
    glide_a, glide_b = _mean([s.glide_cents for s in a.strikes]), _mean([s.glide_cents for s in b.strikes])
    if glide_a is not None and glide_b is not None:
        out.append(Difference("glide", glide_a, glide_b, "cents", _sd_of_means(a, b)))
    tail_a, tail_b = _tail_db(x, rate), _tail_db(y, rate)
    out.append(Difference("level after 0.25 s", tail_a, tail_b, "dB", _BAND_SD_DB))
    bright_a, bright_b = _brightness_db(x, rate), _brightness_db(y, rate)
    out.append(Difference("brightness", bright_a, bright_b, "dB", _BRIGHT_SD_DB))
    bands = octave_bands(31.0, min(8200.0, 0.35 * rate))
    start = round(BEFORE_S * rate)
    for band, left, right in zip(bands, band_levels_db(x[start:], rate, bands), band_levels_db(y[start:], rate, bands),
                                 strict=True):
        out.append(Difference(f"level {band.middle_hz:.0f} Hz", float(left), float(right), "dB", _BAND_SD_DB))
    return tuple(out)


def _note_differences(a: Reading, b: Reading) -> list[Difference]:
    out = []
    left, right = a.note, b.note
    if left.frequency_hz is not None and right.frequency_hz is not None:
        out.append(Difference("note", left.frequency_hz, right.frequency_hz, "Hz", _joint(left.sd_hz, right.sd_hz)))
        sd = _joint(left.sd_hz, right.sd_hz)
        apart = cents(right.frequency_hz, left.frequency_hz)
        out.append(Difference("note, interval", 0.0, apart, "cents",
                              None if sd is None else 1200.0 / math.log(2) * sd / left.frequency_hz))
    if left.t60_s is not None and right.t60_s is not None:
        out.append(Difference("tail", left.t60_s, right.t60_s, "s", _tail_sd(a, b)))
    return out


def _joint(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else math.hypot(a, b)


def _tail_sd(a: Reading, b: Reading) -> float | None:
    found = []
    for reading in (a, b):
        near = [p for p in reading.partials if p.frequency_hz == reading.note.frequency_hz and p.decay_sd_s is not None]
        if not near or near[0].decay_sd_s is None:
            return None
        found.append(near[0].t60_s / near[0].decay_s * near[0].decay_sd_s)
    return math.hypot(*found)


def _mean(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known else None


def _sd_of_means(a: Reading, b: Reading) -> float | None:
    """Standard deviation of the difference of the mean glides; None with a single strike on either side."""
    total = 0.0
    for reading in (a, b):
        known = [s.glide_cents for s in reading.strikes if s.glide_cents is not None]
        if len(known) < 2:
            return None
        total += float(np.var(known, ddof=1)) / len(known)
    return math.sqrt(total)


def _tail_db(x: Array, rate: int) -> float:
    """RMS from 0.25 to 0.35 s after the strike against that of the first 50 ms [dB]."""
    start = round(BEFORE_S * rate)
    early = float(np.square(x[start : start + round(0.05 * rate)]).mean())
    late = x[start + round(0.25 * rate) : start + round(0.35 * rate)]
    power = float(np.square(late).mean()) if late.size else 0.0
    return 10 * math.log10(max(power, 1e-14) / max(early, 1e-14))


def _brightness_db(x: Array, rate: int) -> float:
    """Energy above 300 Hz against that below, in the first 0.2 s [dB]."""
    start = round(BEFORE_S * rate)
    piece = x[start : start + round(0.2 * rate)]
    power = np.square(np.abs(np.fft.rfft(piece, axis=0))).sum(axis=1)
    f = np.fft.rfftfreq(len(piece), 1.0 / rate)
    return 10 * math.log10(max(float(power[f > 300.0].sum()), 1e-14) / max(float(power[(f > 20.0) & (f <= 300.0)].sum()), 1e-14))


def _partials(a: Sequence[Partial], b: Sequence[Partial]) -> tuple[dict[str, Any], ...]:
    """Partials of both, nearest to nearest and one to one; a partial without a match stands alone."""
    pairs = sorted(((abs(cents(q.frequency_hz, p.frequency_hz)), i, j) for i, p in enumerate(a) for j, q in enumerate(b)))
    partner: dict[int, int] = {}
    for apart, i, j in pairs:
        if apart <= _SAME_CENTS and i not in partner and j not in partner.values():
            partner[i] = j
    rows = [_row(p, b[partner[i]] if i in partner else None) for i, p in enumerate(a)]
    rows += [_row(None, q) for j, q in enumerate(b) if j not in partner.values()]
    return tuple(sorted(rows, key=lambda row: row["a_hz"] or row["b_hz"]))


def _row(p: Partial | None, q: Partial | None) -> dict[str, Any]:
    both = p is not None and q is not None
    return {
        "a_hz": p.frequency_hz if p else None, "b_hz": q.frequency_hz if q else None,
        "cents": cents(q.frequency_hz, p.frequency_hz) if p and q else None,
        "cents_sd": _cents_sd(p, q) if p and q else None,
        "a_decay_s": p.decay_s if p else None, "b_decay_s": q.decay_s if q else None,
        "level_change_db": _loudest(q) - _loudest(p) if both and p and q else None,
    }


def _cents_sd(p: Partial, q: Partial) -> float | None:
    sd = _joint(p.frequency_sd_hz, q.frequency_sd_hz)
    return None if sd is None else 1200.0 / math.log(2) * sd / p.frequency_hz


def _loudest(p: Partial) -> float:
    return max((x for x in p.level_db if x is not None), default=-60.0)


def _words(differences: Sequence[Difference], gain_db: float) -> tuple[str, ...]:
    """One sentence for each difference of more than two standard deviations, largest first."""
    said = []
    for d in differences:
        if d.a is None or d.b is None or d.sd is None or d.what == "note":
            continue
        size = abs(d.b - d.a) / max(d.sd, 1e-12)
        if size > 2.0:
            said.append((size, _sentence(d)))
    louder = f"B was struck {abs(gain_db):.1f} dB {'softer' if gain_db > 0 else 'harder'} and is matched to A."
    told = [text for _, text in sorted(said, reverse=True)][:8]
    return (louder, *(told or ["Nothing differs by more than twice its standard deviation."]))


def _sentence(d: Difference) -> str:
    change = (d.b or 0.0) - (d.a or 0.0)
    more = {"note, interval": ("higher", "lower"), "tail": ("longer", "shorter"), "brightness": ("brighter", "darker"),
            "glide": ("more", "less")}.get(d.what, ("louder", "softer"))
    name = {"note, interval": "the note", "tail": "the tail", "brightness": "the sound", "glide": "the glide"}.get(
        d.what, "the " + d.what)
    return f"B: {name} is {float(f'{abs(change):.2g}'):g} {d.unit} {more[0] if change > 0 else more[1]} (+-{d.sd:.2g})."


def _warnings(
    a: NDArray[Any], b: NDArray[Any], rate_a: int, rate_b: int, reading_a: Reading, reading_b: Reading
) -> tuple[str, ...]:
    out = []
    if rate_a != rate_b:
        out.append(f"the recordings have different rates, so B was resampled from {rate_b} to {rate_a} Hz.")
    if _columns(a).shape[1] != _columns(b).shape[1]:
        out.append("the recordings have different numbers of channels, so only what all channels share is compared.")
    for name, reading in (("A", reading_a), ("B", reading_b)):
        if not reading.strikes:
            out.append(f"no strike was found in {name}, so it is compared from its beginning.")
    return tuple(out)
