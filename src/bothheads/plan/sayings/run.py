"""All sayings, tested on the declared drums and looked up in a log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from ...errors import InputError
from ...records import Air, State
from . import damping, films, hands, openings, places, sizes, strokes, two_heads, untold
from .drums import BASSES, SEED, TOMS, Specimen, drum_set
from .logged import NOTHING, heard
from .model import Model
from .record import Answer, Heard, Judged, Report, Saying, Trial
from .rule import judge, settle

if TYPE_CHECKING:
    from .published import Figure

SAYINGS: tuple[Saying, ...] = tuple(
    s for part in (two_heads, sizes, films, openings, damping, strokes, hands, places, untold) for s in part.SAYINGS
)
Progress = Callable[[int, int], None]


def chosen(only: str | None) -> tuple[Saying, ...]:
    """All sayings, or those whose id or subject is named (several with commas); ``InputError`` names what there is."""
    if only is None:
        return SAYINGS
    names = [n.strip() for n in only.split(",") if n.strip()]
    found = tuple(s for s in SAYINGS if s.id in names or s.about in names)
    missing = [n for n in names if not any(n in (s.id, s.about) for s in SAYINGS)]
    if missing or not found:
        raise InputError(f"'{missing[0] if missing else only}' is not a saying: use one of {', '.join(s.id for s in SAYINGS)}, "
                         f"or a subject: {', '.join(dict.fromkeys(s.about for s in SAYINGS))}.")
    return found


def try_saying(saying: Saying, model: Model, drums: Sequence[Specimen]) -> Judged | None:
    """What the model says of one saying on these drums; None where it has no say."""
    if saying.test is None or saying.claim is None:
        return None
    found: list[tuple[Specimen, Trial]] = []
    for specimen in drums:
        if specimen.use in saying.uses:
            found += [(specimen, trial) for trial in saying.test(model, specimen)]
    return judge(saying.claim, found)


def answer(saying: Saying, model: Model, drums: Sequence[Specimen], histories: Sequence[Sequence[State]] | None) -> Answer:
    """One saying with what the model and the log say, and the verdict."""
    judged = try_saying(saying, model, drums)
    logged = Heard(because="no log was asked" if saying.logged is not None else NOTHING)
    if histories is not None and saying.claim is not None:
        logged = heard(saying.claim, saying.logged, histories)
    elif histories is not None:
        logged = Heard(because=NOTHING)
    verdict, because = settle(judged, logged, saying.untold)
    figure: Figure | None = saying.published(model) if saying.published is not None else None
    return Answer(saying, judged, logged, verdict, because, figure)


def report(*, only: str | None = None, seed: int = SEED, basses: int = BASSES, toms: int = TOMS, air: Air | None = None,
           histories: Sequence[Sequence[State]] | None = None, model: Model | None = None, progress: Progress | None = None
           ) -> Report:
    """Every saying (or ``only`` some) on ``basses`` + ``toms`` seeded drums, beside the histories of a log.

    ``air`` and ``model`` are for asking what another physics would say: the verdicts are computed, so they follow.

    Raises
    ------
    InputError
        A saying that is not known.
    """
    sayings, model = chosen(only), model or Model()
    needed = any(s.test is not None for s in sayings)
    drums = drum_set(model, seed=seed, basses=basses, toms=toms, air=air) if needed else ()
    answers = []
    for i, saying in enumerate(sayings):
        answers.append(answer(saying, model, drums, histories))
        if progress is not None:
            progress(i + 1, len(sayings))
    states = sum(len(h) for h in histories) if histories is not None else 0
    return Report(tuple(answers), seed, basses, toms, None if histories is None else len(histories), states)
