"""How loud: a strike by the rms of its first 50 ms, octave bands, loudness of longer takes, and how it dies away."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STRIKE_WINDOW_S = 0.050  # 'how hard was it hit': a tail of 0.05 to 0.8 s moves it by 3.4 dB only
BANDS_HZ = tuple(1000.0 * 10 ** (0.3 * x) for x in range(-5, 4))  # IEC 61260-1 base ten: 31.6 Hz to 7.94 kHz
_FLOOR_DB = -140.0


def strike_rms_db(samples: NDArray[Any], sample_rate_hz: float, onset_s: float) -> float:
    """Rms level [dB re full scale] of all channels together over a fixed 50 ms from the onset.

    BS.1770 loudness is wrong for one strike: its 400 ms blocks average whatever falls into the grid.
    """
    x = np.atleast_2d(np.asarray(samples, float).T).T
    first = round(onset_s * sample_rate_hz)
    piece = x[first : first + round(STRIKE_WINDOW_S * sample_rate_hz)]
    power = float(np.mean(piece**2)) if piece.size else 0.0
    return 10 * np.log10(power) if power > 0 else _FLOOR_DB


def octave_levels_db(
    samples: NDArray[Any], sample_rate_hz: float, *, onset_s: float = 0.0, seconds: float = 0.5
) -> dict[float, float]:
    """Level [dB re full scale] per octave band {exact mid-band Hz: dB} over a window from the onset.

    Bands of IEC 61260-1:2014, base ten, edges at 10^(+-0.15) times the mid-band, summed from the power spectrum;
    bands above 0.45 of the rate are left out.
    """
    x = np.atleast_2d(np.asarray(samples, float).T).T
    first = round(onset_s * sample_rate_hz)
    piece = x[first : first + round(seconds * sample_rate_hz)]
    size = 1 << int(np.ceil(np.log2(max(len(piece), 2)))) + 1
    power = (np.abs(np.fft.rfft(piece, size, axis=0)) ** 2).sum(1) * 2 / (size * max(piece.size, 1))
    hertz = np.fft.rfftfreq(size, 1 / sample_rate_hz)
    out = {}
    for middle in BANDS_HZ:
        low, high = middle * 10**-0.15, middle * 10**0.15
        if high > 0.45 * sample_rate_hz:
            break
        inside = power[(hertz >= low) & (hertz < high)].sum()
        out[middle] = float(10 * np.log10(inside)) if inside > 0 else _FLOOR_DB
    return out


def loudness_lufs(samples: NDArray[Any], sample_rate_hz: int) -> float | None:
    """Integrated loudness [LUFS] by ITU-R BS.1770 of a take of a second or more; None for a shorter or silent one."""
    x = np.atleast_2d(np.asarray(samples, float).T).T
    if len(x) < sample_rate_hz:
        return None
    import pyloudnorm

    value = float(pyloudnorm.Meter(sample_rate_hz).integrated_loudness(x[:, :5]))
    return value if np.isfinite(value) else None


@dataclass(frozen=True)
class DecayTimes:
    """Times to fall 60 dB [s] as ISO 3382-1 evaluates them; None where the noise is too near."""

    edt: float | None  # 0 to -10 dB
    t20: float | None  # -5 to -25 dB
    t30: float | None  # -5 to -35 dB


def decay_times(samples: NDArray[Any], sample_rate_hz: float, *, onset_s: float, end_s: float | None = None) -> DecayTimes:
    """EDT, T20 and T30 of one strike by backward integration from its end (ISO 3382-1, Schroeder).

    Meant for a strike in a room, where it tells drum and room together; a partial's own tail is its decay.
    """
    x = np.atleast_2d(np.asarray(samples, float).T).T
    first = round(onset_s * sample_rate_hz)
    last = len(x) if end_s is None else min(len(x), round(end_s * sample_rate_hz))
    power = (x[first:last] ** 2).sum(1)
    if len(power) < 16 or not power.any():
        return DecayTimes(None, None, None)
    left = np.cumsum(power[::-1])[::-1]
    level = 10 * np.log10(np.maximum(left / left[0], 1e-14))
    t = np.arange(len(level)) / sample_rate_hz
    tail = max(1, len(power) // 10)
    noise = 10 * np.log10(max(float(power[-tail:].mean()) * len(power) / float(left[0]), 1e-14))

    def slope(high: float, low: float, margin: float) -> float | None:
        inside = (level <= high) & (level >= low)
        if noise > low - margin or inside.sum() < 8:
            return None
        fall = float(np.polyfit(t[inside], level[inside], 1)[0])
        return -60.0 / fall if fall < 0 else None

    return DecayTimes(slope(0.0, -10.0, 5.0), slope(-5.0, -25.0, 10.0), slope(-5.0, -35.0, 10.0))
