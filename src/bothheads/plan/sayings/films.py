"""Sayings about the heads themselves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from ...records import Drum, Muffling
from ...units import cents, surface_density_from_mil
from .drums import Specimen
from .model import Model, percent
from .record import LEVEL_DB, PITCH_CENTS, TAIL_PERCENT, Saying, Trial, alike, less, more

THIN_MIL, THICK_MIL = 7.0, 14.0
PATCH_M, PATCH_KG = 0.04, (0.002, 0.004)  # radius of an impact patch; one and two layers of 10 mil


def _films(drum: Drum, mil: float, *, both: bool = True) -> Drum:
    out = drum.with_head("batter", surface_density=surface_density_from_mil(mil))
    return out.with_head("resonant", surface_density=surface_density_from_mil(mil)) if both else out


def _pair(model: Model, s: Specimen) -> tuple[Drum, Drum] | None:
    """The drum with thin and with thick films on both sides, both at its note, heads related alike."""
    ratio = s.features["relation"]
    thin, thick = (model.at_note(_films(s.drum, mil), s.note_hz, ratio=ratio) for mil in (THIN_MIL, THICK_MIL))
    return None if thin is None or thick is None else (thin, thick)


def thin_brighter(model: Model, s: Specimen) -> Iterator[Trial]:
    """Brightness of thin films over thick ones, at one note."""
    pair = _pair(model, s)
    if pair is not None:
        yield Trial(model.brightness(pair[0]) - model.brightness(pair[1]))


def thin_longer(model: Model, s: Specimen) -> Iterator[Trial]:
    """Tail with thin films over the tail with thick ones, at one note, loss per speed of the film alike."""
    pair = _pair(model, s)
    if pair is not None:
        yield Trial(percent(model.tail(pair[0]), model.tail(pair[1])))


def thick_longer(model: Model, s: Specimen) -> Iterator[Trial]:
    """The reverse."""
    pair = _pair(model, s)
    if pair is not None:
        yield Trial(percent(model.tail(pair[1]), model.tail(pair[0])))


def thick_lower(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note by a thick batter instead of a thin one, tensions alike."""
    thin, thick = (model.hertz(_films(s.drum, mil, both=False)) for mil in (THIN_MIL, THICK_MIL))
    yield Trial(cents(thick, thin))


def thick_louder(model: Model, s: Specimen) -> Iterator[Trial]:
    """Level in front of thick films over thin ones at one note, same push."""
    pair = _pair(model, s)
    if pair is not None:
        yield Trial(model.level(pair[1], "front") - model.level(pair[0], "front"))


def patch_note(model: Model, s: Specimen) -> Iterator[Trial]:
    """Change of the note by an impact patch in the middle of the batter."""
    for mass in PATCH_KG:
        patch = Muffling("patch", ("batter",), radius=PATCH_M, mass=mass)
        yield Trial(cents(model.hertz(replace(s.drum, muffling=(patch,))), s.note_hz), {"grams": 1000 * mass})


SAYINGS = (
    Saying("thin-is-brighter", "heads", "Thin heads are brighter and have more overtones than thick ones.",
           f"what lies above three times the note, {THIN_MIL:g} mil against {THICK_MIL:g} mil on both sides at one note, same push",
           more(LEVEL_DB, "dB"), thin_brighter, left_out="how much more film of one make loses than another at high frequencies"),
    Saying("thin-rings-longer", "heads", "Thin heads ring longer than thick ones.",
           f"tail of the note, {THIN_MIL:g} mil against {THICK_MIL:g} mil on both sides at one note, the same loss",
           more(TAIL_PERCENT, "% of the tail"), thin_longer,
           left_out="whether thick films lose more of themselves: two plies rub, coatings drag; no figure is known"),
    Saying("thick-rings-longer", "heads", "Thick heads ring longer than thin ones (the trade says both).",
           f"tail of the note, {THICK_MIL:g} mil against {THIN_MIL:g} mil on both sides at one note, the same loss",
           more(TAIL_PERCENT, "% of the tail"), thick_longer, left_out="as above"),
    Saying("thick-is-lower", "heads", "A thicker batter at the same tension gives a lower note.",
           f"change of the note, batter {THICK_MIL:g} mil instead of {THIN_MIL:g} mil, tensions alike", less(PITCH_CENTS, "cents"),
           thick_lower),
    Saying("thick-needs-a-harder-stroke", "heads", "A thick head wants a harder stroke for the same loudness.",
           f"level in front, {THICK_MIL:g} mil against {THIN_MIL:g} mil on both sides at one note, same push", less(LEVEL_DB, "dB"),
           thick_louder),
    Saying("patch-leaves-the-note", "heads", "An impact patch leaves the note alone.",
           f"change of the note by {1000 * PATCH_KG[0]:g} and {1000 * PATCH_KG[1]:g} g over {200 * PATCH_M:g} cm in the middle of "
           "the batter", alike(PITCH_CENTS, "cents"), patch_note, uses=("bass",)),
)
