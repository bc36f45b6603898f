"""Wishes in words: parsed, refused with a list, made exact."""

from __future__ import annotations

from math import log

import pytest

from bothheads.errors import InputError
from bothheads.plan import wish

NOW = dict(zip(wish.FIGURES, (log(60.0), log(1.2), -6.0, -2.0, log(0.012), 12.0, log(600.0), log(500.0)), strict=True))


def test_every_known_wish_parses_and_has_words() -> None:
    for name in wish.known_wishes():
        found = wish.parse_wish(name.replace("-N", "-3"))
        assert len(found) == 1 and found[0].words


def test_spaces_capitals_and_everyday_words() -> None:
    assert [w.name for w in wish.parse_wish("Shorter Tail, same-note")] == ["shorter-tail", "same-note"]
    assert wish.parse_wish("deeper")[0].name == "lower-note"
    assert wish.parse_wish("back to state 3")[0].number == 3
    assert wish.parse_wish("") == ()


def test_unknown_wish_lists_the_known() -> None:
    with pytest.raises(InputError, match="'wetter' is not a known wish: use one or more of lower-note"):
        wish.parse_wish("wetter")


@pytest.mark.parametrize("text", ["lower-note,higher-note", "same-note,lower-note", "shorter-tail,longer-tail"])
def test_contradictions_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="cannot both be had"):
        wish.parse_wish(text)


def test_goals_are_exact() -> None:
    goals = {g.figure: g for g in wish.goals_of(wish.parse_wish("lower-note,shorter-tail"), NOW)}
    assert goals["note"].target == pytest.approx(log(60.0) - log(2) / 12)
    assert goals["tail"].target == pytest.approx(log(0.9))
    assert goals["note"].direction == -1


def test_a_note_overrides_wishes_about_the_note() -> None:
    goals = wish.goals_of(wish.parse_wish("same-note,shorter-tail"), NOW, note_hz=55.0)
    notes = [g for g in goals if g.figure == "note"]
    assert len(notes) == 1 and notes[0].target == pytest.approx(log(55.0))


def test_more_than_asked_is_no_shortfall() -> None:
    goal = wish.goals_of(wish.parse_wish("shorter-tail"), NOW)[0]
    assert wish.shortfall(goal, goal.target - 0.5) == 0
    assert wish.shortfall(goal, NOW["tail"]) > 0
    exact = wish.goals_of(wish.parse_wish("same-note"), NOW)[0]
    assert wish.shortfall(exact, exact.target + 0.05) > 0 and wish.shortfall(exact, exact.target - 0.05) > 0


def test_notes_in_three_spellings() -> None:
    assert wish.parse_note("62") == wish.parse_note("62Hz") == 62.0
    assert wish.parse_note("B1") == pytest.approx(61.7354, abs=1e-3)
    with pytest.raises(InputError, match="is not a note"):
        wish.parse_note("H7x")
