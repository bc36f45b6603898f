"""What bounds a plan: creases below, the film above, the clock, and the words of caution that go with it.

The bounds are common practice without a source unless the drum's own log says otherwise; they are defaults.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from ..constants import FILM_DENSITY
from ..errors import InputError
from ..infer.history import fit_of, head_or_none
from ..records import Drum, HeadName, State

CREASE_TENSION = 200.0  # N/m of a 0.353 kg/m2 film: just above where the last creases go, common practice
CREASE_FILM = 0.3531  # kg/m2, the film that figure is for; it goes with the root of the film's mass
WORKING_STRESS = 20e6  # Pa, film in use; the trade's limit on a 14 in snare side near 400 Hz is about 45e6
HISTORY_REACH = 1.15  # up to this times the tightest tension in the log counts as known ground
SECONDS_A_ROD = 25.0  # s, key on, turn, key off, with its share of the reading afterwards
SECONDS_A_READING = 30.0  # s, three strikes and a look, once a step
LARGEST_STEP = 2.0  # eighths a rod in one pass once there is a note: a quarter turn


@dataclass(frozen=True)
class Bounds:
    """Tensions [N/m] between which one head may be put, and why."""

    lowest: float
    highest: float
    known_highest: float  # tightest this log has been, with a little room
    known_lowest: float


def film_bounds(surface_density: float) -> tuple[float, float]:
    """Creases below and working stress above [N/m] of a film of ``surface_density`` [kg/m2]."""
    low = CREASE_TENSION * sqrt(surface_density / CREASE_FILM)
    return low, WORKING_STRESS * surface_density / FILM_DENSITY


def bounds(drum: Drum, head: HeadName, states: Sequence[State] = ()) -> Bounds:
    """Bounds of one head from its film and from where its log has already been without a remark of creases.

    A tension found in the log widens the lower bound to it: this head has sounded there.
    """
    film = drum.head(head).surface_density
    low, high = film_bounds(film)
    found = []
    for state in states:
        fit = fit_of(state)
        part = (fit.batter if head == "batter" else fit.resonant) if fit else None
        same = head_or_none(state, head)
        if part is not None and same is not None and abs(same.surface_density / film - 1.0) < 0.15:
            found.append((part.tension, "crease" in state.remark.lower() or "wrinkl" in state.remark.lower()))
    sounded = [t for t, creased in found if not creased]
    creased = [t for t, bad in found if bad]
    lowest = min([low, *sounded])
    if creased:
        lowest = max(lowest, max(creased) * 1.05)
    now = drum.head(head).tension
    known = [*sounded, *([now] if now else [])]
    return Bounds(lowest, max(high, *(known or [0.0])), max(known or [0.0]) * HISTORY_REACH,
                  min(known or [0.0]) / HISTORY_REACH)


def minutes_for(rods: int, passes: int) -> float:
    """Minutes that ``passes`` rounds over ``rods`` rods take, with a reading after each."""
    return (SECONDS_A_ROD * rods + SECONDS_A_READING) * passes / 60.0


def passes_for(eighths: float) -> int:
    """Rounds that a turn of ``eighths`` takes in steps of at most a quarter turn a rod."""
    return int(-(-abs(eighths) // LARGEST_STEP))


def split(eighths: float) -> list[float]:
    """Eighths of each pass (halves allowed): at most a quarter turn, as equal as can be, the larger ones first."""
    count = passes_for(eighths)
    if count == 0:
        return []
    sign = 1.0 if eighths > 0 else -1.0
    base, more = divmod(round(2.0 * abs(eighths)), 2 * count)  # whole eighths each, and the halves that are left
    whole, half = divmod(more, 2)
    out = [base + (i < whole) + 0.0 for i in range(count)]
    if half:
        out[whole] += 0.5
    return [sign * e for e in out]


def check_minutes(minutes: float | None) -> None:
    """Raise InputError for a time that is no time."""
    if minutes is not None and not 1.0 <= minutes <= 600.0:
        raise InputError(f"minutes = {minutes:g} is outside 1 to 600: give the minutes you have.")


def turning_cautions(turned: Sequence[tuple[HeadName, float]], *, near_low: Sequence[HeadName],
                     near_high: Sequence[HeadName], extrapolated: Sequence[str], drum: Drum,
                     hurried: bool, new: Sequence[HeadName] = ()) -> list[str]:
    """Cautions for a plan that turns rods: the standing one first, then what this plan calls for."""
    if not turned:
        return []
    out = ["Small equal steps, opposite rods in turn; never force a rod."]
    if any(e > 0 for _, e in turned):
        out.append("Stop when film creaks, a hoop touches its lugs or a rod binds.")
    if any(e < 0 for _, e in turned):
        out.append("Slacken in the same cross pattern, and stop at the first crease.")
    out += list(extrapolated)
    for head in near_high:
        out.append(f"The {head} head ends near the working limit of its film: go by eighths and read after each.")
    for head in near_low:
        out.append(f"The {head} head ends near where film creases: look along it against the light.")
    for head in new:
        out.append(f"The {head} head is new: it settles for days, so read again tomorrow before you trust the note.")
    if drum.resonant is not None and drum.resonant.opening is not None and any(h == "resonant" for h, _ in turned):
        out.append("Do not lean on the resonant head: a nick at its opening tears on.")
    if drum.diameter >= 0.45 and len({h for h, _ in turned}) == 2:
        out.append("Both heads of a large drum: move it with a second pair of hands and lay it on a flat floor.")
    if hurried:
        out.append("In a hurry and on another person's drum: ask first, and note what you turned so it can go back.")
    out.append("Full strokes with ears near the head: plugs in.")
    return out
