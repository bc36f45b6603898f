"""The trade's sayings beside the model and beside a log, and the object of the command contract."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from .. import __version__, wire
from ..errors import InputError
from .drums import REMEMBERED

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..log.store import Log
    from ..plan.sayings import Answer, Report
    from ..records import State

FEWEST, MOST = 4, 200  # drums of a kind that may be asked for


def sayings(*, only: str | None = None, log: Log | None = None, drums: int | None = None, seed: int | None = None,
            progress: Callable[[int, int], None] | None = None) -> Report:
    """Every saying, or those named in ``only`` (ids or subjects, with commas), tested; ``log`` is looked through when given.

    ``drums``: this many bass drums and half as many toms instead of the declared number.

    Raises
    ------
    InputError
        A saying that is not known, or a number of drums out of range.
    """
    from ..plan.sayings import report
    from ..plan.sayings.drums import BASSES, SEED, TOMS

    if drums is not None and not FEWEST <= drums <= MOST:
        raise InputError(f"--drums must be from {FEWEST} to {MOST}.")
    basses, toms = (BASSES, TOMS) if drums is None else (drums, (drums + 1) // 2)
    return report(only=only, seed=SEED if seed is None else seed, basses=basses, toms=toms,
                  histories=None if log is None else histories(log), progress=progress)


def histories(log: Log) -> list[list[State]]:
    """The newest states of every drum in a log, oldest first."""
    return [list(reversed(log.states(d.id, limit=REMEMBERED, newest_first=True))) for d in log.drums()]


def sayings_json(report: Report) -> dict[str, Any]:
    """``bothheads.sayings/1``."""
    from ..plan.sayings.record import KIND, THRESHOLDS
    from ..plan.sayings.rule import RULE

    cleaned: dict[str, Any] = wire.clean({
        "schema": "bothheads.sayings/1", "version": __version__, "seed": report.seed,
        "drums": {"bass": report.basses, "tom": report.toms}, "rule": RULE,
        "thresholds": [{"what": what, "from": source} for what, source in THRESHOLDS],
        "log": None if report.log_drums is None else {"drums": report.log_drums, "states": report.log_states},
        "sayings": [{"kind": KIND, **_answer_json(a)} for a in report.answers],
    })
    return cleaned


def _answer_json(a: Answer) -> dict[str, Any]:
    s, m = a.saying, a.model
    return {
        "id": s.id, "about": s.about, "statement": s.statement, "tested": s.how or None,
        "as_said_means": None if s.claim is None else s.claim.words(), "unit": None if s.claim is None else s.claim.unit,
        "model": None if m is None else {k: v for k, v in asdict(m).items() if k != "condition"} | {
            "condition": m.condition or None},
        "published": None if a.published is None else asdict(a.published),
        "logged": {**asdict(a.logged), "compared": None if s.logged is None else s.logged.words},
        "verdict": a.verdict_words, "because": a.because or None, "left_out": s.left_out or None,
    }
