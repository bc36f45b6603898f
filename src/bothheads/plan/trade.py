"""Where the trade contradicts itself about what a job touches: both sides, and what the model says, side by side.

Collected from forums, schools and printed advice; nobody is named because none of it was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .job import Job


@dataclass(frozen=True)
class Dispute:
    """One disagreement: what about, and the sides."""

    about: str
    sides: tuple[str, ...]


_DEPTH = Dispute("deep or shallow", (
    "some say a deep drum sounds thin because the front head is farther away, and short drums ring longer",
    "others say depth throws lows into an unamplified room because the heads are farther apart",
    "the model: depth softens the air's spring between the heads; it knows nothing of throw beyond its level in front"))
_HEADS = Dispute("which head tighter", (
    "for bass drums: front head slacker than the batter; tighter than the batter; both to one note; a fourth apart: all are taught",
    "equal heads are said to ring longest; theory and a laboratory drum say that they decay faster",
    "the model treats the relation as a number to search, up to an octave either way"))
_SIZE = Dispute("large or small", (
    "small drums are praised for looks and cars and said to be lost without microphones",
    "large ones are said to be lost among thick guitars and hard to mic and tune; engineers ask for 20 and 22 in",
    "one size step is worth 1.5 to 3 semitones, often less than the range of one drum"))
_OPENING = Dispute("opening or none", (
    "none: longest, loudest, most bounce; tuning critical, harder to mic",
    "4 to 6 in off centre: much of the ring stays, easy to mic; above 7 in as if there were no front head",
    "the model has the air in the opening, not the player's bounce beyond contact time and rebound"))
_MUFFLING = Dispute("how much muffling", (
    "a filler on 15 to 20 % of the batter: more attack, note unchanged; of the front head: less attack, short note with punch",
    "nearly everyone muffles a bass drum; loose filling moves during takes and changes the sound",
    "the model lays felt and film of assumed mass and loss, fixed where they lie"))
_FILM = Dispute("thick or thin film", (
    "thin heads are said to sustain longer, and to sustain shorter; thick ones darker, shorter, tougher",
    "the model gives all films one loss unless you give yours"))
_SHELL = Dispute("shell and wood", (
    "thinner shells are said to have less punch and be fuller; woods are ranked differently by everyone",
    "the model's shell is rigid: none of this is in the ranking"))


def disputes(job: Job) -> Sequence[Dispute]:
    """The disagreements that bear on a job."""
    out = [_HEADS]
    if len({h for _, h in job.sizes}) > 1:
        out.append(_DEPTH)
    if len({d for d, _ in job.sizes}) > 1 and job.use == "bass":
        out.append(_SIZE)
    if any(job.openings) or job.use == "bass":
        out.append(_OPENING)
    if job.muffled and any(p.wish("tail") for p in job.parts):
        out.append(_MUFFLING)
    if len(job.films) > 1 or len(job.resonant_films) > 1:
        out.append(_FILM)
    return (*out, _SHELL)
