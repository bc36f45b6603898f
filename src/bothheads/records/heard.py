"""What was heard: partials, strikes, the note, a reading, a round of taps."""

from __future__ import annotations

from dataclasses import dataclass

from ..constants import LN_1000


@dataclass(frozen=True)
class Partial:
    """One decaying sinusoid A exp(-t/decay_s) cos(2 pi f t + phase) of a strike, at rest."""

    frequency_hz: float
    frequency_sd_hz: float | None
    decay_s: float
    decay_sd_s: float | None
    level_db: tuple[float | None, ...]  # per channel, 0 = that channel's strongest partial
    level_dbfs: tuple[float | None, ...]  # per channel, peak amplitude at onset + 6 ms
    strikes: int = 1  # in how many strikes it was found
    remark: str | None = None  # e.g. 'pair closer than the ring can separate'

    @property
    def t60_s(self) -> float:
        """Time to fall 60 dB [s]."""
        return LN_1000 * self.decay_s


@dataclass(frozen=True)
class StrikeReading:
    """One strike found in a recording."""

    onset_s: float  # first audible sample (2 % of the peak) in the earliest channel
    peak_dbfs: tuple[float | None, ...]  # per channel; None = that microphone did not hear this strike
    glide_cents: float | None
    partials: tuple[Partial, ...] = ()
    end_s: float | None = None  # where it sinks into the noise or the next strike begins
    delay_s: tuple[float, ...] = ()  # per channel, after the earliest


@dataclass(frozen=True)
class Note:
    """The drum note, or a refusal with its reason. ``frequency_hz`` None = refused."""

    frequency_hz: float | None = None
    sd_hz: float | None = None
    decay_s: float | None = None
    t60_s: float | None = None
    name: str | None = None
    refused: str | None = None
    inferred: bool = False  # below the microphone's reach: inferred, not heard


@dataclass(frozen=True)
class Remainder:
    """What the partials leave unexplained: ``share`` of the strike's energy [0-1] put down to a named cause."""

    cause: str
    share: float


@dataclass(frozen=True)
class Levels:
    """How loud a take is, re full scale: an uncalibrated microphone gives no sound-pressure level."""

    strike_db: tuple[float, ...]  # per strike, rms over the 50 ms from its onset
    loudness_lufs: float | None  # ITU-R BS.1770-4 over what was read; None under 0.4 s or below the gate
    octaves: tuple[tuple[float, float], ...]  # of the loudest strike: IEC 61260-1 mid-band frequency [Hz], level [dB]
    edt_s: float | None  # of the loudest strike, ISO 3382-1: time for 60 dB from the first 10 dB,
    t20_s: float | None  # from -5 to -25 dB,
    t30_s: float | None  # from -5 to -35 dB; None where noise or the next strike comes first


@dataclass(frozen=True)
class Reading:
    """Everything read from one recording, or joined from several of one state."""

    sample_rate_hz: int
    channels: tuple[str, ...]
    strikes: tuple[StrikeReading, ...]
    partials: tuple[Partial, ...]  # joined over strikes, sorted by frequency
    note: Note
    warnings: tuple[str, ...] = ()
    explained_db: float | None = None  # energy over what the partials leave, from 22 ms on
    remainder: tuple[Remainder, ...] = ()
    settled: bool = True  # False: the answer moves with the window, see warnings
    explained_late_db: float | None = None  # the same from 150 ms on
    levels: Levels | None = None


@dataclass(frozen=True)
class Tap:
    """One tap near one rod."""

    rod: int
    rod_pitch_hz: float | None
    sd_hz: float | None
    split_hz: float | None  # of the pair shared by all taps
    partials: tuple[tuple[float, float], ...]  # (frequency_hz, level_db re the tap's strongest)


@dataclass(frozen=True)
class TapReading:
    """A round of taps on one head, in order of the rods."""

    taps: tuple[Tap, ...]
    evenness_cents: float | None  # largest minus smallest rod pitch, as heard
    pair_hz: tuple[float, float] | None  # the (1,1) pair shared by all taps
    families: tuple[tuple[float, float], ...] = ()  # further shared pairs (low, high) [Hz]
    warnings: tuple[str, ...] = ()
    refused: str | None = None
