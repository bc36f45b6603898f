"""Two takes compared fairly: matched in level, aligned in time, the differences in numbers and words.

A louder take sounds better whatever it is, so B gets the gain that makes the rms of its first 50 ms equal to A's.
"""

from __future__ import annotations

from math import hypot, log2
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError
from ..records import Comparison, Difference, Partial, Reading
from .levels import BANDS_HZ, octave_levels_db, strike_rms_db

Array = NDArray[np.float64]

CEILING = 10 ** (-1 / 20)  # of the matched pair's peak
SAME_CENTS = 60.0  # partials of the two takes nearer than this are one partial that moved
_LEAD_S, _ALIGN_S = 0.05, 0.020


def compare_takes(
    a: NDArray[Any], rate_a: int, b: NDArray[Any], rate_b: int, *, reading_a: Reading, reading_b: Reading
) -> tuple[Comparison, Array, Array]:
    """Differences b - a and the matched, aligned pair at ``rate_a``, cut to 50 ms before the first strike.

    ``gain_db`` is what B gets; ``delay_ms`` > 0 when B's first strike comes later in its file.

    Raises
    ------
    AudioError
        When one of the two holds no strike.
    """
    for name, reading in (("first", reading_a), ("second", reading_b)):
        if not reading.strikes:
            raise AudioError(f"the {name} recording holds no strike: record one strike in the centre and compare again.")
    a, b = (np.atleast_2d(np.asarray(x, float).T).T for x in (a, b))
    b = b if rate_a == rate_b else _resampled(b, rate_b, rate_a)
    onset_a, onset_b = reading_a.strikes[0].onset_s, reading_b.strikes[0].onset_s
    onset_b += _fine_lag(a, b, rate_a, onset_a, onset_b)
    gain_db = strike_rms_db(a, rate_a, onset_a) - strike_rms_db(b, rate_a, onset_b)
    comparison = Comparison(
        gain_db=gain_db, delay_ms=1e3 * (onset_b - onset_a),
        differences=_differences(a, b, rate_a, onset_a, onset_b, gain_db, reading_a, reading_b),
        partials=_partials(reading_a, reading_b),
        warnings=_warnings(reading_a, reading_b), words=(),
    )
    pair = _matched(a, b, rate_a, onset_a, onset_b, gain_db)
    return _with_words(comparison), *pair


def _resampled(x: Array, rate: int, wanted: int) -> Array:
    import soxr

    out: Array = np.asarray(soxr.resample(x, rate, wanted, quality="HQ"), float).reshape(-1, x.shape[1])
    return out


def _fine_lag(a: Array, b: Array, rate: int, onset_a: float, onset_b: float) -> float:
    """Seconds to add to B's onset so that the clicks above 500 Hz line up; 0 when they have nothing in common."""
    size = round(_ALIGN_S * rate)
    clicks = []
    for x, onset in ((a, onset_a), (b, onset_b)):
        first = max(0, round(onset * rate) - size // 4)
        piece = np.zeros(size)
        part = x[first : first + size].mean(1)
        piece[: len(part)] = part
        spectrum = np.fft.rfft(piece, 4 * size)
        spectrum[np.fft.rfftfreq(4 * size, 1 / rate) < 500.0] = 0.0
        clicks.append(spectrum)
    cross = np.fft.irfft(clicks[1] * np.conj(clicks[0]))
    reach = size // 4
    lags = np.concatenate([cross[-reach:], cross[: reach + 1]])
    energy = np.sqrt(np.sum(np.abs(clicks[0]) ** 2) * np.sum(np.abs(clicks[1]) ** 2)) / len(clicks[0])
    k = int(np.argmax(lags))
    if not energy > 0 or lags[k] < 0.3 * energy or not 0 < k < len(lags) - 1:
        return 0.0
    left, middle, right = lags[k - 1], lags[k], lags[k + 1]
    bend = left - 2 * middle + right
    part = 0.5 * (left - right) / bend if bend < 0 else 0.0
    found = round(onset_b * rate) - onset_b * rate - round(onset_a * rate) + onset_a * rate
    return float((k - reach + part + found) / rate)


def _matched(a: Array, b: Array, rate: int, onset_a: float, onset_b: float, gain_db: float) -> tuple[Array, Array]:
    """Both takes from 50 ms before their first strike, B shifted by part of a sample and given its gain."""
    start_a = max(0, round((onset_a - _LEAD_S) * rate))
    lead = onset_a - start_a / rate
    position = (onset_b - lead) * rate
    whole = int(np.floor(position))
    shifted = _shift(b, position - whole)
    first = shifted[max(whole, 0) :]
    if whole < 0:
        first = np.concatenate([np.zeros((-whole, b.shape[1])), first])
    out_a, out_b = a[start_a:], first * 10 ** (gain_db / 20)
    peak = max(float(np.abs(out_a).max(initial=0.0)), float(np.abs(out_b).max(initial=0.0)))
    scale = CEILING / peak if peak > CEILING else 1.0
    return out_a * scale, out_b * scale


def _shift(x: Array, part: float) -> Array:
    """``x`` read ``part`` of a sample later (0 to 1), by the phase of its spectrum."""
    if part < 1e-6:
        return x
    size = len(x) + 64
    spectrum = np.fft.rfft(x, size, axis=0)
    spectrum *= np.exp(2j * np.pi * np.arange(len(spectrum)) * part / size)[:, None]
    out: Array = np.fft.irfft(spectrum, size, axis=0)[: len(x)]
    return out


def _differences(
    a: Array, b: Array, rate: int, onset_a: float, onset_b: float, gain_db: float, ra: Reading, rb: Reading
) -> tuple[Difference, ...]:
    out = [
        Difference("drum note", ra.note.frequency_hz, rb.note.frequency_hz, "Hz", _both(ra.note.sd_hz, rb.note.sd_hz)),
        Difference("tail of the note", ra.note.t60_s, rb.note.t60_s, "s", _tail_sd(ra, rb)),
        Difference("glide, first strike", ra.strikes[0].glide_cents, rb.strikes[0].glide_cents, "cents", None),
        Difference("strength before matching", strike_rms_db(a, rate, onset_a), strike_rms_db(b, rate, onset_b), "dB", None),
    ]
    bands_a, bands_b = (octave_levels_db(x, rate, onset_s=o) for x, o in ((a, onset_a), (b, onset_b)))
    for middle in BANDS_HZ:
        if middle in bands_a and middle in bands_b:
            out.append(Difference(f"octave at {middle:.0f} Hz, matched", bands_a[middle], bands_b[middle] + gain_db, "dB", None))
    return tuple(out)


def _both(x: float | None, y: float | None) -> float | None:
    return None if x is None or y is None else hypot(x, y)


def _tail_sd(ra: Reading, rb: Reading) -> float | None:
    found = []
    for r in (ra, rb):
        own = next((p for p in r.partials if p.frequency_hz == r.note.frequency_hz), None)
        if own is None or own.decay_sd_s is None:
            return None
        found.append(own.t60_s / own.decay_s * own.decay_sd_s)
    return hypot(*found)


def _partials(ra: Reading, rb: Reading) -> tuple[dict[str, Any], ...]:
    """Partials of both takes side by side, nearest pairs first; one that has no partner stands alone."""
    pairs = sorted(
        (abs(1200 * log2(q.frequency_hz / p.frequency_hz)), i, j)
        for i, p in enumerate(ra.partials) for j, q in enumerate(rb.partials)
    )
    used_a: dict[int, int] = {}
    for off, i, j in pairs:
        if off < SAME_CENTS and i not in used_a and j not in used_a.values():
            used_a[i] = j
    rows = [_row(p, rb.partials[used_a[i]] if i in used_a else None) for i, p in enumerate(ra.partials)]
    rows += [_row(None, q) for j, q in enumerate(rb.partials) if j not in used_a.values()]
    return tuple(sorted(rows, key=lambda r: r["a_hz"] or r["b_hz"]))


def _row(p: Partial | None, q: Partial | None) -> dict[str, Any]:
    both = p is not None and q is not None
    return {
        "a_hz": p.frequency_hz if p else None, "b_hz": q.frequency_hz if q else None,
        "cents": 1200 * log2(q.frequency_hz / p.frequency_hz) if p and q else None,
        "cents_sd": _cents_sd(p, q) if both else None,
        "a_t60_s": p.t60_s if p else None, "b_t60_s": q.t60_s if q else None,
        "a_level_db": p.level_db if p else None, "b_level_db": q.level_db if q else None,
    }


def _cents_sd(p: Partial | None, q: Partial | None) -> float | None:
    if p is None or q is None or p.frequency_sd_hz is None or q.frequency_sd_hz is None:
        return None
    return 1731.234 * hypot(p.frequency_sd_hz / p.frequency_hz, q.frequency_sd_hz / q.frequency_hz)


def _warnings(ra: Reading, rb: Reading) -> tuple[str, ...]:
    out = [*ra.warnings, *rb.warnings]
    for name, r in (("first", ra), ("second", rb)):
        if r.note.frequency_hz is None:
            out.append(f"the note of the {name} recording is refused: {r.note.refused}")
    if ra.channels != rb.channels:
        out.append("the two recordings have different channels: levels are compared over all channels together")
    return tuple(dict.fromkeys(out))


def _with_words(c: Comparison) -> Comparison:
    from dataclasses import replace

    said = []
    by_name = {d.what: d for d in c.differences}
    note = by_name["drum note"]
    if note.a and note.b:
        moved = 1200 * log2(note.b / note.a)
        sd = 1731.234 * note.sd / note.b if note.sd else None
        if sd is not None and abs(moved) < 2 * sd:
            said.append("the drum note is the same as far as the readings tell")
        else:
            said.append(f"B's drum note is {abs(moved):.0f} cents {'higher' if moved > 0 else 'lower'}")
    tail = by_name["tail of the note"]
    if tail.a and tail.b:
        share = tail.b / tail.a - 1
        # a decay may vary by -25 % to +40 % before it is heard (Tolonen & Jarvelainen, plucked and struck tones)
        audible = share < -0.25 or share > 0.40
        said.append(f"B's tail is {abs(share):.0%} {'longer' if share > 0 else 'shorter'}"
                    f"{'' if audible else ', which is hardly heard'}")
    loudest = max((d for d in c.differences if d.what.startswith("octave") and d.a is not None and d.b is not None
                   and max(d.a, d.b) > -60.0), key=lambda d: abs((d.b or 0) - (d.a or 0)), default=None)
    if loudest is not None and loudest.a is not None and loudest.b is not None and abs(loudest.b - loudest.a) > 1.0:
        more = loudest.b - loudest.a
        said.append(f"most changed at equal strength: the {loudest.what.removesuffix(', matched')}, {more:+.1f} dB in B")
    return replace(c, words=tuple(said))
