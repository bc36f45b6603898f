"""Long work in a process of its own: it may take minutes, it can be ended at any moment, and the page stays quick.

Each kind of work takes the log and what was asked (plain values and paths of recordings) and answers with plain
values; ``tell(what, share)`` says how far it is. The log outlives a process that is ended: a take is there or not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .. import session
from ..errors import BothheadsError, CannotAnswer
from ..records import HeadName, Microphone

Tell = Callable[[str, float | None], None]


def work(pipe: Any, kind: str, log_path: str | None, asked: dict[str, Any]) -> None:
    """Do one piece of work and send what comes of it: ("at", what, share), then ("done", answer) or ("error", ...)."""
    def tell(what: str, share: float | None) -> None:
        pipe.send(("at", what, share))

    try:
        with session.open_log(log_path) as log:
            answer = KINDS[kind](log, {**asked, "pipe": pipe}, tell)
    except BothheadsError as error:
        pipe.send(("error", str(error), isinstance(error, CannotAnswer)))
    except KeyboardInterrupt:
        pass
    else:
        pipe.send(("done", answer))


def take(log: Any, asked: dict[str, Any], tell: Tell) -> int:
    """A recording kept as a new state: its number."""
    state, _, _ = session.take_files(asked["drum"], asked["paths"], log=log, progress=tell, **asked["details"])
    return int(state.number)


def taps(log: Any, asked: dict[str, Any], tell: Tell) -> None:
    """A round of taps read and kept as the last one of its head; the rods' state learns from it."""
    tell("reading the round of taps", None)
    head: HeadName = asked["head"]
    loaded = session.load_drum(asked["drum"], log=log)
    path = asked["paths"][0]
    found = session.read_taps(path, rods=loaded.drum.head(head).rods, drum=loaded.drum, head=head)
    session.keep_taps(log, int(asked["drum"]), head, session.as_json(found))
    if not found.refused:
        tell("working out the rods", None)
        session.plan(loaded, even=head, taps=path, log=log)


def walk(log: Any, asked: dict[str, Any], tell: Tell) -> int:
    """A walk-round kept as a new state: its number."""
    tell("opening the recordings", None)
    recordings = [(Microphone(*place), path) for place, path in zip(asked["places"], asked["paths"], strict=True)]
    state, _, _ = session.walk_files(asked["drum"], recordings, log=log, progress=tell, **asked["details"])
    return int(state.number)


def choose(log: Any, asked: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """Designs for a job; when it is asked to stop it answers with the best so far."""
    tell("looking through designs", None)
    answer, _ = session.choose(asked["job"], log=log, progress=lambda share, words: tell(words, share),
                               stop=lambda: bool(asked["pipe"].poll()))
    return answer


KINDS: dict[str, Callable[[Any, dict[str, Any], Tell], Any]] = {"take": take, "taps": taps, "walk": walk, "choose": choose}
