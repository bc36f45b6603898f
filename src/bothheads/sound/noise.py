"""Windows of a take: cut, decimated, in units of the noise, drift and hum as nuisance, the end measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .decimate import band_hz, decimate, divisor, taps_of
from .hum import WIDER
from .residual import MEDIAN_OF_ONE, spectrum
from .select import noise_density
from .window import Window, drift_and_hum

Array = NDArray[np.float64]
START_S = 0.022  # after the onset: the push and the click smeared by the filter are over
LONGEST_S = 2.2
REST_S = 0.15  # of the window after the sound has sunk into the noise
_SHORTEST_S = 0.2
_RINGING = 3.0  # times the rms of noise: nine tenths of the power are lines


@dataclass(frozen=True)
class Floor:
    """Noise before the first strike, or the quietest end: sd (channels,) per decimated sample, density, hum lines."""

    sd: Array
    density: Callable[[Array], Array] | None
    hum_hz: tuple[float, ...]
    measured: bool  # from a pause before the first strike
    pause: Array | None = None  # (channels, T) of that pause in full scale, drift and hum removed
    rate_hz: float = 1.0
    hum_level: Array | None = None  # (channels, lines) amplitude of the hum lines in full scale
    lines: Array | None = None  # (channels,) rms over that of white noise with the same median spectrum

    def hum_sd(self, unit: Array) -> tuple[float, ...]:
        """Standard deviation about zero of each hum line's amplitude in units of ``unit`` (channels,)."""
        if self.hum_level is None:
            return ()
        return tuple(float(x) for x in WIDER * (self.hum_level / np.maximum(unit, 1e-12)[:, None]).max(axis=0) + 0.2)

    def line(self, f: float) -> tuple[Array, Array] | None:
        """(amplitude, its standard deviation) (channels,) of a line at f [Hz] in the pause; None without a pause."""
        if self.pause is None:
            return None
        T = self.pause.shape[1]
        t = np.arange(T) / self.rate_hz
        wave = np.exp(-2j * np.pi * f * t)
        height = 2.0 * np.abs(self.pause @ wave) / T
        loud = 1.0 if self.density is None else float(max(self.density(np.array([f]))[0], 0.3))
        sd: Array = self.sd * np.sqrt(2.0 * loud / T)
        return height, sd

    def steady(self, f: float) -> Array | None:
        """Amplitude (channels,) of a line at f [Hz] in the pause, 0 where below 3.5 sd; None without a pause."""
        if self.pause is None:
            return None
        T = self.pause.shape[1]
        h = np.hanning(T)
        line = 2.0 * np.abs(self.pause @ (h * np.exp(-2j * np.pi * f * np.arange(T) / self.rate_hz))) / h.sum()
        sd = self.sd * np.sqrt(3.0 / T)
        found: Array = np.where(line > 3.5 * sd, line, 0.0)
        return found


def detrend(y: Array, nuisance: Array) -> Array:
    """``y`` (channels, T) without its least-squares drift and hum (p, T)."""
    return y - np.linalg.lstsq(nuisance.T, y.T, rcond=None)[0].T @ nuisance


def measure_floor(samples: Array, sample_rate_hz: int, first_onset_s: float, step: int, before_s: float = 0.0) -> Floor:
    """Noise, its density and hum lines from the pause between ``before_s`` and the first strike."""
    rate = sample_rate_hz / step
    half = taps_of(sample_rate_hz, step) // 2
    begin = int(before_s * sample_rate_hz) + half
    count = int((first_onset_s - 0.004 - before_s) * rate) - 2 * half // step
    channels = samples.shape[1]
    if count < 0.08 * rate:
        return Floor(np.zeros(channels), None, (), False)
    count = min(count, int(4.0 * rate))
    y = decimate(samples, sample_rate_hz, begin, count, step)
    sd = detrend(y, drift_and_hum(0.0, count, rate, ())).std(axis=1)
    hum = hum_lines(y, rate) if count > 0.25 * rate and sd.max() > 0 else ()
    rest = detrend(y, drift_and_hum(0.0, count, rate, hum))
    waves = np.exp(-2j * np.pi * np.array(hum)[:, None] * np.arange(count) / rate)
    level = 2.0 * np.abs((y - y.mean(axis=1, keepdims=True)) @ waves.T) / count
    sd = rest.std(axis=1)
    lines = over_median(rest, rate)
    if sd.max() <= 0 or count < 0.2 * rate:
        return Floor(sd, None, hum, sd.max() > 0, hum_level=level, lines=lines)
    return Floor(sd, noise_density([rest / np.maximum(sd, 1e-12)[:, None]], rate), hum, True, rest, rate, level, lines)


def floor_of(samples: Array, sample_rate_hz: int, spans: Sequence[tuple[float, float]], step: int) -> Floor:
    """The floor before the first of ``spans``; as from no pause where a ring fills it, which a late beginning leaves there.

    A ring is told by lines that hold nine tenths of the pause and are gone at the quietest end of a strike.
    """
    floor = measure_floor(samples, sample_rate_hz, spans[0][0], step)
    if not floor.measured or floor.lines is None or floor.lines.max() < _RINGING:
        return floor
    rate = sample_rate_hz / step
    count = int(0.1 * rate)
    ends = [decimate(samples, sample_rate_hz, int((end - 0.004) * sample_rate_hz) - count * step, count, step)
            for _, end in spans if end * rate > 3 * count]
    quiet = np.min([_tail_sd(y, rate) for y in ends], axis=0) if ends else floor.sd
    gone = (floor.lines > _RINGING) & (floor.sd > _RINGING * quiet)
    return Floor(np.zeros(len(floor.sd)), None, (), False) if gone.any() else floor


def over_median(rest: Array, rate_hz: float) -> Array:
    """Rms (channels,) of ``rest`` (channels, T) over that of white noise with the median of its spectrum."""
    shape = np.hanning(rest.shape[1])
    power = np.abs(np.fft.rfft(rest * shape, axis=1)) ** 2 / (shape @ shape)
    low, high = band_hz(rate_hz)
    freq = np.fft.rfftfreq(rest.shape[1], 1.0 / rate_hz)
    level = np.median(power[:, (freq > low) & (freq < high)], axis=1) / MEDIAN_OF_ONE
    out: Array = rest.std(axis=1) / np.sqrt(np.maximum(level, 1e-30))
    return out


def hum_lines(y: Array, rate_hz: float) -> tuple[float, ...]:
    """Mains lines (50 or 60 Hz and up to two multiples) 11 dB above their surroundings in y (channels, T)."""
    rest = detrend(y, drift_and_hum(0.0, y.shape[1], rate_hz, ()))
    freq, power = spectrum([rest / (rest.std(axis=1, keepdims=True) + 1e-30)], rate_hz, 8192)
    found: list[float] = []
    for base in (50.0, 60.0):
        rise = []
        for multiple in (1, 2, 3):
            away = np.abs(freq - multiple * base)
            rise.append(power[away < 1.0].max() / np.median(power[(away > 7.0) & (away < 25.0)]))
        if rise[0] > 12.0:
            found += [base * (i + 1) for i in range(3) if rise[i] > 12.0]
    return tuple(found)


def is_fast(samples: Array, sample_rate_hz: int, onset_s: float, end_s: float) -> bool:
    """True when lines above 430 Hz reach -36 dB of the loudest, 60 ms after the strike: the band must be wider."""
    step = divisor(sample_rate_hz, True)
    rate = sample_rate_hz / step
    count = int(min(0.5, end_s - onset_s - 0.06) * rate)
    if count < 64:
        return False
    y = decimate(samples, sample_rate_hz, int((onset_s + 0.06) * sample_rate_hz), count, step)
    freq, power = spectrum([y - y.mean(axis=1, keepdims=True)], rate)
    high = power[(freq > 430) & (freq < 1000)]
    return bool(high.max() > max(10**-3.6 * power[freq > 18].max(), 25.0 * np.median(high)))


def sounding(y: Array, rate_hz: float, floor: Array, rest_s: float = REST_S) -> int:
    """Number of samples of y (channels, T; drift removed) until its 50 ms level stays below 1.6 times the noise, and
    ``rest_s`` more: a partial is heard below the noise of the whole band."""
    width = max(1, int(0.05 * rate_hz))
    power = (y**2 / np.maximum(floor, 1e-30)[:, None] ** 2).max(axis=0) if floor.max() > 0 else (y**2).sum(0)
    level = np.sqrt(np.convolve(power, np.ones(width) / width, "same"))
    above = np.nonzero(level > 1.6 * (1.2 if len(floor) > 1 else 1.0))[0] if floor.max() > 0 else np.arange(len(level))
    last = int(above[-1]) if above.size else 0
    return max(int(0.3 * rate_hz), min(int(y.shape[1]), last + int(rest_s * rate_hz)))


def cut_windows(
    samples: Array, sample_rate_hz: int, spans: Sequence[tuple[float, float]], floor: Floor, step: int, *,
    longest_s: float = LONGEST_S, to_noise: bool = True, rest_s: float = REST_S,
) -> tuple[list[Window], list[int], Array]:
    """(windows, index of the strike of each, noise unit per channel) for strikes given as (onset_s, end_s).

    Windows run from 22 ms after the onset to the strike's end, at most ``longest_s``; shorter than 0.2 s are left out.
    """
    rate = sample_rate_hz / step
    raw: list[tuple[int, Array]] = []
    for i, (onset, end) in enumerate(spans):
        end = min(end, onset + longest_s, len(samples) / sample_rate_hz - 0.004)
        count = int((end - onset - START_S) * rate)
        if count >= _SHORTEST_S * rate:
            raw.append((i, decimate(samples, sample_rate_hz, int((onset + START_S) * sample_rate_hz), count, step)))
    if not raw:
        return [], [], floor.sd
    peak = max(float(np.abs(y).max()) for _, y in raw)
    unit = floor.sd
    if not floor.measured:
        unit = np.min([_tail_sd(y, rate) for _, y in raw], axis=0)
    unit = np.maximum(unit, max(2e-7, 1e-5 * peak))
    windows = []
    for _, y in raw:
        count = y.shape[1]
        if to_noise and floor.measured:
            count = sounding(detrend(y, drift_and_hum(START_S, count, rate, floor.hum_hz)), rate, unit, rest_s)
        nuisance = drift_and_hum(START_S, count, rate, floor.hum_hz)
        windows.append(Window(rate, START_S, y[:, :count] / unit[:, None], nuisance, np.ones(count), floor.hum_hz,
                              floor.hum_sd(unit)))
    return windows, [i for i, _ in raw], unit


def _tail_sd(y: Array, rate_hz: float) -> Array:
    tail = y[:, -max(int(0.1 * rate_hz), 16) :]
    x = np.linspace(-1, 1, tail.shape[1])
    return np.asarray((tail - np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, tail.T, 2)))
                      .std(axis=1))
