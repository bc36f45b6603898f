"""Conversions at the edges: notes, turns, words."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bothheads import units
from bothheads.errors import InputError


@pytest.mark.parametrize(("text", "hertz"), [("62", 62.0), ("62Hz", 62.0), (" 61.5 hz", 61.5), ("B1", 61.7354), ("a1", 55.0),
                                             ("Bb1", 58.2705), ("B1+100", 65.4064), ("C2-100c", 61.7354)])
def test_note_is_read(text: str, hertz: float) -> None:
    assert units.note_frequency(text) == pytest.approx(hertz, abs=1e-3)


@pytest.mark.parametrize("text", ["", "H1", "B", "B#", "62 cents", "-5", "nan"])
def test_what_is_no_note_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="is not a note"):
        units.note_frequency(text)


@pytest.mark.parametrize("text", ["2", "C9", "3000"])
def test_a_note_no_drum_has_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="outside 10 to 2000 Hz"):
        units.note_frequency(text)


@given(st.floats(20.0, 1500.0))
@settings(derandomize=True, deadline=None, max_examples=100)
def test_a_name_leads_back_within_half_a_cent(hertz: float) -> None:
    assert abs(units.cents(units.note_frequency(units.note_name(hertz)), hertz)) <= 0.5 + 1e-6


@pytest.mark.parametrize(("text", "turns"), [("0.5", 0.5), ("+1/8", 0.125), ("-1/8", -0.125), ("1 1/4", 1.25), ("0", 0.0)])
def test_turns_are_read(text: str, turns: float) -> None:
    assert units.turns_from_text(text) == turns


@pytest.mark.parametrize("text", ["", "half", "1/0", "--1", "1/8/2", "nan"])
def test_what_is_no_turn_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="is not a number of turns"):
        units.turns_from_text(text)


def test_more_than_eight_turns_are_refused() -> None:
    with pytest.raises(InputError, match="more than 8 turns"):
        units.turns_from_text("9")


@pytest.mark.parametrize(("eighths", "words"), [(1, "1/8 tighter"), (-4, "1/2 looser"), (10, "1 1/4 tighter"),
                                                (0.5, "1/16 tighter"),
                                                (8, "1 tighter"), (0, "no turn")])
def test_turns_in_words(eighths: float, words: str) -> None:
    assert units.turns_in_words(eighths) == words


def test_octaves_carry_the_standard_s_names() -> None:
    """IEC 61260-1's nominal names (from memory) of its exact mid-bands 1000 x 10^(3 k / 10) [Hz]."""
    assert [units.octave_name(1000.0 * 10 ** (0.3 * k)) for k in range(-5, 4)] == [
        "31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k"]
