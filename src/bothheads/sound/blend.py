"""Two microphones of one take mixed: the later one brought forward, turned over when the low band opposes the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

Array = NDArray[np.float64]
LOW_HZ = (30.0, 200.0)  # where a drum's lowest partials lie: what cancels when two microphones oppose
CLICK_HZ = (500.0, 8000.0)
REACH_S = 0.0004  # of the delay as read, which may sit half a cycle off when the microphones oppose


@dataclass(frozen=True)
class Blended:
    """The mix at equal level, and what was found."""

    samples: Array  # (n, 1), under full scale
    delay_s: float  # of the second microphone after the first, settled on the clicks
    opposed: bool  # whether the low bands have opposite signs once the delay is mended
    alike: float  # correlation coefficient of the low bands at that delay, -1 to 1
    gained_db: float  # low band of the mended mix over that of the mix as it stands


def blend(samples: Array, sample_rate_hz: int, *, delay_s: float, mend: bool = True) -> Blended:
    """Equal-level mix of two channels (n, 2) of one take; with ``mend`` False the microphones as they stand.

    ``delay_s``: how much later [s] the second channel hears the strike (negative: earlier). Polarity is the sign of
    sum(a b) over the band 30-200 Hz at the mended delay. The channels are set to equal low-band power first.

    Raises
    ------
    InputError
        Not two channels, or one of them is silent in the low band.
    """
    if samples.ndim != 2 or samples.shape[1] != 2:
        raise InputError("a blend takes two microphones: name two channels of one take.")
    n = len(samples)
    size = 1 << int(np.ceil(np.log2(n + abs(delay_s) * sample_rate_hz + 1)))
    spectra = np.fft.rfft(np.asarray(samples, dtype=np.float64), size, axis=0)
    f = np.asarray(np.fft.rfftfreq(size, 1.0 / sample_rate_hz), dtype=np.float64)
    low = (f >= LOW_HZ[0]) & (f <= LOW_HZ[1])
    power = np.sqrt((np.abs(spectra[low]) ** 2).sum(0))
    if not power.min() > 1e-9 * max(float(power.max()), 1e-30):
        raise InputError("one of the two microphones hears nothing between 30 and 200 Hz: choose another.")
    a, b = spectra[:, 0], spectra[:, 1] * (power[0] / power[1])
    delay_s = _settled(a, b, f, delay_s)
    moved = b * np.exp(2j * np.pi * f * delay_s)
    alike = float(np.real(np.vdot(a[low], moved[low])) / power[0] ** 2)
    mended = a + (-moved if alike < 0 else moved)
    stands = a + b
    gained = 20.0 * np.log10(np.linalg.norm(mended[low]) / max(float(np.linalg.norm(stands[low])), 1e-6 * power[0]))
    out = np.fft.irfft(mended if mend else stands, size)[:n]
    both = np.fft.irfft(stands, size)[:n], np.fft.irfft(mended, size)[:n]
    peak = max(float(np.abs(x).max()) for x in both)  # one gain for both, so that they can be compared by ear
    return Blended((0.9 * out / peak)[:, None] if peak else out[:, None], delay_s, alike < 0, alike, float(gained))


def _settled(a: NDArray[np.complex128], b: NDArray[np.complex128], f: Array, delay_s: float) -> float:
    """The delay [s] near ``delay_s`` at which the clicks are most alike or most opposite: polarity is not presumed."""
    rate = 2.0 * float(f[-1])
    band = (f >= CLICK_HZ[0]) & (f <= CLICK_HZ[1])
    alike = np.abs(np.fft.irfft(np.conj(a) * b * band))
    reach = int(np.ceil(REACH_S * rate))
    at = round(delay_s * rate) + np.arange(-reach, reach + 1)
    near = alike[at % len(alike)]
    k = int(np.argmax(near))
    if not 0 < k < len(near) - 1:
        return delay_s
    low, mid, high = near[k - 1 : k + 2]
    bend = low - 2.0 * mid + high
    shift = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float((at[k] + shift) / rate)
