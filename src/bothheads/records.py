"""Frozen records that travel between the layers. SI inside; no behaviour beyond derived properties.

Axes: z along the drum from the batter plane (0) to the resonant plane (depth), minus on the player's
side; y up; x to the player's left, seen from behind the batter (right-handed). Angles of rods are
counted clockwise as one faces that head, from +y. Heads are named ``batter`` and ``resonant``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

from .constants import (
    AIR_DENSITY,
    ASSUMED_RESISTANCE,
    ASSUMED_STIFFNESS_LOSS,
    LN_1000,
    SPEED_OF_SOUND,
    STRIKE_DURATION,
    STRIKE_FORCE,
    STRIKE_RADIUS_SD,
)

HeadName = Literal["batter", "resonant"]
HEADS: tuple[HeadName, HeadName] = ("batter", "resonant")


# ------------------------------------------------------------------ the drum as it stands
@dataclass(frozen=True)
class Air:
    """Air in and around the drum. ``temperature_c`` etc. are kept as given; c and rho follow from them."""

    speed_of_sound: float = SPEED_OF_SOUND  # m/s
    density: float = AIR_DENSITY  # kg/m3
    temperature_c: float | None = None
    humidity_percent: float | None = None
    pressure_hpa: float | None = None


@dataclass(frozen=True)
class Opening:
    """A round hole in the resonant head, centre (x, y) [m] on the head's plane, free edge."""

    diameter: float  # m
    x: float = 0.0  # m
    y: float = 0.0  # m


@dataclass(frozen=True)
class Head:
    """One head: film, tension and losses. ``tension`` None = not known, ``resistance`` None = assumed."""

    surface_density: float  # kg/m2, film without patches and rings
    rods: int = 8
    first_rod_deg: float = 0.0  # deg clockwise from +y, facing this head
    tension: float | None = None  # N/m, mean over the head
    resistance: float | None = None  # N s/m3, loss proportional to the film's velocity
    stiffness_loss: float | None = None  # s, T (1 + stiffness_loss d/dt)
    plies: int = 1
    opening: Opening | None = None  # resonant head only

    @property
    def resistance_used(self) -> float:
        """Resistance [N s/m3] that the model uses: the given one, else the assumed one."""
        return ASSUMED_RESISTANCE if self.resistance is None else self.resistance

    @property
    def stiffness_loss_used(self) -> float:
        """Stiffness loss [s] that the model uses: the given one, else the assumed one."""
        return ASSUMED_STIFFNESS_LOSS if self.stiffness_loss is None else self.stiffness_loss


@dataclass(frozen=True)
class Muffling:
    """Something that touches the film. ``mass`` is per head touched, spread over the whole area.

    pad, patch: disc at (x, y) of ``radius``; strip: straight across at ``y`` of ``width``; ring: ``width``
    inwards from the edge; filling: loose stuff lying at the bottom of the shell against the heads.
    """

    kind: Literal["pad", "patch", "strip", "ring", "filling"]
    heads: tuple[HeadName, ...] = ("batter",)
    x: float = 0.0  # m
    y: float = 0.0  # m
    radius: float | None = None  # m
    width: float | None = None  # m
    mass: float = 0.0  # kg per head touched
    resistance: float = 0.0  # N s/m3 over its area
    stiffness: float = 0.0  # N/m3 over its area, to the other head or to the shell


@dataclass(frozen=True)
class Strike:
    """A raised-cosine push on the batter, Gaussian spot at (x, y)."""

    x: float = 0.03  # m
    y: float = 0.0  # m
    force: float = STRIKE_FORCE  # N, peak
    duration: float = STRIKE_DURATION  # s
    radius_sd: float = STRIKE_RADIUS_SD  # m


@dataclass(frozen=True)
class Microphone:
    """A place where sound is heard or taken [m], with its name."""

    name: str
    x: float
    y: float
    z: float


@dataclass(frozen=True)
class Floor:
    """A reflecting plane near the drum: below a lying drum, under the resonant head of an upright one."""

    gap: float  # m between the floor and the drum's nearest point
    reflection: float = 0.9  # pressure reflection, 0 (none) to 1 (rigid)
    upright: bool = False  # True: the drum's axis is vertical, the floor lies beyond the resonant head


@dataclass(frozen=True)
class Drum:
    """A drum as it stands. ``resonant`` None = the drum has no resonant head."""

    name: str
    diameter: float  # m
    depth: float  # m
    batter: Head
    resonant: Head | None
    muffling: tuple[Muffling, ...] = ()
    strike: Strike = field(default_factory=Strike)
    microphones: tuple[Microphone, ...] = ()
    air: Air = field(default_factory=Air)
    wires_on: bool = False  # snare wires: readings say so and the fit is refused
    floor: Floor | None = None  # None: free field

    @property
    def radius(self) -> float:
        """Radius [m]."""
        return self.diameter / 2.0

    @property
    def places(self) -> tuple[Microphone, ...]:
        """The drum's microphones, else the four reference places."""
        return self.microphones or reference_places(self.depth)

    def head(self, name: HeadName) -> Head:
        """The head called ``name``; ValueError when the drum has none of that name."""
        found = self.batter if name == "batter" else self.resonant
        if found is None:
            raise ValueError("this drum has no resonant head")
        return found

    def with_head(self, name: HeadName, **changes: Any) -> Drum:
        """A copy of the drum with fields of one head replaced."""
        head = replace(self.head(name), **changes)
        return replace(self, batter=head) if name == "batter" else replace(self, resonant=head)


def reference_places(depth: float) -> tuple[Microphone, ...]:
    """The four reference places [m] of a drum ``depth`` [m] deep: seat, front, side, top."""
    return (
        Microphone("seat", 0.0, 0.45, -0.45),
        Microphone("front", 0.0, 0.0, depth + 0.6),
        Microphone("side", 0.9, 0.0, depth / 2.0),
        Microphone("top", 0.0, 0.8, depth / 2.0),
    )


# ------------------------------------------------------------------ what was heard
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
    peak_dbfs: tuple[float, ...]
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


# ------------------------------------------------------------------ what the model says
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


# ------------------------------------------------------------------ what hands do
@dataclass(frozen=True)
class Turn:
    """Rods of one head turned since the state before [turns, plus = tighter]; rod None = all rods."""

    head: HeadName
    turns: float
    rod: int | None = None


@dataclass(frozen=True)
class RodTurn:
    """One rod's part of a step [eighths of a turn, plus = tighter; may be x.5]."""

    rod: int
    eighths: float


@dataclass(frozen=True)
class PlanStep:
    """One step for the hands, the order of rods and what to do after it."""

    head: HeadName
    rods: tuple[RodTurn, ...]
    order: tuple[int, ...]
    then: str  # 'read', 'tap', 'done'
    expected: dict[str, Any] = field(default_factory=dict)  # forecast after this step, contract keys
    muffling: str | None = None  # words, when the step is not a turn


@dataclass(frozen=True)
class Plan:
    """Turns that lead to a wish, with forecast and cautions."""

    steps: tuple[PlanStep, ...]
    expected: dict[str, Any]
    cautions: tuple[str, ...]
    refused: str | None = None
    cannot: tuple[str, ...] = ()  # parts of the wish that cannot be met, in words
    minutes: float | None = None


@dataclass(frozen=True)
class Difference:
    """b - a of one quantity."""

    what: str
    a: float | None
    b: float | None
    unit: str
    sd: float | None


@dataclass(frozen=True)
class Comparison:
    """Two recordings, level-matched and aligned. ``gain_db`` is what B gets; ``delay_ms`` > 0 = B is late."""

    gain_db: float
    delay_ms: float
    differences: tuple[Difference, ...]
    partials: tuple[dict[str, Any], ...]
    warnings: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cause:
    """One possible reason for a change between two states, with its odds."""

    what: str
    odds: float
    words: str


# ------------------------------------------------------------------ what is kept
@dataclass(frozen=True)
class Take:
    """One recording that belongs to a state; ``sha256`` names its FLAC file."""

    id: int
    sha256: str
    channels: tuple[str, ...]
    sample_rate_hz: int
    frames: int
    recorded_at: str  # ISO 8601, UTC
    source_name: str = ""


@dataclass(frozen=True)
class State:
    """Everything that was set on a drum at one time, with what was read and fitted."""

    drum_id: int
    number: int  # counts from 1 on each drum
    made_at: str  # ISO 8601, UTC
    drum: Drum  # the drum as described in this state, tensions as fitted where known
    turns: tuple[Turn, ...] = ()  # since the state before
    reading: dict[str, Any] | None = None  # contract JSON of the reading
    fit: dict[str, Any] | None = None  # contract JSON of the fit
    takes: tuple[Take, ...] = ()
    place: str = ""
    remark: str = ""
    who: str = ""
    beater: str = ""
    settings: dict[str, str] = field(default_factory=dict)  # further --set KEY=VALUE, room, humidity, ...


@dataclass(frozen=True)
class DrumEntry:
    """A drum in the log."""

    id: int
    name: str
    drum: Drum  # as described when it was added or last corrected
    toml: str
    added_at: str
    states: int = 0
