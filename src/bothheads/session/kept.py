"""What is known of one state, gathered for a paper or a page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from .. import wire
from ..errors import BothheadsError
from ..records import HEADS, DrumEntry, Fit, HeadName, Prediction, Reading, State, TapReading
from .drums import with_changes

if TYPE_CHECKING:
    from ..log.store import Log


@dataclass(frozen=True)
class Kept:
    """One state of a drum with what belongs to it; ``other`` is a second state where a paper compares."""

    entry: DrumEntry
    state: State
    states: tuple[State, ...]
    prediction: Prediction | None = None
    other: Kept | None = None
    taps: dict[HeadName, TapReading] | None = None
    head_events: tuple[dict[str, Any], ...] = ()
    sounds: tuple[tuple[str, bytes], ...] = ()  # (name, WAV) for papers that carry their sound

    @property
    def reading(self) -> Reading | None:
        """What was heard, as a record."""
        return wire.reading_from(self.state.reading) if self.state.reading else None

    @property
    def fit(self) -> Fit | None:
        """What was found of the two heads, as a record."""
        return wire.fit_from(self.state.fit) if self.state.fit else None


def kept_state(log: Log, ref: str | int, number: int, *, other: int | None = None, sounds: bool = False) -> Kept:
    """Everything a paper needs of state ``number``; raises ``LogError`` for an unknown drum or state."""
    entry = log.find_drum(ref)
    states = log.states(entry.id)
    first = _one(log, entry, states, log.state(entry.id, number), sounds)
    if other is None:
        return first
    return replace(first, other=_one(log, entry, states, log.state(entry.id, other), sounds))


def _one(log: Log, entry: DrumEntry, states: tuple[State, ...], state: State, sounds: bool) -> Kept:
    from .logbook import take_audio

    taps: dict[HeadName, TapReading] = {}
    for head in HEADS:
        if kept := log.get_note(entry.id, f"taps/{head}"):
            taps[head] = wire.taps_from(kept)
    heard = tuple((f"state {state.number}, take {i}", take_audio(log, t.sha256))
                  for i, t in enumerate(state.takes, 1)) if sounds else ()
    return Kept(entry, state, states, _forecast(state), None, taps, tuple(log.head_events(entry.id)), heard)


def _forecast(state: State) -> Prediction | None:
    """The model's picture of the state; None while a tension is not known."""
    heads = (state.drum.batter, state.drum.resonant)
    if any(h is not None and h.tension is None for h in heads):
        return None
    from ..physics.forecast import forecast

    try:
        return forecast(with_changes(state.drum, ()))
    except BothheadsError:
        return None
