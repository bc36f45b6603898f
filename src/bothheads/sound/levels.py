"""How loud: a fixed window for single strikes, ITU-R BS.1770 for longer takes, octave bands, decay in ISO 3382 terms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..records import Levels, StrikeReading

Array = NDArray[np.float64]

STRIKE_WINDOW_S = 0.050  # from the onset: how hard was it struck, nearly free of how long it rings
LOUDNESS_NEEDS_S = 0.4  # one gating block of BS.1770
OCTAVE_RATIO = 10**0.3  # G of IEC 61260-1, base ten
REFERENCE_HZ = 1000.0
_FLOOR_DB = -120.0


@dataclass(frozen=True)
class Band:
    """One octave band: exact mid-band frequency and edges [Hz]."""

    middle_hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class Decay:
    """Reverberation times [s] scaled to 60 dB, None where the decay range is not free of noise (ISO 3382-1)."""

    edt_s: float | None  # 0 to -10 dB
    t20_s: float | None  # -5 to -25 dB
    t30_s: float | None  # -5 to -35 dB


def strike_level_db(samples: NDArray[Any], sample_rate_hz: float, onset_s: float) -> float:
    """RMS over the 50 ms from the onset, all channels together [dB re full scale]; -120 for silence.

    Measured on real strikes: lead silence and length move BS.1770 loudness by 6 dB on one and the same strike, this not.
    """
    x = _columns(samples)
    first = max(0, round(onset_s * sample_rate_hz))
    piece = x[first : first + max(1, round(STRIKE_WINDOW_S * sample_rate_hz))]
    return _db(float(np.square(piece).mean())) if piece.size else _FLOOR_DB


def loudness_lufs(samples: NDArray[Any], sample_rate_hz: float) -> float | None:
    """Integrated loudness to ITU-R BS.1770-4 [LUFS]; None under 0.4 s or below the absolute gate of -70.

    Channels count as front channels (weight 1). More than five channels: the first five.
    """
    import pyloudnorm

    x = _columns(samples)
    if len(x) < round(LOUDNESS_NEEDS_S * sample_rate_hz) + 1 or not np.abs(x).max(initial=0.0) > 0.0:
        return None
    meter = pyloudnorm.Meter(int(sample_rate_hz))
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(meter.integrated_loudness(x[:, :5] if x.shape[1] > 1 else x[:, 0]))
    return value if np.isfinite(value) and value > -70.0 else None


def octave_bands(lowest_hz: float = 31.0, highest_hz: float = 8200.0) -> tuple[Band, ...]:
    """Octave bands whose mid-band frequency 1000 G^x, G = 10^0.3, lies in the range (IEC 61260-1:2014)."""
    middles = [REFERENCE_HZ * OCTAVE_RATIO**x for x in range(-6, 5)]
    half = OCTAVE_RATIO**0.5
    return tuple(Band(m, m / half, m * half) for m in middles if lowest_hz <= m <= highest_hz)


def band_levels_db(samples: NDArray[Any], sample_rate_hz: float, bands: tuple[Band, ...] | None = None) -> Array:
    """Level in every octave band [dB re full scale], all channels together; -120 where nothing is or can be.

    Rectangular bands on the energy spectrum, exact for a strike that is silent at both ends; Parseval holds, so bands
    that tile the spectrum add up to the total.
    """
    x = _columns(samples)
    bands = octave_bands() if bands is None else bands
    n = len(x)
    if n < 2:
        return np.full(len(bands), _FLOOR_DB)
    power = np.square(np.abs(np.fft.rfft(x, axis=0))).mean(axis=1) * 2.0 / n**2
    power[0] *= 0.5
    if n % 2 == 0:
        power[-1] *= 0.5
    f = np.fft.rfftfreq(n, 1.0 / sample_rate_hz)
    total = np.concatenate([[0.0], np.cumsum(power)])
    edges = np.array([(b.low_hz, b.high_hz) for b in bands])
    at = np.searchsorted(f, edges)
    sums = total[at[:, 1]] - total[at[:, 0]]
    return np.array([_db(float(s)) for s in sums])


def decay_times(samples: NDArray[Any], sample_rate_hz: float, onset_s: float, end_s: float) -> Decay:
    """EDT, T20 and T30 of a strike between onset and end, from backward-integrated energy (ISO 3382-1).

    T20 and T30 are given only where the curve reaches 10 dB below their range; a single exponential gives all three
    equal to 6.908 tau.
    """
    x = _columns(samples)[round(onset_s * sample_rate_hz) : round(end_s * sample_rate_hz)]
    if len(x) < 32:
        return Decay(None, None, None)
    energy = np.square(x).mean(axis=1)
    tail = max(8, len(energy) // 20)
    curve = np.cumsum(energy[::-1])[::-1]
    if not curve[0] > 0.0:
        return Decay(None, None, None)
    level = 10 * np.log10(np.maximum(curve / curve[0], 1e-14))
    lowest = float(level[-tail])
    t = np.arange(len(level)) / sample_rate_hz
    return Decay(_slope(t, level, 0.0, -10.0, lowest), _slope(t, level, -5.0, -25.0, lowest + 10.0),
                 _slope(t, level, -5.0, -35.0, lowest + 10.0))


def _slope(t: Array, level: Array, upper: float, lower: float, lowest: float) -> float | None:
    """Time for 60 dB [s] along the line through the part of the curve from ``upper`` to ``lower`` [dB]."""
    if lower < lowest:
        return None
    inside = (level <= upper) & (level >= lower)
    if np.count_nonzero(inside) < 4:
        return None
    slope = np.polyfit(t[inside], level[inside], 1)[0]
    return float(-60.0 / slope) if slope < 0.0 else None


def levels_of(samples: NDArray[Any], sample_rate_hz: int, strikes: Sequence[StrikeReading], offset_s: float = 0.0) -> Levels | None:
    """Levels of a take read from ``samples`` whose first sample is at ``offset_s`` [s]; None without a strike."""
    if not strikes:
        return None
    x = _columns(samples)
    spans = [(s.onset_s - offset_s, len(x) / sample_rate_hz if s.end_s is None else s.end_s - offset_s) for s in strikes]
    each = [strike_level_db(x, sample_rate_hz, onset) for onset, _ in spans]
    onset, end = spans[int(np.argmax(each))]
    piece = x[max(0, round(onset * sample_rate_hz)) : round(end * sample_rate_hz)]
    bands = octave_bands(30.0, min(8200.0, 0.35 * sample_rate_hz))
    decay = decay_times(x, sample_rate_hz, onset, end)
    return Levels(tuple(each), loudness_lufs(x, sample_rate_hz),
                  tuple((b.middle_hz, float(v)) for b, v in zip(bands, band_levels_db(piece, sample_rate_hz, bands), strict=True)),
                  decay.edt_s, decay.t20_s, decay.t30_s)


def a_weighting_db(frequency_hz: float) -> float:
    """A-weighting [dB] of a steady tone, analytic form of IEC 61672-1, 0 at 1 kHz."""
    return _a(frequency_hz) - _a(REFERENCE_HZ)


def c_weighting_db(frequency_hz: float) -> float:
    """C-weighting [dB] of a steady tone, analytic form of IEC 61672-1, 0 at 1 kHz."""
    return _c(frequency_hz) - _c(REFERENCE_HZ)


_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217  # Hz, poles of IEC 61672-1


def _a(f: float) -> float:
    high = f**4 * _F4**2 / ((f**2 + _F1**2) * (f**2 + _F4**2))
    return float(20 * np.log10(high / np.sqrt((f**2 + _F2**2) * (f**2 + _F3**2))))


def _c(f: float) -> float:
    return float(20 * np.log10(f**2 * _F4**2 / ((f**2 + _F1**2) * (f**2 + _F4**2))))


def _columns(samples: NDArray[Any]) -> Array:
    x = np.asarray(samples, float)
    return x[:, None] if x.ndim == 1 else x


def _db(power: float) -> float:
    return max(_FLOOR_DB, 10.0 * float(np.log10(power))) if power > 0.0 else _FLOOR_DB
