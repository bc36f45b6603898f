"""A wished note on the ladder: the mark at its height, the plan below in the planner's own words."""

from __future__ import annotations

import re


def test_the_wish_is_marked_and_its_plan_falls_out_below(client):
    text = client("GET", "/drums/1?note=43Hz").text
    assert text.count("wished 43.0") == 2  # the wide and the narrow drawing
    assert "wished" not in client("GET", "/drums/1").text.split("</figure>")[0]
    below = re.search(r'<section aria-labelledby="todo">.*?</section>', text, re.S)
    planned = re.search(r'<section aria-labelledby="todo">.*?</section>', client("GET", "/drums/1/plan?note=43Hz").text, re.S)
    assert below and planned
    assert below[0] == planned[0]
    assert "What your hands do" in below[0]
    assert "/drums/1/turn?note=43Hz" in below[0]


def test_the_wish_stays_when_a_forecast_is_asked_without_script(client):
    text = client("GET", "/drums/1?note=43Hz&step=batter-1").text
    assert text.count("wished 43.0") == 2
    assert "Batter 1/8 looser" in text
    assert 'name="note" value="43Hz"' in text


def test_a_wish_that_is_no_note_is_refused_in_a_sentence(client):
    answer = client("GET", "/drums/1?note=loud")
    assert answer.status == 400
    assert "Traceback" not in answer.text


def test_a_wish_off_the_drawing_is_said(client):
    text = client("GET", "/drums/1?note=900Hz").text
    assert "outside what is drawn" in text
    assert "wished 900" not in text
