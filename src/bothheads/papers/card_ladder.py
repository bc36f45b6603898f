"""The ladder of one state, or of several on one axis, black on white, at the size of a card."""

from __future__ import annotations

from collections.abc import Sequence

from ..records import Prediction, Reading
from .ladder import ladder_svg
from .ladder_layout import CARD, Own, axis_for
from .rungs import Rung, rungs_of_prediction, rungs_of_reading
from .svg import BLACK

RUNGS, OWN = 8, 5  # what a card of this size can show without crowding
Known = tuple[Prediction | None, Reading | None]


def state_ladder(prediction: Prediction | None, reading: Reading | None) -> str:
    """SVG of what was heard between the heads' own modes; from the model alone when nothing was read, '' when neither."""
    return state_ladders([(prediction, reading)])[0]


def state_ladders(states: Sequence[Known]) -> list[str]:
    """The same of several states on one axis, so that a rung that lies higher is higher."""
    shown = [_shown(*state) for state in states]
    axis = axis_for([r for rungs, _, _ in shown for r in rungs],
                    {head: [row for _, own, _ in shown for row in own.get(head, ())] for head in ("batter", "resonant")})
    return [ladder_svg(rungs, own, sheet=CARD, axis=axis, palette=BLACK, uid=f"card{i}", place=place, focusable=False)
            if rungs else "" for i, (rungs, own, place) in enumerate(shown)]


def _shown(prediction: Prediction | None, reading: Reading | None) -> tuple[list[Rung], Own, str]:
    own = {head: rows[:OWN] for head, rows in prediction.own_modes.items()} if prediction else {}
    place = reading.channels[0] if reading and reading.channels else None
    rungs = rungs_of_reading(reading, prediction=prediction, place=place, most=RUNGS) if reading else []
    if not rungs and prediction:
        rungs = rungs_of_prediction(prediction, most=RUNGS)
    return rungs, own, place or "seat"
