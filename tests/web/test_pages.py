"""The pages without a script: lists, forms, sounds, forecasts, errors as one sentence."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest

from bothheads import session


def test_home_lists_drums_with_their_last_note(client):
    text = client("GET", "/").text
    assert "Dance-hall bass drum" in text
    assert "diameter 20 in, depth 14 in" in text
    assert re.search(r"4\d\.\d Hz, E1", text)


def test_the_ladder_shows_what_was_read(client, log_path):
    text = client("GET", "/drums/1").text
    with session.open_log(log_path) as log:
        reading = log.last_state(1).reading
    shown = set(re.findall(r'class="hz">([\d.]+)</tspan>', text.split('class="ladder wide"')[1].split("</svg>")[0]))
    for partial in reading["partials"]:
        assert f"{partial['frequency_hz']:.1f}" in shown
    assert f"{reading['note']['frequency_hz']:.1f} Hz, ± 0.1" in text


def test_a_turn_moves_rungs_and_leaves_ghosts(client):
    now, then = client("GET", "/drums/1").text, client("GET", "/drums/1?batter=-2").text
    assert 'class="ghost" d="M' not in now.split('class="side"')[0]
    assert then.count('class="ghost" d="M') >= 8
    assert "cents lower than now" in then
    assert "Batter 1/4 looser on every rod" in then


def test_a_form_s_step_adds_to_the_turn(client):
    assert "Batter 3/8 looser" in client("GET", "/drums/1?step=batter-1&batter=-2&resonant=0").text


def test_the_forecast_is_the_command_s_digit_for_digit(client, log_path):
    answer = client("GET", "/api/drums/1/forecast?batter=-4&resonant=2")
    command = [sys.executable, "-m", "bothheads", "predict", "Dance-hall bass drum", "--turns",
               "batter=-0.5,resonant=0.25", "--json"]
    out = subprocess.run([*command, "--log", str(log_path)], capture_output=True, text=True, check=True).stdout
    assert answer.text == out.strip()
    assert json.loads(answer.text)["schema"] == "bothheads.prediction/1"


def test_the_ladder_s_places_belong_to_the_forecast(client):
    forecast = json.loads(client("GET", "/api/drums/1/forecast?batter=-2").text)
    places = json.loads(client("GET", "/api/drums/1/ladder?batter=-2").text)
    known = {f"{p['frequency_hz']:.1f}" for p in forecast["partials"]}
    for row in places["drawings"]["w"]["rungs"].values():
        assert row["hz"] in known
    assert places["note"]["figure"].startswith(f"{forecast['note']['frequency_hz']:.1f} Hz")


def test_a_take_plays(client):
    link = re.search(r'src="(/takes/[0-9a-f]{64}\.wav)"', client("GET", "/drums/1").text)
    answer = client("GET", link[1])
    assert answer.headers["content-type"] == "audio/wav"
    assert answer.body[:4] == b"RIFF"
    assert len(answer.body) > 48000


def test_the_model_s_sound_is_a_recording_of_the_forecast(client):
    now, then = (client("GET", f"/drums/1/model.wav?batter={n}").body for n in (0, -2))
    assert now[:4] == b"RIFF"
    assert now != then


@pytest.mark.parametrize("url", ["/drums/9", "/drums/1/states/77", "/nothing", "/takes/../etc/passwd.wav",
                                 "/takes/" + "0" * 64 + ".wav", "/takes/zz.wav", "/static/../app.py", "/static/%2e%2e/app.py"])
def test_what_is_not_there_is_said_in_one_sentence(client, url):
    answer = client("GET", url)
    assert answer.status in (400, 404)
    assert "Traceback" not in answer.text


@pytest.mark.parametrize(("url", "words"), [
    ("/drums/1?batter=99", "outside -8 to 8"), ("/drums/1?batter=x", "not a whole number"),
    ("/drums/1/rods?head=top", "name batter or resonant"), ("/drums/1/turn?note=purple", "not a note"),
])
def test_a_wrong_address_says_what_to_write(client, url, words):
    answer = client("GET", url)
    assert answer.status == 400
    assert words in answer.text


def test_a_drum_is_added_by_a_plain_form(fresh, multipart):
    body, kind = multipart({"name": 'Tom "two"', "diameter_in": "12", "depth_in": "8", "batter_rods": "6",
                            "batter_film_mil": "10", "resonant_rods": "6", "resonant_film_mil": "7"})
    answer = fresh("POST", "/drums", body=body, content_type=kind)
    assert answer.status == 303
    text = fresh("GET", answer.headers["location"]).text
    assert "Tom &#34;two&#34;" in text
    assert "Strike it first" in text


def test_an_impossible_drum_is_refused_by_name(fresh, multipart):
    body, kind = multipart({"name": "x", "diameter_in": "900", "depth_in": "8", "batter_rods": "6", "resonant_rods": "6"})
    answer = fresh("POST", "/drums", body=body, content_type=kind)
    assert answer.status == 400
    assert "diameter_in = 900 is outside" in answer.text


def test_an_upload_that_is_no_sound_is_refused_and_nothing_is_kept(fresh, multipart):
    body, kind = multipart({"batter": "0", "resonant": "0"}, {"recording": ("noise.wav", b"not a sound at all")})
    answer = fresh("POST", "/drums/1/takes", body=body, content_type=kind)
    assert answer.status == 400
    assert "Keep as state 4" in fresh("GET", "/drums/1").text


def test_turning_mode_walks_the_plan_and_back(client):
    first = client("GET", "/drums/1/turn?batter=-1").text
    assert "Rod 1</b>" in first
    second = client("GET", "/drums/1/turn?batter=-1&at=1").text
    assert "Rod 5</b>" in second
    assert "1/8 looser" in second
    reading = client("GET", "/drums/1/turn?batter=-1&at=8").text
    assert "Strike</b>" in reading
    assert "done=batter%3D-0.125" in reading


def test_history_lays_one_state_over_another(client):
    text = client("GET", "/drums/1/history?over=1,3").text
    assert "State 3 over state 1" in text
    assert re.search(r"Drum note \d+ ± \d+ cents higher", text)
