"""Work behind the pages: the log opened in a worker thread for one request, forecasts kept while they hold."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from .. import session
from ..errors import BothheadsError, InputError
from ..records import HEADS, Drum, HeadName, Prediction, State, Turn
from .jobs import Jobs

T = TypeVar("T")
MOST_EIGHTHS = 8  # the page turns a head by at most one turn from where it is
KEPT = 600
MOST_HELD = 200
REMEMBERED = 120  # states before the one shown that its forecast learns from


class Desk:
    """The log's path and what was reckoned from it; shared by all requests."""

    def __init__(self, log_path: str | Path | None) -> None:
        self.log_path = log_path
        self.jobs = Jobs(log_path)
        self._kept: OrderedDict[tuple[Any, ...], tuple[Drum, Prediction]] = OrderedDict()
        self._lock = threading.Lock()
        self.sounds: dict[tuple[Any, ...], Any] = {}  # matched pairs, made once
        self.tests: dict[str, Any] = {}  # running blind tests
        self.benches: dict[int, Any] = {}  # takes in the making, by drum
        self.walks: dict[int, Any] = {}  # walk-rounds in the making, by drum
        self.rounds: dict[tuple[int, str], Any] = {}  # rounds of taps in the making, by drum and head

    def hold(self, name: str, value: Any) -> None:
        """A running test or question under its name; the oldest go when there are many."""
        self.tests[name] = value
        while len(self.tests) > MOST_HELD:
            self.tests.pop(next(iter(self.tests)))

    async def read(self, ask: Callable[[Any], T]) -> T:
        """``ask(log)`` in a worker thread."""
        return await run_in_threadpool(self.now, ask)

    def now(self, ask: Callable[[Any], T]) -> T:
        """``ask(log)`` here; the log is opened for this call alone."""
        with session.open_log(self.log_path) as log:
            return ask(log)

    def forecast(self, loaded: session.Loaded, turns: tuple[Turn, ...] = (), *, log: Any = None) -> tuple[Drum, Prediction]:
        """The drum after ``turns`` and its forecast, from the kept ones when nothing has changed since.

        ``loaded`` may hold the newest states only; with ``log`` the ones before, which a forecast learns from, are read
        when it has to be made.

        Raises
        ------
        InputError, CannotAnswer
            As ``session.predict``.
        """
        last = loaded.states[-1] if loaded.states else None
        entry = loaded.entry
        key = (entry and entry.id, loaded.drum, last and (last.number, last.made_at), turns)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = session.forecast_state(whole(loaded, log), turns=turns)
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return made

    def model(self, loaded: session.Loaded, log: Any) -> Prediction | None:
        """The drum's model as it stands, for whose each rung is; None while it has no tensions."""
        try:
            return self.forecast(loaded, log=log)[1]
        except BothheadsError:
            return None


def whole(loaded: session.Loaded, log: Any) -> session.Loaded:
    """The same drum with all states that forecasts and plans learn from, up to the one it is in."""
    if log is None or loaded.entry is None or not loaded.states:
        return loaded
    number = loaded.states[-1].number
    if loaded.states[0].number == max(1, number - REMEMBERED + 1):
        return loaded
    return replace(loaded, states=_until(log, loaded.entry.id, number, REMEMBERED))


def _until(log: Any, drum_id: int, number: int, count: int) -> tuple[State, ...]:
    first = max(0, number - count)
    return tuple(s for s in log.states(drum_id, limit=number - first, offset=first) if s.number <= number)


def desk(request: Request) -> Desk:
    """The desk that all requests share."""
    found: Desk = request.app.state.desk
    return found


def glance(log: Any, drum_id: int, newest: int = 1) -> session.Loaded:
    """A drum of the log as in its last state, with its newest states only: for views that need no history."""
    return session.load_drum(str(drum_id), log=log, newest=newest)


def drum_of(log: Any, drum_id: int) -> session.Loaded:
    """A drum of the log as in its last state with all that forecasts and plans learn from."""
    return session.load_drum(str(drum_id), log=log)


def as_in(loaded: session.Loaded, number: int, log: Any, newest: int = 1) -> session.Loaded:
    """The same drum as in an earlier state, knowing nothing of what came after.

    Raises
    ------
    InputError
        When there is no such state.
    """
    last = loaded.states[-1].number if loaded.states else 0
    if number == last and loaded.states:
        return loaded
    states = _until(log, loaded.entry.id, number, newest) if loaded.entry is not None and 1 <= number < last else ()
    if not states or states[-1].number != number:
        raise InputError(f"this drum has no state {number}: its states are 1 to {last}.")
    return replace(loaded, drum=session.with_changes(states[-1].drum, ()), states=states)


def turns_of(batter: int, resonant: int) -> tuple[Turn, ...]:
    """Eighths on all rods of each head as turns."""
    eighths: dict[HeadName, int] = {"batter": batter, "resonant": resonant}
    return tuple(Turn(head, eighths[head] / 8.0) for head in HEADS if eighths[head])
