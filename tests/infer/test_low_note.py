"""A note below the microphone's reach, from both heads: inferred and marked, or left refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bothheads.infer.heads import fit_heads
from bothheads.infer.low_note import note_from_heads
from bothheads.records import Muffling, Note, Partial, Reading
from bothheads.session.low_note import settled_note
from evidence import assert_canary, assert_published
from reference_drums import DATA, drum


def heard(name: str, lowest_hz: float) -> Reading:
    """Partials of a reference drum at the seat from ``lowest_hz`` to 300 Hz, within 30 dB; the note refused."""
    rows = [p for p in DATA[name]["partials"] if lowest_hz < p["frequency_hz"] < 300]
    top = max(p["level_db"]["seat"] for p in rows)
    kept = [p for p in rows if p["level_db"]["seat"] > top - 30]
    partials = tuple(Partial(p["frequency_hz"], 0.02, p["decay_s"], 0.03 * p["decay_s"], (p["level_db"]["seat"] - top,),
                             (p["level_db"]["seat"] - top - 6.0,)) for p in kept)
    return Reading(48000, ("phone",), (), partials, Note(refused="below the microphone's reach"))


def untuned(name: str):  # type: ignore[no-untyped-def]
    return drum(name).with_head("batter", tension=None).with_head("resonant", tension=None)


def check_notes() -> None:
    for name, note in (("bass22x18", 36.27), ("bass26x14", 32.0), ("bass24x14-equal", 31.6)):
        got = settled_note(heard(name, 60.0), untuned(name))
        assert got.inferred and got.frequency_hz is not None and got.sd_hz is not None and got.decay_s is None
        assert_published(got.frequency_hz, note, 0.04, relative=True,
                         source="reference drums, three-dimensional wave equation", kind="independent code")


def test_the_note_cut_off_is_inferred() -> None:
    check_notes()
    assert_canary(check_notes)


def test_nothing_is_inferred_without_size_or_through_a_pad() -> None:
    reading = heard("bass22x18", 60.0)
    assert settled_note(reading, None).refused
    assert settled_note(replace(reading, partials=reading.partials[:2]), untuned("bass22x18")).refused
    known = untuned("bass22x18")
    fit = fit_heads(known, [reading])
    assert note_from_heads(known, fit, reading.partials) is not None
    padded = replace(known, muffling=(Muffling("pad", ("batter",), 0.0, -0.15, radius=0.09, mass=0.06, resistance=80.0),))
    assert note_from_heads(padded, fit, reading.partials) is None


@pytest.mark.parametrize("odds", [0.7, 0.8])
def test_rival_explanations_count(odds: float) -> None:
    known, reading = untuned("bass22x18"), heard("bass22x18", 60.0)
    fit = fit_heads(known, [reading])
    assert fit.batter is not None and fit.resonant is not None
    rival = replace(fit.alternatives[0], odds=1.0 - odds, batter=replace(fit.batter, tension=2.0 * fit.batter.tension))
    got = note_from_heads(known, replace(fit, odds=odds, alternatives=(rival,)), reading.partials)
    assert (got is not None) == (odds > 0.75)
