"""Two microphones of a kept take blended, delay and polarity mended."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from ..errors import InputError
from ..records import State

if TYPE_CHECKING:
    from ..log.store import Log
    from ..sound.blend import Blended


def blend_take(log: Log, state: State, first: str, second: str, *, mend: bool = True) -> Blended:
    """The blend of two channels of a state's first take that holds both; the delay is the median over its strikes.

    Raises
    ------
    InputError
        No take of the state holds both channels, or no strike says how much later one hears.
    LogError
        The recording is missing.
    """
    from ..sound.audio import decode_flac
    from ..sound.blend import blend

    if first == second:
        raise InputError("a blend takes two microphones: choose two different ones.")
    take = next((t for t in state.takes if first in t.channels and second in t.channels), None)
    if take is None:
        raise InputError(f"no take of state {state.number} was made with both {first} and {second}: choose two others.")
    recording = decode_flac(log.take_bytes(take.sha256))
    i, j = take.channels.index(first), take.channels.index(second)
    return blend(recording.samples[:, [i, j]], recording.sample_rate_hz, delay_s=_delay(state, first, second), mend=mend)


def _delay(state: State, first: str, second: str) -> float:
    """How much later the second hears than the first [s]."""
    reading = state.reading or {}
    names = list(reading.get("channels") or ())
    rows = [s["delay_s"] for s in reading.get("strikes") or () if len(s.get("delay_s") or ()) == len(names)]
    if first not in names or second not in names or not rows:
        raise InputError(f"no strike of state {state.number} tells the delay between its microphones: keep a new take.")
    i, j = names.index(first), names.index(second)
    return float(median(row[j] - row[i] for row in rows))
