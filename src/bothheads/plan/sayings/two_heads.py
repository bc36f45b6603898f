"""Sayings about the relation of the two heads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import log

import numpy as np

from ...physics.coupled import solve
from ...units import cents
from ..tuning import highest
from . import logged, published
from .drums import Specimen
from .model import Model, percent, scaled
from .record import LEVEL_DB, PITCH_CENTS, TAIL_PERCENT, Saying, Trial, less, more, within

APART = 1.5  # tensions apart by this factor: about a fourth or a minor third between the heads
RAISED = 1.25  # one head raised by a quarter of its tension, about two semitones of its own pitch
SOFT_N = 8.0  # push that leaves the stiffening small, so that its share does not hang on the stroke


def _at_same_note(model: Model, s: Specimen, ratio: float) -> float:
    drum = model.at_note(s.drum, s.note_hz, ratio=ratio)
    return float("nan") if drum is None else model.tail(drum)


def equal_longest(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail with equal heads over the longer one of two tails with heads apart, at one note."""
    apart = max(_at_same_note(model, s, APART), _at_same_note(model, s, 1 / APART))
    yield Trial(percent(_at_same_note(model, s, 1.0), apart))


def slack_front_longer(model: Model, s: Specimen) -> Iterator[Trial]:
    """Batter left alone, the resonant head slackened from equal."""
    equal = model.at_note(s.drum, s.note_hz, ratio=1.0)
    if equal is not None:
        yield Trial(percent(model.tail(scaled(equal, resonant=1 / APART)), model.tail(equal)))


def no_front_head(model: Model, s: Specimen) -> Iterator[Trial]:
    """The resonant head taken off."""
    yield Trial(percent(model.ring(replace(s.drum, resonant=None)), model.ring(s.drum)))


def batter_tighter(model: Model, s: Specimen) -> Iterator[Trial]:
    """Batter tighter than the resonant head against equal heads, at one note."""
    yield Trial(percent(_at_same_note(model, s, 1 / APART), _at_same_note(model, s, 1.0)))


def resonant_tighter(model: Model, s: Specimen) -> Iterator[Trial]:
    """Resonant head tighter than the batter against the reverse, at one note: tails."""
    yield Trial(percent(_at_same_note(model, s, APART), _at_same_note(model, s, 1 / APART)))


def resonant_up_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level in front when the resonant head goes from equal to tighter, the batter left alone."""
    equal = model.at_note(s.drum, s.note_hz, ratio=1.0)
    if equal is not None:
        yield Trial(model.level(scaled(equal, resonant=APART), "front") - model.level(equal, "front"))


def bend_left(model: Model, s: Specimen) -> Iterator[Trial]:
    """Share of the fall of the note that is left when the resonant head is raised from equal, same soft push."""
    low = model.at_note(s.drum, s.note_hz, ratio=1.0)
    if low is None:
        return
    low = replace(low, strike=replace(low.strike, force=SOFT_N))
    before = model.glide(low)
    if before > 1.0:
        yield Trial(percent(model.glide(scaled(low, resonant=APART)), before))


def bend_grows(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the fall of the note when the resonant head is slackened from equal, same soft push."""
    low = model.at_note(s.drum, s.note_hz, ratio=1.0)
    if low is not None:
        low = replace(low, strike=replace(low.strike, force=SOFT_N))
        if model.glide(low) > 1.0:
            yield Trial(percent(model.glide(scaled(low, resonant=1 / APART)), model.glide(low)))


def tail_choice(model: Model, s: Specimen) -> Iterator[Trial]:
    """Longest over shortest tail of five relations of the heads that give one note."""
    tails = [t for r in (0.5, 0.71, 1.0, 1.41, 2.0) if np.isfinite(t := _at_same_note(model, s, r))]
    if len(tails) > 1:
        yield Trial(percent(max(tails), min(tails)))


def front_sets_note(model: Model, s: Specimen) -> Iterator[Trial]:
    """Rise of the note by raising the resonant head, less the rise by raising the batter as much."""
    rises = [cents(model.hertz(scaled(s.drum, **{h: RAISED})), s.note_hz) for h in ("resonant", "batter")]
    yield Trial(rises[0] - rises[1])


def one_head_half(model: Model, s: Specimen) -> Iterator[Trial]:
    """Rise of the note by raising the batter alone, over that by raising both."""
    one, both = model.hertz(scaled(s.drum, batter=RAISED)), model.hertz(scaled(s.drum, batter=RAISED, resonant=RAISED))
    yield Trial(cents(one, s.note_hz) / cents(both, s.note_hz))


def rungs_of_order(drum: object, m: int, modes: object) -> list[float]:
    """Frequencies [Hz] of one order, lowest first."""
    return [float(f) for f, k in zip(modes.frequency_hz, modes.order, strict=True) if k == m]  # type: ignore[attr-defined]


def rod_over_note(model: Model, s: Specimen) -> Iterator[Trial]:
    """Both lowest (1,1) partials, heads free, over the note."""
    ones = rungs_of_order(s.drum, 1, solve(s.drum, fmax_hz=3.0 * highest(s.drum)))[:2]
    if len(ones) == 2:
        yield Trial(sum(ones) / 2 / s.note_hz)


def second_low(model: Model, s: Specimen) -> Iterator[Trial]:
    """The second (0, n) partial over the note, heads equal."""
    equal = model.at_note(s.drum, s.note_hz, ratio=1.0)
    if equal is not None:
        zeros = rungs_of_order(equal, 0, solve(equal, fmax_hz=3.5 * highest(equal)))
        above = [f for f in zeros if f > 1.02 * s.note_hz]
        if above:
            yield Trial(above[0] / s.note_hz)


def other_rods_move(model: Model, s: Specimen) -> Iterator[Trial]:
    """Batter raised: how far the (1,1) partial that the resonant head owns more of moves, both heads free."""
    before, after = (solve(d, fmax_hz=3.0 * highest(s.drum)) for d in (s.drum, scaled(s.drum, batter=RAISED)))
    slopes = before.slopes()[:, :2].imag
    rows = [i for i, m in enumerate(before.order) if m == 1][:2]
    if len(rows) == 2:
        own = max(rows, key=lambda i: slopes[i, 1] / slopes[i].sum())
        rank = rows.index(own)
        moved = rungs_of_order(s.drum, 1, after)
        if rank < len(moved):
            yield Trial(abs(1200 * log(moved[rank] / float(before.frequency_hz[own])) / log(2)))


SAYINGS = (
    Saying("equal-heads-ring-longest", "two heads", "With both heads at one pitch the drum rings longest.",
           f"at one note, tail with equal heads against the longer one with the heads {APART:g} to 1 apart either way",
           more(TAIL_PERCENT, "% of the tail"), equal_longest, logged=logged.EQUAL_HEADS,
           left_out="what edges, hoops and stands take from the two ways the heads can move together"),
    Saying("slack-front-rings-longer", "two heads",
           "A large drum dies away faster with both heads alike than with the front head slacker.",
           f"batter left alone, resonant head {APART:g} times slacker than equal: tail of the note (now lower)",
           more(TAIL_PERCENT, "% of the tail"), slack_front_longer, uses=("bass",),
           left_out="the stand and the floor; the measured drum hung free and its size is not known"),
    Saying("front-head-off-is-dead", "two heads", "Without its front head a drum is short and dead.",
           "time in which everything in front falls 30 dB, without the resonant head against with it, batter left alone",
           less(TAIL_PERCENT, "% of the ring"), no_front_head, logged=logged.HEAD_OFF),
    Saying("batter-tighter-is-dead", "two heads", "A batter tighter than the resonant head sounds focused, dead or choked.",
           f"at one note, tail with the batter {APART:g} times as tight as the resonant head against equal heads",
           less(TAIL_PERCENT, "% of the tail"), batter_tighter),
    Saying("resonant-higher-rings", "two heads", "The resonant head higher than the batter rings longer than the reverse.",
           f"at one note, tail with the resonant head {APART:g} times tighter against the batter {APART:g} times tighter",
           more(TAIL_PERCENT, "% of the tail"), resonant_tighter, logged=logged.RESONANT_HIGHER),
    Saying("resonant-higher-louder", "two heads", "Raising the resonant head above the batter makes the drum louder.",
           f"level of all partials in front, resonant head {APART:g} times tighter than equal, same push",
           more(LEVEL_DB, "dB"), resonant_up_louder),
    Saying("resonant-higher-no-bend", "two heads", "A higher resonant head takes away the fall of the note after the stroke.",
           f"change of the fall after a soft push when the resonant head goes from equal to {APART:g} times tighter; "
           "as said when half of it or more is gone", within(-100, -50, "% of the fall"), bend_left,
           left_out="the fall of hard strokes on slack heads, which the forecast tells too high"),
    Saying("resonant-lower-bends", "two heads", "With the resonant head lower than the batter the note falls after the stroke.",
           f"change of the fall after a soft push when the resonant head goes from equal to {APART:g} times slacker",
           more(25, "% of the fall"), bend_grows),
    Saying("same-note-other-tail", "two heads", "Many pairs of tensions give the same note, each with its own sustain.",
           "longest over shortest tail of five relations of the heads (half to twice) that are tuned to one note",
           more(TAIL_PERCENT, "% of the tail"), tail_choice, logged=logged.SAME_NOTE),
    Saying("front-head-sets-the-note", "two heads", "The front head sets the note; the batter is for feel and attack.",
           f"rise of the note with the resonant head {RAISED:g} times tighter less that with the batter {RAISED:g} times tighter",
           more(PITCH_CENTS, "cents"), front_sets_note),
    Saying("one-head-half-way", "two heads", "Turning one head alone moves the note about half as far as turning both.",
           f"rise of the note with the batter {RAISED:g} times tighter over that with both heads", within(0.35, 0.65, "of it"),
           one_head_half, logged=logged.ONE_OF_BOTH),
    Saying("other-head-goes-off", "two heads", "As soon as one head is right, the other one has gone off.",
           f"both heads free, batter {RAISED:g} times tighter: shift of the (1,1) partial that belongs more to the resonant head",
           more(PITCH_CENTS, "cents"), other_rods_move,
           left_out="nothing else moves: with the other head held still its own pitch stays, so damp it when tapping"),
    Saying("tapped-rod-over-note", "two heads",
           "A rod tapped with the heads free speaks 1.7 to 1.9 times as high as the whole drum.",
           "mean of the two lowest (1,1) partials over the note", within(1.7, 1.9, "times the note"), rod_over_note,
           published=published.rod_pair, logged=logged.ROD_OVER_NOTE),
    Saying("two-lowest-notes", "two heads",
           "Two equal heads on a bass drum split the lowest tone into two, rather more than an octave apart.",
           "second partial of the (0, n) family over the note, heads equal; as said from 2.1 to 2.6",
           within(2.1, 2.6, "times the note"), second_low, uses=("bass",), published=published.breathing,
           logged=logged.SECOND_LOW),
)
