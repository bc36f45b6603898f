"""Choosing on the page: wishes become a job, the answer small drums to one scale, two of them on one ladder."""

from __future__ import annotations

import json
import re
from urllib.parse import urlencode

import pytest

from bothheads import drumfile, session
from bothheads.errors import InputError
from bothheads.papers.choice import design_svg, stage_for
from bothheads.web.choose_form import filled, job_of
from bothheads.web.jobs import Job

FORM = "application/x-www-form-urlencoded"
TEXT = """
name = "{name}"
diameter_in = {diameter}
depth_in = {depth}
[batter]
film_mil = 10
tension = {tension}
resistance = 6
[resonant]
film_mil = 10
tension = 500
resistance = 6
"""


def option(rank, diameter, depth, tension, label=""):
    drum = drumfile.parse(TEXT.format(name=f"d{rank}", diameter=diameter, depth=depth, tension=tension))[0]
    note = session.forecast_state(drum)[1].note
    figures = {"note": {"value": note.frequency_hz, "unit": "Hz", "name": note.name, "sd": None},
               "tail": {"value": note.t60_s, "unit": "s", "low": None, "high": None, "assumed": True}, "front": {"value": 104.0},
               "seat": None, "tension": {"batter": tension, "resonant": 500.0}}
    return {"rank": rank, "front": 1, "name": f"{diameter} x {depth} in", "label": label, "drum_file": drumfile.to_dict(drum),
            "cost": 1.0, "note_hz": note.frequency_hz, "t60_s": note.t60_s, "tension": tension,
            "weight_kg": {"value": 8.0, "sd": 1.0}, "packed_cm": {"across": 60.0, "high": 60.0, "long": 40.0, "sd": 2.0},
            "settings": [{"part": "first", "drum_file": drumfile.to_dict(drum), "muffling": None, "figures": figures,
                          "feel": {"contact_ms": 20.0, "rebound": 0.7}, "robust": {"words": ["steady"]}, "warnings": []}],
            "between": [], "nearest_owned": None, "reasons": ["the note"], "against": [] if rank == 1 else ["tail 1 s, wanted 2 s"]}


@pytest.fixture
def chosen(client):
    """A page that has an answer under the name 'ready'."""
    job = Job("ready", "choose", 0, "choosing", {}, str)
    job.state = "done"
    job.answer = {"schema": "bothheads.choice/1", "stopped": False, "refused": None, "blocked": [], "nearest_miss": None,
                  "job": {"use": "bass", "words": ["a bass drum", "note 50 Hz"]}, "criteria": [], "assumed": ["a"],
                  "not_tested": ["b"], "disagreements": [{"about": "size", "words": ["one", "other"]}],
                  "options": [option(1, 22, 14, 700.0, "best all round"), option(2, 18, 12, 900.0)]}
    client.app.state.desk.jobs.jobs["ready"] = job
    return client


def test_an_open_wish_is_no_wish():
    assert job_of({"use": "tom", "note": " 80Hz ", "tail_s": "", "car": "small", "unknown": "x"}) == {
        "use": "tom", "note": "80Hz", "car": "small"}
    assert filled({})["use"] == "bass"


def test_designs_stand_with_their_words_and_what_they_miss(chosen):
    text = chosen("GET", "/choose/ready?use=bass&note=50Hz").text
    assert text.count('class="design"') == 2
    assert "Misses nothing" in text and "tail 1 s, wanted 2 s" in text
    assert 'value="50Hz"' in text
    assert text.count(">Play 1<") == 2 and text.count(">Play 2<") == 2
    assert "score" not in text.lower()


def test_all_drums_are_drawn_to_one_scale(chosen):
    drums = [session.drum_of_tables(o["drum_file"]) for o in chosen.app.state.desk.jobs.jobs["ready"].answer["options"]]
    stage = stage_for(drums, upright=False)
    heights = []
    for i, d in enumerate(drums):
        svg = design_svg(d, stage, upright=False, uid=str(i))
        batter = re.search(r'<rect class="fb" [^>]*height="([\d.]+)"', svg)
        heights.append(float(batter[1]) - 6.0)
        assert f'width="{stage.width:.0f}"' in svg
    assert heights[0] / heights[1] == pytest.approx(22 / 18, abs=0.01)


def test_two_designs_lie_on_one_ladder(chosen):
    text = chosen("GET", "/choose/ready?a=2&b=1").text
    assert "Design 2 and design 1 on one ladder" in text
    assert 'class="ladder wide"' in text and 'class="ghost" d="M' in text
    assert "data-later" not in text
    assert "data-later" in chosen("GET", "/choose/ready").text


def test_a_design_can_be_heard_kept_and_added(chosen):
    partials = json.loads(chosen("GET", "/api/choose/ready/1/partials").text)
    note = chosen.app.state.desk.jobs.jobs["ready"].answer["options"][0]["note_hz"]
    assert min(abs(f - note) for f, _, _ in partials) < 0.01 and max(level for _, _, level in partials) == 0.0
    text = chosen("GET", "/choose/ready/2.toml").text
    assert drumfile.parse(text)[0].diameter == pytest.approx(18 * 0.0254)


@pytest.mark.parametrize("url", ["/choose/nothing", "/choose/ready/9.toml"])
def test_what_is_not_there_is_said(chosen, url):
    assert chosen("GET", url).status in (400, 404)


def test_a_wish_that_is_none_is_refused_by_a_plain_form(client):
    answer = client("POST", "/choose", body=urlencode({"use": "bass", "note": "purple"}).encode(), content_type=FORM)
    assert answer.status == 400
    assert "purple" in answer.text


def test_a_choice_that_is_asked_to_stop_answers_with_its_best(client):
    jobs = client.app.state.desk.jobs
    job = jobs.start("choose", 0, "choosing", {"job": {"use": "bass", "note": "50Hz"}}, str)
    while job.state == "waiting":
        pass
    jobs.enough(job)
    try:
        jobs.finish(job)
    except InputError:
        pytest.fail(job.error)
    assert job.answered and job.answer["stopped"]
