"""The note of a known drum where its partials alone do not settle it: the two heads are asked."""

from __future__ import annotations

from ..records import Drum, Note, Reading

FEWEST = 4  # partials that a fit needs


def settled_note(reading: Reading, drum: Drum | None) -> Note:
    """The reading's own note, or where it is refused or guessed from ratios, the one that both heads explain.

    ``drum``: its size and films; None, one head or too few partials leave the note as it is.
    """
    note = reading.note
    if drum is None or drum.resonant is None or (note.frequency_hz is not None and not note.inferred):
        return note
    if len(reading.partials) < FEWEST or not reading.settled:
        return note
    from ..errors import BothheadsError
    from ..infer.heads import fit_heads
    from ..infer.low_note import note_from_heads

    try:
        fit = fit_heads(drum, [reading])
    except BothheadsError:
        return note
    return note_from_heads(drum, fit, reading.partials) or note
