"""What the model says: a forecast, and the two heads as fitted."""

from __future__ import annotations

from dataclasses import dataclass

from ..constants import LN_1000
from .heard import Note


@dataclass(frozen=True)
class ModelPartial:
    """One partial of the model. ``share_batter`` = part of its pitch that the batter's tension owns [0-1]."""

    frequency_hz: float
    decay_s: float
    m: int | None  # nodal diameters; None where a pad or an opening mixes orders
    level_db: dict[str, float]  # per place, dB re 20 uPa at the end of the push
    frequency_sd_hz: float | None = None
    decay_sd_s: float | None = None
    share_batter: float | None = None
    label: str | None = None  # '(0,1)' etc. where a name is safe

    @property
    def t60_s(self) -> float:
        """Time to fall 60 dB [s]."""
        return LN_1000 * self.decay_s


@dataclass(frozen=True)
class Feel:
    """Feel under the foot in numbers; None where nothing is known."""

    air_round_trip_ms: float  # 2 depth / c
    contact_ms: float | None = None
    rebound: float | None = None  # speed leaving over speed arriving
    air_answer_share: float | None = None  # of the contact during which the air has answered [0-1]


@dataclass(frozen=True)
class Prediction:
    """A forecast for a drum as described."""

    partials: tuple[ModelPartial, ...]
    note: Note
    feel: Feel
    head_pitch_hz: dict[str, float]  # (0,1) of each head, other held still
    own_modes: dict[str, tuple[tuple[float, str], ...]]  # per head: (frequency_hz, label), other held still
    roundness_db: float | None = None
    warnings: tuple[str, ...] = ()
    render_gain_db: float | None = None
    glide_cents: float | None = None  # start minus rest of the lowest credible partial, at the drum file's strike


@dataclass(frozen=True)
class HeadFit:
    """Tension of one head as found, with its spread."""

    tension: float  # N/m
    tension_sd: float
    head_pitch_hz: float | None = None
    surface_density: float | None = None  # kg/m2 as found
    resistance: float | None = None  # N s/m3 as found


@dataclass(frozen=True)
class FitPair:
    """A measured partial beside the mode that explains it."""

    measured_hz: float
    model_hz: float | None  # None = foreign, no mode explains it
    cents: float | None  # 1200 log2(measured / model)
    m: int | None
    n: int | None = None


@dataclass(frozen=True)
class Alternative:
    """A rival explanation with its odds."""

    batter: HeadFit
    resonant: HeadFit | None
    odds: float


@dataclass(frozen=True)
class Fit:
    """What the two heads are doing. ``log_cov``: covariance of (u, d) = (mean ln T, ln Tb - ln Tr), 2 x 2."""

    batter: HeadFit | None
    resonant: HeadFit | None
    odds: float
    alternatives: tuple[Alternative, ...]
    partials: tuple[FitPair, ...]
    identifiable: bool
    refused: str | None
    log_cov: tuple[tuple[float, float], tuple[float, float]] | None = None
    change_sd: float | None = None  # relative sd of a tension's change since the last state of this drum
    stiffness_loss: float | None = None
    warnings: tuple[str, ...] = ()
