"""The page's own reckoning: blind tests, ear lessons, rounds of taps, muffling forms, checked without HTTP."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from starlette.datastructures import FormData

from bothheads import drumfile, session
from bothheads.errors import InputError
from bothheads.records import Muffling, State, Take, Turn
from bothheads.web.bench import wav_bytes, wav_samples
from bothheads.web.blind import BlindTest, chance, listed, needed, odds_words, verdict
from bothheads.web.forms import safe_name
from bothheads.web.lessons import EASIEST, ask, level_after, questions, record_words
from bothheads.web.muffling_page import change_of
from bothheads.web.taps_page import Round
from bothheads.web.views import drum_toml, turned_words
from evidence import assert_canary, assert_published

DRUM = drumfile.parse("diameter_in = 20\ndepth_in = 14\n[batter]\n[resonant]\n")[0]


def test_the_chance_of_guessing_is_the_binomial_s():
    def check():
        assert_published(chance(10, 12), 79 / 4096, 1e-12, source="(66 + 12 + 1) / 2^12", kind="closed form")
        assert_published(chance(0, 12), 1.0, 1e-12, source="certain", kind="closed form")
        assert_published(chance(15, 20), 21700 / 2**20, 1e-12, kind="closed form",
                         source="(15504 + 4845 + 1140 + 190 + 20 + 1) / 2^20")

    check()
    assert_canary(check)


@pytest.mark.parametrize(("trials", "least"), [(8, 7), (12, 10), (16, 12), (20, 15)])
def test_how_many_right_answers_show_it(trials, least):
    assert needed(trials) == least
    assert verdict(least, trials)["title"] == "You heard the difference."
    assert "not say that they are the same" in verdict(least - 1, trials)["other"]
    assert odds_words(chance(10, 12)) == "comes about once in 52 tries"


def test_a_listener_who_knows_is_right_every_time_whatever_the_order():
    for right_is_b in (True, False):
        test = BlindTest(1, 4, 7, "lower", right_is_b, 12)
        while not test.done:
            test.answer(test.sound(1) == ("b" if right_is_b else "a"))
        assert test.right == 12
        test.answer(True)
        assert len(test.answers) == 12


def test_the_order_is_fair_and_hidden():
    firsts = [BlindTest(1, 4, 7, "lower", True, 1).sound(1) for _ in range(400)]
    assert 140 < firsts.count("a") < 260
    stopped = BlindTest(1, 4, 7, "lower", True, 12)
    stopped.answer(True)
    assert stopped.record()["right"] is None


def test_all_tests_of_a_pair_are_listed_and_taken_together():
    records = [{"question": "lower", "trials": 12, "answered": 12, "right": 10},
               {"question": "lower", "trials": 12, "answered": 4, "right": None},
               {"question": "lower", "trials": 12, "answered": 12, "right": 6}]
    lines = listed(records)
    assert len(lines) == 4
    assert "stopped after 4, no figure" in lines[1]
    assert lines[3].startswith("All 2 finished tests together: 16 of 24")


def state(number, hertz, *, turns=(), grams=0.0):
    drum = replace(DRUM, muffling=(Muffling("pad", ("batter",), radius=0.1, mass=grams / 1000),)) if grams else DRUM
    return State(1, number, "2026-11-25", drum, turns, reading={"note": {"frequency_hz": hertz}},
                 takes=(Take(number, f"{number}" * 64, ("seat",), 48000, 9, ""),))


STATES = [state(1, 60.0), state(2, 61.0, turns=(Turn("batter", 0.125),)), state(3, 66.0, turns=(Turn("resonant", 0.25),)),
          state(4, 65.5, grams=30.0)]


def test_lessons_ask_only_what_the_takes_can_answer():
    assert [(a.number, b.number) for a, b, _ in questions(STATES, "head")] == [(1, 2), (2, 3)]
    assert all(b.number == 4 for _, b, _ in questions(STATES, "pad"))
    assert questions([STATES[0]], "higher") == []
    assert ask([STATES[0]], "higher", EASIEST, random.Random(1)) is None


@pytest.mark.parametrize("seed", range(12))
def test_the_right_answer_is_right(seed):
    notes = {s.number: s.reading["note"]["frequency_hz"] for s in STATES}
    q = ask(STATES, "higher", 100.0, random.Random(seed))
    assert q.right == ("second" if notes[q.second] > notes[q.first] else "first")
    q = ask(STATES, "head", 1.0, random.Random(seed))
    assert q.right == {2: "batter", 3: "resonant"}[q.second]
    q = ask(STATES, "pad", 30.0, random.Random(seed))
    assert q.right == ("second" if q.second == 4 else "first")


def test_two_right_make_it_harder_and_one_wrong_easier():
    record = {}
    for _ in range(4):
        record = level_after(record, "higher", True, 50.0)
    assert record["higher"]["level"] == pytest.approx(EASIEST / 1.4**2)
    harder = record["higher"]["level"]
    record = level_after(record, "higher", False, 20.0)
    assert record["higher"]["level"] == pytest.approx(harder * 1.4)
    assert record_words(record) == ["Which is higher? 4 of 5 right; smallest difference heard twice running: 50 cents"]


def test_a_round_mends_doubled_and_skipped_taps():
    made = Round(6, 0.0)
    assert [made.tap(48000, b"x") for _ in range(3)] == [1, 2, 3]
    made.undo()
    assert made.next_rod == 3
    made.tap(48000, b"again")
    made.go_to(5)
    assert [made.tap(48000, b"x"), made.tap(48000, b"x")] == [5, 6]
    assert made.message()["next"] == 4
    with pytest.raises(InputError, match=r"rod 4 has no tap yet"):
        made.recording()
    made.tap(48000, b"x")
    assert made.whole


def test_a_round_s_recording_is_in_the_order_of_the_rods():
    made = Round(3, 0.0)
    for rod in (2, 3, 1):
        made.go_to(rod)
        made.tap(8000, wav_bytes(np.full((4, 1), rod / 10), 8000))
    assert wav_samples(made.recording())[::4, 0] == pytest.approx([0.1, 0.2, 0.3], abs=1e-6)


def test_what_lies_on_the_head_becomes_the_drum_s():
    form = FormData({"kind": "pad", "head": "both", "size_cm": "18", "grams": "60"})
    [item] = session.with_changes(DRUM, change_of(form)).muffling
    assert item.heads == ("batter", "resonant")
    assert item.radius == pytest.approx(0.09)
    assert item.mass == pytest.approx(0.06)
    assert session.with_changes(DRUM, change_of(FormData({"kind": "nothing"}))).muffling == ()
    with pytest.raises(InputError, match=r"grams is missing"):
        change_of(FormData({"kind": "pad", "head": "batter", "size_cm": "18"}))


@pytest.mark.parametrize(("name", "safe"), [("../../etc/passwd", "passwd"), ("a b.wav", "a b.wav"), ("..\\x.wav", "x.wav"),
                                            ("ä<b>.wav", "ä_b_.wav"), ("", "take.wav"), ("...", "take.wav")])
def test_names_of_files_lose_folders_and_odd_characters(name, safe):
    assert safe_name(name) == safe


def test_words_for_turns_and_typed_drums():
    assert turned_words((Turn("batter", -0.5), Turn("resonant", 0.125, 3))) == "batter 1/2 looser, resonant rods 3 1/8 tighter"
    assert turned_words(()) == "nothing turned"
    text = drum_toml({"name": 'a "b" \\', "diameter_in": "12,5", "depth_in": "8", "batter_rods": "6", "resonant_absent": "1"})
    drum = drumfile.parse(text)[0]
    assert drum.name == 'a "b" \\'
    assert drum.resonant is None
