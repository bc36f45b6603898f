"""The ladder says what its rungs say, and no mark or label lies where it must not."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from math import log

import pytest

from bothheads import drumfile, session
from bothheads.papers.ladder import ladder_marks, ladder_svg
from bothheads.papers.ladder_layout import (
    CARD,
    NARROW,
    WIDE,
    Axis,
    axis_for,
    baseline,
    label_box,
    note_words,
    own_name,
    place_rungs,
    spread,
)
from bothheads.papers.rung_words import owner_words, tell_words
from bothheads.papers.rungs import Rung, partners, rungs_after, rungs_of_prediction, rungs_of_reading, strongest
from bothheads.records import Note, Partial, Reading, StrikeReading
from evidence import assert_canary, assert_published

DRUM = drumfile.parse("diameter_in = 20\ndepth_in = 14\n[batter]\nfilm_mil = 10\ntension = 620\nresistance = 2\n"
                      "[resonant]\nfilm_mil = 10\ntension = 470\nresistance = 2\n")[0]


@pytest.fixture(scope="module")
def now():
    return session.predict(DRUM)


@pytest.fixture(scope="module")
def then():
    return session.predict(DRUM.with_head("batter", tension=540.0))


def rung(frequency, share=0.5, t60=2.0, level=0.0, **more):
    return Rung(f"k{frequency}", frequency, 0.1, t60, 0.1, level, share, 0, **more)


def test_heights_are_logarithmic():
    def check():
        axis = Axis(40.0, 160.0, 2.0)
        octave = axis.y(WIDE, 60.0) - axis.y(WIDE, 120.0)
        assert_published(octave, (WIDE.base - WIDE.top) / 2, 1e-9, source="an octave of two", kind="closed form")
        fifth = axis.y(WIDE, 80.0) - axis.y(WIDE, 120.0)
        assert_published(fifth / octave, log(1.5) / log(2), 1e-9, source="log 3/2 over log 2", kind="closed form")

    check()
    assert_canary(check)


@pytest.mark.parametrize(("share", "left", "right"), [(1.0, True, False), (0.0, False, True), (0.5, False, False)])
def test_a_rung_hangs_on_the_rail_of_the_head_that_owns_it(share, left, right):
    [mark] = place_rungs([rung(80.0, share)], {}, Axis(40.0, 160.0, 4.0), WIDE)
    assert (mark.x0 == pytest.approx(WIDE.left)) is left
    assert (mark.x1 == pytest.approx(WIDE.right)) is right
    assert mark.xs - mark.x0 == pytest.approx(share * (mark.x1 - mark.x0))


def test_length_is_tail_and_thickness_is_level():
    axis = Axis(40.0, 400.0, 4.0)
    long, short, soft = place_rungs([rung(60.0, t60=4.0), rung(120.0, t60=1.0), rung(240.0, level=-40.0)], {}, axis, WIDE)
    assert (long.x1 - long.x0) == pytest.approx(4 * (short.x1 - short.x0))
    assert long.thick == 17 and soft.thick < 5


@pytest.mark.parametrize("sheet", [WIDE, NARROW, CARD])
def test_no_label_lies_on_another(now, then, sheet):
    for prediction in (now, then):
        rungs = rungs_of_prediction(prediction, most=9)
        marks = place_rungs(rungs, prediction.own_modes, axis_for(rungs, prediction.own_modes), sheet)
        for i, a in enumerate(marks):
            for b in marks[i + 1:]:
                (a0, a1), (b0, b1) = label_box(a, sheet), label_box(b, sheet)
                apart = abs(baseline(a) - baseline(b)) >= sheet.size - 0.5 or a1 <= b0 or b1 <= a0
                assert apart, (a.rung.frequency_hz, b.rung.frequency_hz)


def test_the_drawing_holds_every_figure_once(now):
    rungs = rungs_of_prediction(now)
    text = ladder_svg(rungs, now.own_modes)
    assert re.findall(r'class="rung[^"]*" data-id="([^"]+)"', text) == [r.key for r in rungs]
    for r in rungs:
        assert f'class="hz">{r.frequency_hz:.1f}</tspan>' in text
    assert "style=" not in text


def test_a_page_s_places_are_the_drawing_s(now):
    rungs = rungs_of_prediction(now)
    axis = axis_for(rungs, now.own_modes)
    rows = ladder_marks(rungs, now.own_modes, axis)["w"]["rungs"]
    for mark in place_rungs(rungs, now.own_modes, axis, WIDE):
        assert rows[mark.rung.key]["v"][0] == pytest.approx(mark.y, abs=0.006)
    assert set(rows) == {r.key for r in rungs if axis.holds(r.frequency_hz)}


def test_modes_keep_their_names_while_tensions_change(now, then):
    pairs = partners(now.partials, then.partials)
    keys = {k: now.partials[i] for i, k in enumerate(rung_keys(now))}
    assert len(pairs) >= len(now.partials) - 3
    for key, j in pairs.items():
        assert then.partials[j].m == keys[key].m
        assert then.partials[j].frequency_hz <= keys[key].frequency_hz * 1.001


def rung_keys(prediction):
    from bothheads.papers.rungs import keys_of

    return keys_of(prediction.partials)


def test_a_mode_that_left_the_list_does_not_shift_the_rest(now):
    fewer = replace(now, partials=tuple(p for i, p in enumerate(now.partials) if i != 2))
    becomes = partners(now.partials, fewer.partials)
    for key, j in becomes.items():
        assert fewer.partials[j].frequency_hz == now.partials[rung_keys(now).index(key)].frequency_hz


def test_a_reading_s_rungs_take_their_owner_from_the_model(now):
    heard = [Partial(p.frequency_hz, 0.1, p.decay_s, None, (0.0,), (-10.0,)) for p in now.partials[:4]]
    foreign = Partial(55.0, 0.1, 0.3, None, (-3.0,), (-13.0,))
    reading = Reading(48000, ("seat",), (StrikeReading(0.1, (-6.0,), None),), (*heard, foreign), Note(heard[0].frequency_hz))
    rungs = {r.frequency_hz: r for r in rungs_of_reading(reading, prediction=now)}
    assert rungs[heard[1].frequency_hz].share_batter == now.partials[1].share_batter
    assert rungs[55.0].share_batter is None
    assert rungs[heard[0].frequency_hz].is_note
    assert "unowned" in ladder_svg(list(rungs.values()), now.own_modes)


def test_after_a_turn_levels_move_by_the_model_s_change(now, then):
    before = rungs_of_prediction(now)
    after = {r.key: r for r in rungs_after(before, now, then)}
    note = next(r for r in before if r.is_note)
    assert after[note.key].frequency_hz == pytest.approx(then.note.frequency_hz)
    assert all(abs(after[r.key].level_db - r.level_db) < 30 for r in before if r.key in after)


def test_the_soft_ones_are_left_out_but_never_the_note():
    rungs = strongest([rung(40.0, level=-60.0, is_note=True), rung(80.0, level=-3.0), rung(120.0, level=-50.0)])
    assert [r.frequency_hz for r in rungs] == [40.0, 80.0]
    assert rungs[1].level_db == 0.0


def test_names():
    assert own_name("(0,1)") == "whole head"
    assert own_name("(1,2)") == "2nd halves"
    assert own_name("(0,3)") == "3rd whole"
    assert own_name("(6,1)") == "12 parts"
    assert note_words(440.0) == "A4"
    assert note_words(41.84) == "E1 +27"
    assert owner_words(0.95) == "the batter head alone"
    assert owner_words(0.05) == "the resonant head alone"
    assert "not known" in owner_words(None)
    assert "Turn batter rods" in tell_words(rung(80.0, 0.9))[1]


def test_spread_keeps_the_gap_and_the_order():
    out = spread([10.0, 11.0, 12.0, 50.0], 8.0)
    assert all(b - a >= 7.9 for a, b in pairwise(out))
    assert out[3] == 50.0


def test_an_empty_ladder_says_so():
    assert "nothing has been read yet" in ladder_svg([], {})
