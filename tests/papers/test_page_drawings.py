"""Strip, plan view, history, kit, muffling chart and turning rail: figures in the drawing are the figures given."""

from __future__ import annotations

import re
from math import sqrt

import pytest

from bothheads import drumfile
from bothheads.papers.history import Entry, history_svg
from bothheads.papers.kit import KitRung, interval_words, kit_svg
from bothheads.papers.muffling import Damped, chart_svg, enough
from bothheads.papers.planview import Line, pair_db, plan_svg, roundness_db, spectra_svg, where_words
from bothheads.papers.strip import RodRow, strip_svg, where
from bothheads.papers.turning import Rail, done_words, hand_steps, pairs, passes_of_turns, rail_svg, wish_choices
from bothheads.records import Microphone
from evidence import assert_canary, assert_published

DRUM = drumfile.parse("diameter_in = 20\ndepth_in = 14\n[batter]\nrods = 8\n[resonant]\nrods = 6\n")[0]


def test_rods_are_named_clockwise_from_the_top():
    assert [where(r, 8) for r in range(1, 9)] == ["top", "upper right", "right", "lower right", "bottom", "lower left",
                                                  "left", "upper left"]
    assert where(1, 6, 30.0) == "upper right"
    assert where(4, 6) == "bottom"


@pytest.mark.parametrize("wide", [True, False])
def test_the_strip_holds_every_rod_and_what_to_do(wide):
    rows = [RodRow(i, c, 3.0, film_cents=1.5 * c, film_sd=8.0, eighths={2: 1.0, 5: -1.0}.get(i, 0.0),
                   turn={2: 1, 5: 2}.get(i), lands_cents=0.0) for i, c in enumerate((14.0, -31.0, -6.0, 3.0, 22.0, -2.0), 1)]
    text = strip_svg(rows, head="resonant", wide=wide)
    for words in ("+14", "−31", "+22", "1/8 tighter", "1/8 looser", "first", "second"):
        assert f">{words}<" in text
    assert text.count(">leave<") == 4
    assert "url(#slit" in text  # the resonant head is broken


def test_a_rod_that_was_not_heard_is_said():
    assert ">not heard<" in strip_svg([RodRow(1, None), RodRow(2, 3.0), RodRow(3, -3.0)], head="batter")


def test_roundness_of_two_places_is_their_rms_difference():
    def check():
        lines = [Line(40.0, 0.5, (0.0, -6.0)), Line(80.0, 0.5, (-10.0, -2.0))]
        assert_published(pair_db(lines, 0, 1), sqrt((36 + 64) / 2), 1e-9, source="rms of 6 and 8 dB", kind="closed form")
        assert_published(roundness_db(lines), sqrt(50), 1e-9, source="one pair", kind="closed form")
        faint = [Line(40.0, 0.5, (0.0, -90.0))]
        assert_published(pair_db(faint, 0, 1), 45.0, 1e-9, source="floor of -45 dB", kind="closed form")

    check()
    assert_canary(check)


def test_roundness_agrees_with_the_model_s_definition():
    import numpy as np

    from bothheads import roundness

    levels = np.array([[0.0, -8.0, -20.0], [-5.0, -1.0, -3.0], [-12.0, -60.0, -15.0]])
    lines = [Line(40.0 + i, None, tuple(row)) for i, row in enumerate(levels.tolist())]
    assert roundness_db(lines) == pytest.approx(roundness.roundness_db(levels))


def test_the_plan_says_where_microphones_stood():
    assert where_words(Microphone("seat", 0.0, 0.42, -0.45), 0.36) == "45 cm behind"
    assert where_words(Microphone("front", 0.0, 0.0, 0.96), 0.36) == "60 cm before"
    text = plan_svg(DRUM, DRUM.places)
    for name in ("seat", "front", "side", "top", "45 cm", "batter", "resonant", "player", "listeners"):
        assert name in text
    assert spectra_svg([Line(40.0, 0.5, (0.0, -50.0))], ["seat", "side"]).count("<circle") == 1


def test_history_joins_turned_states_solid_and_others_dotted():
    text = history_svg([Entry(1, 40.0, 0.1, 2.0, False), Entry(2, 42.0, 0.1, 2.0, True), Entry(3, 41.0, 0.1, 1.0, False),
                        Entry(4, None, None, None, False)])
    lines = re.findall(r'<path class="ink" d="M[\d.]+ [\d.]+L[^/]*/>', text)
    assert ["dasharray" in line for line in lines] == [False, True]
    assert ">42.0<" in text and ">4: note refused<" in text


@pytest.mark.parametrize(("low", "high", "words"), [
    (100.0, 150.0, "a fifth"), (100.0, 200.0, "an octave"), (100.0, 100.0, "the same note"),
    (100.0, 100.0 * 2 ** (5.12 / 12), "a fourth, 12 cents wide"), (100.0, 300.0, "an octave and a fifth"),
])
def test_intervals_are_named(low, high, words):
    assert interval_words(low, high) == words


def test_the_kit_shows_where_a_plan_would_put_a_drum():
    text = kit_svg([KitRung("Low tom", 80.0, 0.5, 84.0), KitRung("High tom", 120.0, 0.4), KitRung("Bass", None, None)])
    assert text.count('class="ghost"') == 1
    assert ">not read<" in text and ">80.0<" in text


def test_how_little_is_enough():
    points = [Damped(1, 0.0, "nothing", 1.5, 0.05, 60.0), Damped(2, 20.0, "a strip", 0.9, 0.05, 60.0),
              Damped(3, 60.0, "a pad", 0.5, None, 59.0)]
    assert enough(points, 1.0).startswith("20 g is enough (a strip, state 2)")
    assert enough(points, 2.0).startswith("Nothing is needed")
    assert "lay on a little more" in enough(points, 0.2)
    assert ">wished 1 s<" in chart_svg(points, wish_s=1.0)


def test_a_turn_becomes_eighths_rod_by_rod_with_a_reading_after_each_pass():
    steps = hand_steps(passes_of_turns(DRUM, {"batter": -2, "resonant": 1}).steps)
    assert [s.head for s in steps if s.rod is None] == ["batter", "resonant", "batter"]
    first = [s.rod for s in steps[:8]]
    assert sorted(first) == list(range(1, 9))
    assert all(abs(a - b) == 4 for a, b in pairs(first))
    assert done_words(steps, 0) == ""
    assert done_words(steps, 8) == done_words(steps, 9) == "batter=-0.125"
    assert done_words(steps, len(steps)) == "batter=-0.25,resonant=+0.125"
    assert done_words(steps, 3).startswith("batter:1=-0.125,batter:3=-0.125")


def test_the_rail_says_was_reckoned_and_aim():
    text = rail_svg(Rail("batter", 98.6, 97.4, 0.3, 94.8, 0.4))
    for words in ("was", "reckoned", "aim", "98.6", "97.4", "94.8"):
        assert f">{words}<" in text
    assert ("shorter-tail", "the note's tail a quarter shorter") in wish_choices()
