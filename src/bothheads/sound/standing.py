"""Does the note stand? What rings late, over the whole band of the recording, is asked whether it is a drum's and where.

A drum is a few lines below 1 kHz that die away: from 150 ms after the strike on they hold nearly all that still sounds, and
the note, in which both films move as one, a good part of it. A cymbal, wires, a clap in a room or a stand leave most of the
late sound above 1 kHz or in noise, whatever line stands below it. The tail is read at rest, without a model of the glide:
where the note of the whole strike is not found there, it is not known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..records import Note, Partial, Reading
from .decimate import decimate, divisor
from .note import ODDS, SHORTEST_SWINGS, UNSURE, too_short
from .partials import first_fit
from .residual import fisher, misfit
from .varpro import JointFit
from .window import Window, drift_and_hum

Array = NDArray[np.float64]
LATE_S, LONGEST_S = 0.15, 0.9  # after the onset; of tail
_EARLIEST_S, _SHORTEST_S = 0.06, 0.1  # a strike that ends early is read from here on; less tail says nothing
MOST = 12  # lines of a tail
LEAST_DRUM = 0.5  # of the energy that rings late, held by lines that die away: less is no drum alone
LEAST_NOTE = 10.0 ** (-1.5)  # of it, or of its later half, held by the note and what lies too near to be another mode
_NEAR = 0.12  # relative: what lies nearer is no other mode, but the note still gliding, its twin or a neighbour's
_STRONG = 10.0 ** (-0.8)  # of the strongest near line: the one that rings longest of those is the note at rest
_AGREE = 2.0  # standard deviations
_LOWEST_HZ = 18.0
_BLOCK_S = 0.05

NO_DRUM = ("steady lines below 1 kHz hold less than half of what rings on (a cymbal, wires or the room hold the rest), so no note "
           "is claimed: let the drum ring alone, wires off, microphone near.")

STEADY = ("what rings on does not die away, as a tone or hum, or a recorder that turns itself up, has it: switch gain control off, "
          "strike the drum alone, or name it.")


@dataclass(frozen=True)
class Tail:
    """The late ring of one strike in its strongest channel, read at rest: lines f [Hz] and decay rates a [1/s] with their
    standard deviations, and the energy of all that rings there and in the later half, noise taken off, in units of the fit."""

    fit: JointFit | None
    f_sd: Array
    a_sd: Array
    energy: float
    late_energy: float
    steady: bool = False  # it lies where drums ring, but nothing of it dies away

    @property
    def held(self) -> float:
        """Share [0-1] of the late energy that the lines explain."""
        return 0.0 if self.fit is None else self.share(range(len(self.fit.f)))

    @cached_property
    def alone(self) -> Array:
        """Share (K,) of the late energy that each line alone explains."""
        count = 0 if self.fit is None else len(self.fit.f)
        return np.array([self.share([k]) for k in range(count)])

    def share(self, lines: Sequence[int] | range, later: bool = False) -> float:
        """Share [0-1] of the late energy, or of its later half, that only ``lines`` explain: the others cannot."""
        if self.fit is None or not len(lines):
            return 0.0
        window = self.fit.windows[0]
        if later:
            window = window.later(0.5 * window.samples.shape[1] / window.rate_hz)
        everything = np.arange(len(self.fit.f))
        gained = self._left(window, np.setdiff1d(everything, np.asarray(lines))) - self._left(window, everything)
        return min(1.0, max(0.0, gained / (self.late_energy if later else self.energy)))

    def _left(self, window: Window, lines: NDArray[np.intp]) -> float:
        """Energy that ``lines``, their amplitudes refitted, leave in this window."""
        assert self.fit is not None
        left = window.quiet()
        if lines.size:
            left = JointFit([window], self.fit.f[lines], self.fit.a[lines], self.fit.clock).state.parts[0].residual
        return float(np.square(left).sum())


def no_drum(reading: Reading) -> bool:
    """Whether most of what rang late in this reading was not a drum's."""
    return reading.note.refused == NO_DRUM


def tail_of(samples: Array, sample_rate_hz: int, onset_s: float, end_s: float) -> Tail | None:
    """The tail of the strike in samples (n, channels) between ``onset_s`` and ``end_s``; None: too short."""
    end = min(end_s, onset_s + LATE_S + LONGEST_S, len(samples) / sample_rate_hz - 0.004)
    start = onset_s + min(LATE_S, max(_EARLIEST_S, 0.4 * (end - onset_s)))
    step = divisor(sample_rate_hz, True)
    rate = sample_rate_hz / step
    count = int((end - start) * rate)
    if count < _SHORTEST_S * rate:
        return None
    y = decimate(samples, sample_rate_hz, int(start * sample_rate_hz), count, step)
    channel = int(np.argmax(y.std(axis=1)))
    wave = samples[int(start * sample_rate_hz) : int(end * sample_rate_hz), channel]
    noise = _noise_power(samples[:, channel], sample_rate_hz, onset_s, end_s)
    unit = max(1e-2 * float(y[channel].std()), 1e-9)
    window = Window(rate, start - onset_s, y[[channel]] / unit, drift_and_hum(start - onset_s, count, rate, ()), np.ones(count))
    energy = _ringing(wave, sample_rate_hz, noise, window, unit)
    late_energy = _ringing(wave[len(wave) // 2 :], sample_rate_hz, noise, window.later(0.5 * count / rate), unit)
    fit = first_fit([window], most=MOST, glide=False)
    if fit is None:
        steady = float(np.square(window.quiet()).sum()) > LEAST_DRUM * energy
        return Tail(None, np.zeros(0), np.zeros(0), energy, late_energy, steady)
    beside = misfit(fit)
    f_sd, a_sd = (sd * beside for sd in fisher(fit))
    return Tail(fit, f_sd, a_sd, energy, late_energy)


def _ringing(wave: Array, sample_rate_hz: float, noise: float, window: Window, unit: float) -> float:
    """Energy of the wave over the whole band less noise, in units of ``window``, which holds it below 1 kHz: there the lines
    must stand clear of the noise themselves."""
    whole: float = (_power(wave, sample_rate_hz) - noise) * window.samples.shape[1] / unit**2
    return max(whole, float((window.quiet() ** 2).sum()), 1e-12)


def _power(wave: Array, sample_rate_hz: float) -> float:
    """Mean square of the wave (n,) above 18 Hz."""
    spectrum = np.abs(np.fft.rfft(wave - wave.mean())) ** 2
    first = int(np.ceil(_LOWEST_HZ * len(wave) / sample_rate_hz))
    return float(2.0 * spectrum[first:].sum() / len(wave) ** 2)


def _noise_power(wave: Array, sample_rate_hz: float, onset_s: float, end_s: float) -> float:
    """Mean square of the noise in the quieter half of the second before the strike or after its end; 0 where there is none."""
    block = int(_BLOCK_S * sample_rate_hz)
    before = wave[: max(0, int((onset_s - 0.004) * sample_rate_hz))][-20 * block :]
    after = wave[int((end_s + _BLOCK_S) * sample_rate_hz) :][: 20 * block]
    seen = [np.median([_power(w[i : i + block], sample_rate_hz) for i in range(0, len(w) - block + 1, block)])
            for w in (before, after) if len(w) >= block]
    return float(min(seen, default=0.0))


def judged(note: Note, tail: Tail | None, *, single: bool, sized: bool, settled: bool = True) -> tuple[Note, bool]:
    """(the note as the tail leaves it, whether a drum rings at all).

    ``single``: no other strikes scatter about it; ``sized``: the drum's size had its say, a louder line beside is no rival.
    ``settled`` False: the answer moves with the window, so three times the note's energy in another line is enough to refuse.
    """
    if tail is None:
        return note, True
    if tail.steady:  # a gain that rises hides a ring as well: then a size that bears the note decides
        return (note if sized or note.frequency_hz is None else Note(refused=STEADY)), True
    if tail.held < LEAST_DRUM:
        return Note(refused=NO_DRUM), False
    if note.frequency_hz is None or note.inferred or tail.fit is None:
        return note, True
    near = near_lines(tail, note.frequency_hz)
    share, later, alone = tail.share(near.tolist()), tail.share(near.tolist(), later=True), tail.alone
    strongest = int(np.argmax(alone))
    other = strongest not in near
    rival = other and not sized and share < alone[strongest] / ODDS
    if rival and settled and near.size:  # then the louder line must be most of the ring and outlast the note
        rival = bool(alone[strongest] > LEAST_DRUM and tail.fit.a[rest_of(tail, near)] > tail.fit.a[strongest])
    if max(share, later) < LEAST_NOTE or rival:
        return Note(refused=_weak(note.frequency_hz, float(tail.fit.f[strongest]) if other else None)), True
    return _settled(note, tail, rest_of(tail, near), single), True


def near_lines(tail: Tail, frequency: float) -> NDArray[np.intp]:
    """Indices of the tail's lines too near to ``frequency`` [Hz] to be another mode."""
    f = np.zeros(0) if tail.fit is None else tail.fit.f
    return np.nonzero(np.abs(f / frequency - 1.0) < _NEAR)[0]


def rest_of(tail: Tail, near: NDArray[np.intp]) -> int:
    """Of the strong ones among the lines ``near`` the one that rings longest: where the pitch comes to rest."""
    assert tail.fit is not None
    strong = near[tail.alone[near] >= _STRONG * tail.alone[near].max()]
    return int(strong[np.argmin(tail.fit.a[strong])])


def beside_unsettled(note: Note, partials: Sequence[Partial]) -> Note:
    """The note of a strike that did not settle: refused where what rings most after 250 ms is not the note but unsure itself."""
    if note.frequency_hz is None or note.inferred or not partials:
        return note
    loudest = max(partials, key=_after)
    if abs(loudest.frequency_hz / note.frequency_hz - 1.0) < _NEAR:
        return note
    return Note(refused=f"what rings on most, {loudest.frequency_hz:.0f} Hz, moves with the part of the ring that is read, so "
                        f"{note.frequency_hz:.1f} Hz beside it is no sure note: strike softer, or name the drum.")


def _after(p: Partial, late_s: float = 0.25) -> float:
    """Level [dB] after ``late_s``, in the partial's best channel."""
    return max((x for x in p.level_dbfs if x is not None), default=-200.0) - 20.0 * math.log10(math.e) * late_s / p.decay_s


def _settled(note: Note, tail: Tail, rest: int, single: bool) -> Note:
    """The note with its bar held against line ``rest`` of the tail; refused where both cannot be the same partial."""
    assert tail.fit is not None and note.frequency_hz is not None
    f, a = float(tail.fit.f[rest]), float(tail.fit.a[rest])
    slowest = max(a - _AGREE * float(tail.a_sd[rest]), 1e-3)
    if f / slowest < SHORTEST_SWINGS:
        return Note(refused=too_short(f, 1.0 / a))
    if not single:
        return note
    away = abs(f - note.frequency_hz)
    if away / _AGREE > UNSURE * f:
        return Note(refused=f"the partial read at {note.frequency_hz:.1f} Hz over the whole strike lies at {f:.1f} Hz late in the "
                            "ring, so neither is claimed: strike softer and let it ring.")
    if away < _AGREE * math.hypot(note.sd_hz or 0.0, float(tail.f_sd[rest])):
        return note
    return replace(note, sd_hz=math.hypot(note.sd_hz or 0.0, away / _AGREE))


def _weak(f: float, other: float | None) -> str:
    beside = "" if other is None else f" (most is at {other:.0f} Hz)"
    return (f"the partial at {f:.1f} Hz holds little of what rings on{beside} and may not be the drum's: strike nearer the centre, "
            "put the microphone on the axis, or name the drum.")
