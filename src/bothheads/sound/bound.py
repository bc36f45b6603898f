"""Cramer-Rao bounds of decaying sinusoids: how exact any reader can be, whatever its method."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..constants import LN_1000, ONSET_TO_LEVEL
from ..records import Partial


@dataclass(frozen=True)
class Bound:
    """Smallest standard deviations of an unbiased reader: frequency [Hz], cents, rate of decay [1/s], tau [s]."""

    frequency_sd_hz: float
    frequency_sd_cents: float
    rate_sd: float
    decay_sd_s: float


def complex_tone(alpha: float, count: int, snr: float) -> float:
    """Variance bound of angular frequency and of damping of one complex damped tone [(rad/sample)^2].

    ``alpha`` > 0 damping per sample, ``count`` samples, ``snr`` = A^2 / v with v the complex noise variance:
    (1-q)^3 (1-q^N) / (2 snr [q (1-q^N)^2 - N^2 q^N (1-q)^2]), q = exp(-2 alpha) (Yao & Pandit 1995, IEEE Trans. SP
    43:878); alpha = 0: 6 / (snr N (N^2 - 1)) (Rife & Boorstyn 1974, IEEE Trans. IT 20:591). ValueError when not positive.
    """
    if alpha < 0 or count < 2 or snr <= 0:
        raise ValueError("alpha >= 0, at least two samples and a positive ratio are needed")
    if alpha * count < 1e-3:
        return 6.0 / (snr * count * (count**2 - 1.0))
    q, qn = math.exp(-2.0 * alpha), math.exp(-2.0 * alpha * count)
    bracket = q * (1.0 - qn) ** 2 - count**2 * qn * (1.0 - q) ** 2
    return (1.0 - q) ** 3 * (1.0 - qn) / (2.0 * snr * bracket)


def cramer_rao(
    *, frequency_hz: float, decay_s: float, amplitude: float, noise_density: float, length_s: float = math.inf
) -> Bound:
    """Bound of one real partial in noise, all its parameters unknown, other partials far away.

    ``amplitude`` at the first sample used; ``noise_density`` one-sided power per Hz at the partial, in the square of the
    amplitude's unit (white noise of standard deviation s at rate fs: 2 s^2 / fs). For an endless record
    var f = 2 delta^3 N0 / (pi^2 A^2), var delta = 8 delta^3 N0 / A^2, delta = 1 / tau; a shorter one is worse by the
    factor that complex_tone gives. Raises ValueError on values that are not positive.
    """
    if min(frequency_hz, decay_s, amplitude, noise_density, length_s) <= 0:
        raise ValueError("frequency, decay, amplitude, noise density and length must be positive")
    delta = 1.0 / decay_s
    variance = 8.0 * delta**3 * noise_density / amplitude**2 * _shorter(delta * length_s)
    rate_sd = math.sqrt(variance)
    sd_hz = rate_sd / (2.0 * math.pi)
    return Bound(sd_hz, 1200.0 / math.log(2.0) * sd_hz / frequency_hz, rate_sd, rate_sd * decay_s**2)


def _shorter(x: float) -> float:
    """Variance of a record of x time constants over that of an endless one (continuous limit of ``complex_tone``)."""
    if x > 300.0:
        return 1.0
    if x < 0.02:
        return 1.5 / x**3
    e = math.exp(-2.0 * x)
    return (1.0 - e) / ((1.0 - e) ** 2 - 4.0 * x**2 * e)


def bound_of(partial: Partial, noise_density: float, *, channel: int = 0, start_s: float = 0.022,
             length_s: float = math.inf) -> Bound:
    """Bound for a partial as read in one channel; ``noise_density`` one-sided, full scale squared per Hz.

    Reading starts ``start_s`` after the onset, where the level at onset + 6 ms has decayed. Raises ValueError when the
    channel does not show the partial.
    """
    level = partial.level_dbfs[channel]
    if level is None:
        raise ValueError("this channel does not show the partial")
    amplitude = 10.0 ** (level / 20.0) * math.exp(-(start_s - ONSET_TO_LEVEL) / partial.decay_s)
    return cramer_rao(frequency_hz=partial.frequency_hz, decay_s=partial.decay_s, amplitude=amplitude,
                      noise_density=noise_density, length_s=length_s)


def decay_from_t60(t60_s: float) -> float:
    """Amplitude time constant [s] of a fall of 60 dB in ``t60_s``."""
    return t60_s / LN_1000
