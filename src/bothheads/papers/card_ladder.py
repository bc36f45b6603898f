"""The ladder of one state, black on white, at the size of a card."""

from __future__ import annotations

from ..records import Prediction, Reading
from .ladder import ladder_svg
from .ladder_layout import CARD
from .rungs import rungs_of_prediction, rungs_of_reading
from .svg import BLACK

RUNGS, OWN = 8, 5  # what a card of this size can show without crowding


def state_ladder(prediction: Prediction | None, reading: Reading | None, *, uid: str = "card") -> str:
    """SVG of what was heard between the heads' own modes; from the model alone when nothing was read, '' when neither."""
    own = {head: rows[:OWN] for head, rows in prediction.own_modes.items()} if prediction else {}
    place = reading.channels[0] if reading and reading.channels else None
    rungs = rungs_of_reading(reading, prediction=prediction, place=place, most=RUNGS) if reading else []
    if not rungs and prediction:
        rungs = rungs_of_prediction(prediction, most=RUNGS)
    if not rungs:
        return ""
    return ladder_svg(rungs, own, sheet=CARD, palette=BLACK, uid=uid, place=place or "seat", focusable=False)
