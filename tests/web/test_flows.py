"""Whole flows by plain forms: a blind test from begin to verdict, an ear lesson, a kit, cards."""

from __future__ import annotations

import re
from urllib.parse import urlencode

import pytest

FORM = "application/x-www-form-urlencoded"


def post(client, url, **fields):
    return client("POST", url, body=urlencode(fields).encode(), content_type=FORM)


def test_a_blind_test_from_begin_to_verdict_is_listed(fresh):
    begun = post(fresh, "/drums/1/blind", a="1", b="3", question="lower", trials="8")
    assert begun.status == 303, begun.text
    url = begun.headers["location"]
    names = set()
    for i in range(8):
        text = fresh("GET", url).text
        assert f"Trial {i + 1} of 8" in text
        assert "right" not in re.sub(r"Right or wrong[^.]*\.", "", text).lower().split("<h1")[1].split("</form>")[0]
        sounds = [fresh("GET", f"{url}/{i}-{place}.wav").body for place in ("first", "second")]
        assert sounds[0] != sounds[1] and all(s[:4] == b"RIFF" for s in sounds)
        names.add(hash(sounds[0]))
        assert post(fresh, url, trial=str(i), do="first").status == 303
    assert len(names) <= 2
    text = fresh("GET", url).text
    right = int(re.search(r"(\d) of 8", text)[1])
    assert "By guessing alone" in text
    assert f"8 trials: {right} right" in text
    assert f"8 trials: {right} right" in fresh("GET", "/drums/1/blind?a=1&b=3").text


def test_an_answer_sent_twice_counts_once(fresh):
    url = post(fresh, "/drums/1/blind", a="1", b="3", question="which", trials="8").headers["location"]
    for _ in range(2):
        post(fresh, url, trial="0", do="first")
    assert "Trial 2 of 8" in fresh("GET", url).text


def test_a_stopped_test_gives_no_figure(fresh):
    url = post(fresh, "/drums/1/blind", a="1", b="3", question="which", trials="12").headers["location"]
    post(fresh, url, trial="0", do="first")
    post(fresh, url, do="stop")
    assert "stopped after 1, no figure" in fresh("GET", "/drums/1/blind?a=1&b=3").text
    assert fresh("GET", url).status == 404


@pytest.mark.parametrize("fields", [{"a": "1", "b": "1"}, {"a": "1", "b": "9"}, {"a": "1", "b": "3", "question": "louder"},
                                    {"a": "1", "b": "3", "trials": "3"}])
def test_a_test_that_cannot_be_is_refused(fresh, fields):
    assert post(fresh, "/drums/1/blind", **{"question": "lower", "trials": "8", **fields}).status == 400


def test_an_ear_lesson_tells_at_once_and_remembers_the_learner(fresh):
    text = fresh("GET", "/drums/1/ear?lesson=higher&who=Guest").text
    name = re.search(r'name="question" value="([^"]+)"', text)[1]
    for place in ("first", "second"):
        assert fresh("GET", f"/drums/1/ear/{name}/{place}.wav").body[:4] == b"RIFF"
    answered = post(fresh, "/drums/1/ear", question=name, answer="first", who="Guest")
    told = fresh("GET", answered.headers["location"]).text
    assert "cents higher." in told
    assert re.search(r"Which is higher\? [01] of 1 right", told)
    assert "of 1 right" not in fresh("GET", "/drums/1/ear?who=Other").text


def test_every_paper_opens_with_a_policy_for_its_own_style_only(client):
    listed = re.findall(r'href="(/drums/1/states/3/papers/[\w-]+)"', client("GET", "/drums/1/cards").text)
    assert len(listed) >= 6
    for url in listed:
        answer = client("GET", url)
        assert answer.status == 200, url
        policy = answer.headers["content-security-policy"]
        assert policy.count("sha256-") == answer.text.count("<style")
        assert "unsafe" not in policy


def test_the_quick_card_has_five_steps_and_the_band_of_the_wish(client):
    text = client("GET", "/drums/1/quick?note=50Hz&minutes=30").text
    assert text.count("<li>") == 5
    assert "note 47 to 53 Hz" in text
    assert "by 30 min" in text


def test_rods_microphones_muffling_and_taps_open_without_data(client):
    for url, words in (("/drums/1/rods", "Not tapped yet"), ("/drums/1/microphones", "By the model, not heard"),
                       ("/drums/1/muffling?tail=9", "Nothing is needed"), ("/drums/1/taps", "Rod 1"), ("/kit", "The kit")):
        assert words in client("GET", url).text
