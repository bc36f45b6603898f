"""Frozen records that travel between the layers. SI inside; no behaviour beyond derived properties.

Axes: z along the drum from the batter plane (0) to the resonant plane (depth), minus on the player's
side; y up; x to the player's left, seen from behind the batter (right-handed). Angles of rods are
counted clockwise as one faces that head, from +y. Heads are named ``batter`` and ``resonant``.
"""

from .drum import HEADS, Air, Drum, Floor, Head, HeadName, Microphone, Muffling, Opening, Strike, reference_places
from .hands import Cause, Comparison, Difference, Plan, PlanStep, RodTurn, Turn
from .heard import Levels, Note, Partial, Reading, Remainder, StrikeReading, Tap, TapReading
from .kept import DrumEntry, State, Take
from .model import Alternative, Feel, Fit, FitPair, HeadFit, ModelPartial, Prediction

__all__ = [
    "HEADS",
    "Air",
    "Alternative",
    "Cause",
    "Comparison",
    "Difference",
    "Drum",
    "DrumEntry",
    "Feel",
    "Fit",
    "FitPair",
    "Floor",
    "Head",
    "HeadFit",
    "HeadName",
    "Levels",
    "Microphone",
    "ModelPartial",
    "Muffling",
    "Note",
    "Opening",
    "Partial",
    "Plan",
    "PlanStep",
    "Prediction",
    "Reading",
    "Remainder",
    "RodTurn",
    "State",
    "Strike",
    "StrikeReading",
    "Take",
    "Tap",
    "TapReading",
    "Turn",
    "reference_places",
]
