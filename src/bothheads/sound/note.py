"""Which partial is the drum note: the one in which both films move together as (0,1).

No single sign is enough, so the signs are weighed as odds: nothing of the drum lies below it except the leak mode of an
opening; a gap lies above it (the (1,1) pair begins at 1.45 times, the upper (0,1) at 1.9 to 2.8 times); it holds a large
part of the ringing energy; it is heard along the axis more than beside the drum; and the tension that it asks of a film
of the drum's size must be one that heads bear. Within odds of 3:1 the note is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..constants import AIR_DENSITY
from ..records import Drum, Note, Partial
from ..units import note_name

ODDS = 3.0
_AXIS, _BESIDE = {"seat", "front"}, {"side", "top"}
_GAP = (1.06, 1.45)  # times the note: no mode of a two-headed drum lies here
SHORTEST_SWINGS = 3.5  # f tau below which nothing is heard as a pitch
UNSURE = 0.02  # relative standard deviation beyond which no note is claimed
LONGEST_S = 3.0  # decay of a note: air and films damp both together faster (reference drums to 2.2 s; gain control adds a third)
_LATE_S = 0.08  # after which the ringing energy counts
_SAME = 0.02  # relative; closer partials are one note or none
_RINGS_ON = -6.0  # log odds of a line that outlasts any note
_FOREIGN = -3.0  # log odds that a partial as strong as the note is not of the drum
_SURFACE_DENSITY = 0.33  # kg/m2, usual film, +-35 %
_TENSION_BASS, _TENSION_TOM = 520.0, 1000.0  # N/m, usual over and under 0.42 m, a factor 2.2 either way
_BELOW_REACH = {"11": (1.75, 0.07), "01u": (2.35, 0.20)}  # of the lowest heard partial over the unheard note: ratio, sd


_MIXED = ("the note may lie below the microphone's reach, and with a pad or an opening it cannot be inferred from what is heard: "
          "put the microphone nearer.")


def name_note(
    partials: Sequence[Partial], *, diameter: float | None = None, depth: float | None = None, two_heads: bool = True,
    channels: Sequence[str] = (), opening: bool | None = None, mixed: bool = False,
) -> Note:
    """The drum note among ``partials`` (joined over strikes), or a refusal with its reason in one sentence.

    Parameters
    ----------
    partials : any order
    diameter, depth : size of the shell [m] when known; then an impossible tension counts against a candidate
    two_heads : False = no resonant head
    channels : names of the channels, in the order of each partial's levels
    opening : whether the resonant head has a hole, None = not known; with one the lowest partial is its leak mode
    mixed : a pad or an opening changes the pattern of ratios: an unheard note is then not inferred from it
    """
    heard = sorted((p for p in partials if p.frequency_hz > 0.0 and p.decay_s > 0.0), key=lambda p: p.frequency_hz)
    if not heard:
        return Note(refused="no partial stands clear of the noise, so there is no note: strike again and let it ring.")
    if all(rings_on(p) for p in heard):
        return Note(refused=f"what is heard ({heard[0].frequency_hz:.1f} Hz and up) outlasts any drum, as hum, a tone or a cymbal "
                            "does: strike the drum alone, nearer the microphone.")
    scores = [_RINGS_ON * rings_on(p) + _log_odds(heard, k, diameter, depth, two_heads, channels)
              + _leak(heard, k, opening) for k, p in enumerate(heard)]
    best = max(range(len(heard)), key=lambda k: scores[k])
    below = _below_reach(heard, diameter, depth, two_heads)
    if below is not None and mixed and below[0] - scores[best] > math.log(ODDS):
        return Note(refused=_MIXED)
    if below is not None and below[0] - scores[best] > math.log(ODDS):
        return _inferred(below[1], below[2], heard[0])
    rivals = [k for k in range(len(heard)) if k != best and not _agree(heard[best], heard[k])
              and (scores[best] - scores[k] < math.log(ODDS) or _beats(heard[best], heard[k]))]
    if rivals:
        return Note(refused=_between(heard[best], heard[max(rivals, key=lambda k: scores[k])]))
    if below is not None and scores[best] - below[0] < math.log(ODDS):
        return Note(refused=f"the lowest partial heard, {heard[best].frequency_hz:.1f} Hz, may not be the note: it may lie "
                            "below the microphone's reach, so put the microphone nearer or name the drum.")
    return _judged(heard[best], _twins(heard, best))


def _agree(a: Partial, b: Partial) -> bool:
    """Whether two partials are the same line within their errors."""
    sd = math.hypot(a.frequency_sd_hz or 0.0, b.frequency_sd_hz or 0.0)
    return abs(a.frequency_hz - b.frequency_hz) < 2.0 * sd


def _beats(a: Partial, b: Partial) -> bool:
    """Whether two lines within 5 % ring as long and as loud as one another: the pair of an uneven head."""
    near = abs(a.frequency_hz / b.frequency_hz - 1.0) < 0.05
    return near and 1 / 1.4 < a.decay_s / b.decay_s < 1.4 and abs(_ring_db(a) - _ring_db(b)) < 4.0


def _judged(p: Partial, twins: Sequence[Partial]) -> Note:
    """The note that partial ``p`` is, unless it is too short or too unsure; twins as strong late widen its error."""
    if p.frequency_hz * p.decay_s < SHORTEST_SWINGS:
        return Note(refused=too_short(p.frequency_hz, p.decay_s))
    if p.frequency_sd_hz is not None and p.frequency_sd_hz > UNSURE * p.frequency_hz:
        return Note(refused=f"the partial at {p.frequency_hz:.0f} Hz is known only to {p.frequency_sd_hz:.1f} Hz: strike "
                            "softer and let it ring.")
    near = [abs(q.frequency_hz - p.frequency_hz) for q in twins
            if q.frequency_hz < (1.0 + _SAME) * p.frequency_hz and _ring_db(q) > _ring_db(p)]
    sd = p.frequency_sd_hz if not near or p.frequency_sd_hz is None else math.hypot(p.frequency_sd_hz, 0.3 * max(near))
    return Note(p.frequency_hz, sd, p.decay_s, p.t60_s, note_name(p.frequency_hz))


def too_short(frequency: float, decay_s: float) -> str:
    """The refusal of a drum whose note dies away before it is heard as one."""
    return (f"the drum dies away within {max(1, round(frequency * decay_s))} swings at {frequency:.0f} Hz, too short for a note: "
            "take muffling out or strike softer.")


def _inferred(frequency: float, relative_sd: float, lowest: Partial) -> Note:
    if relative_sd > 0.10:
        return Note(refused=f"the note lies below {lowest.frequency_hz:.0f} Hz, where this recording holds nothing: put the "
                            "microphone nearer, use one that reaches lower, or name the drum.")
    return Note(frequency, relative_sd * frequency, None, None, note_name(frequency), inferred=True)


def _between(a: Partial, b: Partial) -> str:
    low, high = sorted((a.frequency_hz, b.frequency_hz))
    if high / low < 1.05:
        return (f"two partials, {low:.1f} and {high:.1f} Hz, beat and either can be the note: even the rods out, or strike "
                "nearer the centre.")
    return (f"{low:.1f} and {high:.1f} Hz can both be the note: strike nearer the centre, add a second microphone on the "
            "axis, or name the drum so that its size decides.")


# ------------------------------------------------------------------ the signs
def _ring_db(p: Partial) -> float:
    """Ringing energy [dB] from 80 ms on, A^2 tau exp(-2 t / tau), in the partial's best channel.

    Late, because a struck head starts sharp and the plain fit of its first moments leaves short-lived twins there.
    """
    seen = [x for x in p.level_dbfs if x is not None] or [x for x in p.level_db if x is not None]
    return max(seen, default=0.0) + 10.0 * math.log10(p.decay_s) - 8.686 * _LATE_S / p.decay_s


def _twins(heard: Sequence[Partial], k: int) -> list[Partial]:
    """Partials 3 % below to 12 % above the k-th: other stretches of the same gliding or two-stage partial, or a pair."""
    f = heard[k].frequency_hz
    return [p for i, p in enumerate(heard) if i != k and 0.97 * f < p.frequency_hz < 1.12 * f]


def _resting(heard: Sequence[Partial], k: int) -> float:
    """Of twins the one that rings longest is the partial at rest, and a struck head falls to it: those above step back."""
    p = heard[k]
    longer = [q for q in heard if q is not p and p.frequency_hz / 1.12 < q.frequency_hz < 1.03 * p.frequency_hz
              and not rings_on(q) and q.decay_s > 1.4 * p.decay_s and _ring_db(q) > _ring_db(p) - 10.0]
    return -4.0 if longer else 0.0


def rings_on(p: Partial) -> bool:
    """Whether a line outlasts any note beyond its error: hum, a tone, a cymbal, the air of an opening."""
    return p.decay_s - 2.0 * (p.decay_sd_s or 0.0) > LONGEST_S


def _log_odds(
    heard: Sequence[Partial], k: int, diameter: float | None, depth: float | None, two_heads: bool, channels: Sequence[str]
) -> float:
    """Natural log of the odds, up to a constant shared by all candidates."""
    return (
        _nothing_below(heard, k) + _gap_above(heard, k, two_heads) + _energy(heard, k) + _places(heard, k, channels)
        + _size(heard[k].frequency_hz, diameter, depth) + _swings(heard[k]) + _resting(heard, k)
    )


def _nothing_below(heard: Sequence[Partial], k: int) -> float:
    """A leak mode far below and well under the note costs little; anything else below costs by its strength."""
    cost = 0.0
    for p in heard[:k]:
        ratio = heard[k].frequency_hz / p.frequency_hz
        stronger = _ring_db(p) - _ring_db(heard[k])
        if ratio < 1.0 + _SAME or (ratio < 1.12 and (p.decay_s < 0.7 * heard[k].decay_s or stronger < -10.0)):
            continue
        if 1.6 < ratio < 4.5 and stronger < -4.0:
            cost -= 0.4 + max(0.0, 0.1 * (stronger + 20.0))
        else:
            cost += min(-0.3, _FOREIGN * min(1.0, max(0.0, 1.0 + stronger / 25.0)))
    return cost


def _leak(heard: Sequence[Partial], k: int, opening: bool | None) -> float:
    """The lowest partial, far below a much stronger one, may be the air leaking through an opening: never the note."""
    if k or opening is False or len(heard) < 2:
        return 0.0
    above = max(heard[1:], key=lambda p: _ring_db(p) if p.frequency_hz < 4.5 * heard[0].frequency_hz else -math.inf)
    ratio, stronger = above.frequency_hz / heard[0].frequency_hz, _ring_db(above) - _ring_db(heard[0])
    if not 1.6 < ratio < 4.5 or stronger < 8.0:
        return 0.0
    return -3.0 if opening else -1.6


def _gap_above(heard: Sequence[Partial], k: int, two_heads: bool) -> float:
    """No mode lies between 1.06 and 1.45 times the note; one or more at 1.45-2.9 times speak for it."""
    f, ring = heard[k].frequency_hz, _ring_db(heard[k])
    low = _GAP[1] if two_heads else 1.4
    score, support = 0.0, 0.0
    for p in heard[k + 1 :]:
        ratio, weight = p.frequency_hz / f, min(1.0, max(0.0, 1.0 + (_ring_db(p) - ring) / 30.0))
        if _GAP[0] < ratio < low and not (ratio < 1.2 and p.decay_s < 0.7 * heard[k].decay_s):
            score -= 3.0 * weight
        elif low <= ratio < 2.9:
            support = max(support, weight)
    return score + 0.8 * support


def _energy(heard: Sequence[Partial], k: int) -> float:
    """Being weaker in ringing energy than the strongest partial within three times its frequency costs 0.12 per dB."""
    f = heard[k].frequency_hz
    most = max(_ring_db(p) for p in heard if p.frequency_hz < 3.0 * f)
    return -0.12 * (most - _ring_db(heard[k]))


def _places(heard: Sequence[Partial], k: int, channels: Sequence[str]) -> float:
    """With microphones on the axis and beside the drum, the note is the partial most at home on the axis."""
    axis = [i for i, name in enumerate(channels) if name.lower() in _AXIS]
    beside = [i for i, name in enumerate(channels) if name.lower() in _BESIDE]
    if not axis or not beside:
        return 0.0
    lean = [_best(p, axis) - _best(p, beside) for p in heard]
    return -min(3.0, 0.12 * (max(lean) - lean[k]))


def _best(p: Partial, where: Sequence[int]) -> float:
    values = [p.level_dbfs[i] for i in where if i < len(p.level_dbfs)]
    floor = min((x for x in p.level_dbfs if x is not None), default=-80.0) - 20.0
    return max((x for x in values if x is not None), default=floor)


def note_of_size(diameter: float, depth: float | None, tension: float, surface_density: float) -> float:
    """Note [Hz] of two equal heads in step: j01/(2 pi a) sqrt(T / (sigma + air)), air = 0.85 rho a + 0.22 rho L.

    The air's share is fitted to eight reference drums within 3 %; good for judging plausibility, no more.
    """
    radius = diameter / 2.0
    length = 0.6 * diameter if depth is None else depth
    load = surface_density + AIR_DENSITY * (0.85 * radius + 0.22 * length)
    return 2.404826 / (2 * math.pi * radius) * math.sqrt(tension / load)


def _size(frequency: float, diameter: float | None, depth: float | None) -> float:
    """Log prior: log-normal about the usual tension of that size; without a size flat between 28 and 260 Hz."""
    if diameter is None:
        outside = max(0.0, math.log(28.0 / frequency), math.log(frequency / 260.0))
        return -6.0 * outside
    tension = _TENSION_BASS if diameter > 0.42 else _TENSION_TOM
    away = math.log(frequency / note_of_size(diameter, depth, tension, _SURFACE_DENSITY))
    return -0.5 * (away / 0.42) ** 2


def _swings(p: Partial) -> float:
    """A partial that dies within a few swings is the attack rather than a note."""
    return -1.5 * max(0.0, 1.0 - p.frequency_hz * p.decay_s / SHORTEST_SWINGS)


def _below_reach(
    heard: Sequence[Partial], diameter: float | None, depth: float | None, two_heads: bool
) -> tuple[float, float, float] | None:
    """(log odds, note [Hz], relative sd) if the note is not among the partials; None for a drum with one head."""
    if not two_heads:
        return None
    lowest = heard[0]
    options = []
    for ratio, sd in _BELOW_REACH.values():
        frequency = lowest.frequency_hz / ratio
        score = -3.5 + _size(frequency, diameter, depth)
        for p in heard[1:]:
            nearest = p.frequency_hz / frequency
            score -= 1.0 if not _allowed(nearest) else 0.0
        options.append((score, frequency, sd / ratio))
    best = max(options)
    mean = sum(math.exp(s) * f for s, f, _ in options) / sum(math.exp(s) for s, _, _ in options)
    spread = math.sqrt(sum(math.exp(s) * ((f - mean) ** 2 + (r * f) ** 2) for s, f, r in options)
                       / sum(math.exp(s) for s, _, _ in options)) / mean
    return best[0], mean if spread < 0.10 else best[1], spread


def _allowed(ratio: float) -> bool:
    return ratio >= _GAP[1]


def note_of_drum(partials: Sequence[Partial], *, drum: Drum | None, channels: Sequence[str] = ()) -> Note:
    """``name_note`` with what a drum's description says, or without one."""
    if drum is None:
        return name_note(partials, channels=channels)
    opening = drum.resonant is not None and drum.resonant.opening is not None
    return name_note(partials, diameter=drum.diameter, depth=drum.depth, two_heads=drum.resonant is not None,
                     channels=channels, opening=opening, mixed=opening or bool(drum.muffling))
