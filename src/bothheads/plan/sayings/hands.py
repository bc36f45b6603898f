"""Sayings about turning rods, evenness and the weather."""

from __future__ import annotations

from collections.abc import Iterator
from math import log
from typing import TYPE_CHECKING

import numpy as np

from ...errors import InputError
from ...physics.coupled import solve
from ...physics.hoop import Mount, usual_hoop
from ...physics.uneven import SMALL, Film, even_pull
from ...physics.weather import carried
from ...records import HEADS, HeadName
from ...units import cents
from ..tuning import highest
from . import logged
from .drums import Specimen
from .model import Model, scaled
from .record import PITCH_CENTS, Saying, Trial, less, more

if TYPE_CHECKING:
    from numpy.typing import NDArray

GAINS = (150.0, 300.0, 600.0)  # N/m that a whole turn of every rod adds: common practice, learned per drum from a log
TURN = 0.25
WARMER_K = 10.0
HEARD_DB = 30.0  # a pair that has fallen this far no longer beats for an ear


def quarter_turn(model: Model, s: Specimen) -> Iterator[Trial]:
    """Rise of the note by a quarter turn on every rod of the batter."""
    for gain in GAINS:
        tension = s.drum.batter.tension or 0.0
        yield Trial(cents(model.hertz(scaled(s.drum, batter=1.0 + TURN * gain / tension)), s.note_hz), {"gain": gain})


def _one_rod(s: Specimen, gain: float) -> tuple[Film, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The batter as a film (other head held), its even pull, the pull with rod 1 a quarter turn tighter, the rods' angles."""
    head = s.drum.batter
    mount = Mount(radius=s.drum.radius, rods=head.rods, surface_density=head.surface_density,
                  hoop=usual_hoop(s.drum.radius)).with_gain(gain)
    even = even_pull(head.tension or 0.0)
    return (Film(s.drum.radius, head.surface_density, s.drum.depth, air=s.drum.air), even,
            even + TURN * mount.pull_per_turn()[:, 0], mount.angles)


def one_rod_warbles(model: Model, s: Specimen) -> Iterator[Trial]:
    """Split [Hz] of the (1,1) pair by one rod a quarter turn off."""
    for gain in GAINS:
        film, _, pull, _ = _one_rod(s, gain)
        modes = film.modes(pull, size=SMALL)
        names = modes.families(12)
        pair = [float(modes.omega[i]) / (2 * np.pi) for i, name in enumerate(names) if name == (1, 1)]
        yield Trial(max(pair) - min(pair), {"gain": gain})


def _shifts(s: Specimen) -> NDArray[np.float64]:
    """Shifts of the pitches tapped at all rods by a quarter turn of the first, over that rod's own."""
    film, even, pull, angles = _one_rod(s, GAINS[1])
    before, after = (film.taps(p, angles, ((1, 1),), size=SMALL)[1, 1][0] for p in (even, pull))
    moved = np.log(after / before)
    return np.asarray(moved / moved[0])


def opposite_rod(model: Model, s: Specimen) -> Iterator[Trial]:
    """Shift at the rod opposite."""
    yield Trial(float(_shifts(s)[s.drum.batter.rods // 2]))


def square_rod(model: Model, s: Specimen) -> Iterator[Trial]:
    """Shift at the rod a quarter of the way round."""
    yield Trial(float(_shifts(s)[s.drum.batter.rods // 4]))


def neighbour_rod(model: Model, s: Specimen) -> Iterator[Trial]:
    """Shift at the rod next to it."""
    yield Trial(float(_shifts(s)[1]))


def one_hertz_beats(model: Model, s: Specimen) -> Iterator[Trial]:
    """Whole beats of a 1 Hz split before the (1,1) pair has fallen 30 dB: that time times 1 Hz."""
    modes = solve(s.drum, fmax_hz=3.0 * highest(s.drum))
    decays = [float(t) for t, m in zip(modes.decay_s, modes.order, strict=True) if m == 1][:2]
    if decays:
        yield Trial(max(decays) * HEARD_DB / 20.0 * log(10.0))


def _carried(model: Model, s: Specimen, kelvins: float, gain: float) -> float:
    """Change of the note [cents] from 20 C; nan where a head would hang slack."""
    mount: dict[HeadName, float] = dict.fromkeys(HEADS, gain)
    try:
        start, end = (carried(s.drum, from_c=20.0, to_c=20.0 + k, rim="wood", per_turn=mount)[0] for k in (0.0, kelvins))
    except InputError:
        return float("nan")
    return cents(model.hertz(end), model.hertz(start))


def heat(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note from 20 to 30 C."""
    for gain in GAINS:
        yield Trial(_carried(model, s, WARMER_K, gain), {"gain": gain})


def cold(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note from 20 to 10 C."""
    for gain in GAINS:
        yield Trial(_carried(model, s, -WARMER_K, gain), {"gain": gain})


def full_hall(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note, either way, by a hall that has grown 5 K warmer."""
    for gain in GAINS:
        yield Trial(abs(_carried(model, s, 5.0, gain)), {"gain": gain})


_GAIN = "a turn of every rod adding 150, 300 or 600 N/m"
_TAPPED = "pitch tapped near a rod, other head held: shift by a quarter turn of one rod over that rod's own shift,"
_HALF = "as said from a quarter of it on"
_RIM = f"wood rim, hoop and collar giving way as they do to the rods ({_GAIN})"
SAYINGS = (
    Saying("quarter-turn-is-heard", "hands", "A quarter turn on every rod is heard.",
           f"rise of the note by a quarter turn on every batter rod, {_GAIN}", more(PITCH_CENTS, "cents"), quarter_turn,
           left_out="the gain of a real head, which its own log teaches", logged=logged.QUARTER_TURN),
    Saying("one-rod-warbles", "hands", "One rod that is off makes the drum warble.",
           f"split of the tapped (1,1) pair by one batter rod a quarter turn off, {_GAIN}; heard from 0.5 Hz on",
           more(0.5, "Hz"), one_rod_warbles, left_out="evenness of the other rods, a bent hoop, a bad edge"),
    Saying("neighbour-moves", "hands", "Turning one rod also moves the pitch at its neighbours.",
           f"{_TAPPED} at the rod next to it; {_HALF}", more(0.25, "of its own shift"), neighbour_rod),
    Saying("opposite-rod-moves", "hands", "Turning one rod also moves the pitch at the rod opposite.",
           f"{_TAPPED} at the rod opposite; {_HALF}", more(0.25, "of its own shift"), opposite_rod),
    Saying("half-turn-changes-all", "hands", "Turning one rod changes the whole drum.",
           f"{_TAPPED} a quarter of the way round; {_HALF}", more(0.25, "of its own shift"), square_rod),
    Saying("one-hertz-one-beat", "hands", "A split of 1 Hz is heard as one beat a second.",
           f"whole beats of a 1 Hz split of the (1,1) pair before it has fallen {HEARD_DB:g} dB; that two tones 1 Hz apart "
           "beat once a second is arithmetic, that the drum rings long enough is not", more(1.0, "beats"), one_hertz_beats),
    Saying("heat-loosens", "weather", "Heat loosens the heads and lowers the note.",
           f"change of the note from 20 to {20 + WARMER_K:g} C, {_RIM}", less(PITCH_CENTS, "cents"), heat,
           left_out="humidity in a wood shell, creep", logged=logged.WARMER),
    Saying("cold-tightens", "weather", "Cold tightens the heads and raises the note.",
           f"change of the note from 20 to {20 - WARMER_K:g} C, {_RIM}", more(PITCH_CENTS, "cents"), cold,
           left_out="a film so cold that it goes stiff; humidity", logged=logged.COLDER),
    Saying("full-hall-needs-touching-up", "weather", "From the empty afternoon to the full night the drum needs touching up.",
           f"change of the note, either way, in a hall 5 K warmer, {_RIM}", more(PITCH_CENTS, "cents"), full_hall,
           left_out="the breath and the coats of a full hall"),
)
