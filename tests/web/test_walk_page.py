"""A walk-round by plain forms: go, add strikes, see roundness, keep it as one state with its places."""

from __future__ import annotations

import json
import re
from urllib.parse import urlencode

import numpy as np
import pytest

from bothheads import session
from bothheads.web.bench import wav_bytes
from bothheads.web.forms import safe_name

FORM = "application/x-www-form-urlencoded"


def strikes(levels, count=2):
    """Two strikes of three partials with these levels [dB]."""
    t = np.arange(round(48000 * 1.7)) / 48000 - 0.3
    one = sum(10 ** (a / 20) * np.where(t >= 0, np.exp(-np.maximum(t, 0) / 0.4) * np.sin(2 * np.pi * f * t), 0)
              for f, a in zip((43.0, 78.0, 121.0), levels, strict=True))
    x = np.concatenate([one] * count)
    return wav_bytes((x + np.random.default_rng(1).normal(0, 2e-5, len(x)))[:, None], 48000)


def post(client, what, **fields):
    return client("POST", f"/drums/1/walk/{what}", body=urlencode(fields).encode(), content_type=FORM)


def add(client, multipart, to, levels):
    body, kind = multipart({"to": to}, {"recording": (f"{to}.wav", strikes(levels))})
    return client("POST", "/drums/1/walk/upload", body=body, content_type=kind)


def test_roundness_builds_up_and_the_walk_is_kept_with_its_places(fresh, multipart):
    assert "nothing heard yet" in fresh("GET", "/drums/1/walk").text
    assert add(fresh, multipart, "seat", (-10, -20, -22)).status == 303
    assert "one place only" in fresh("GET", "/drums/1/walk").text
    assert post(fresh, "go", name="left ear", aside="12", ahead="-40", up="35").status == 303
    text = fresh("GET", "/drums/1/walk").text
    assert 'Microphone at the <b id="now">left ear</b>' in text
    assert add(fresh, multipart, "left ear", (-10, -40, -22)).status == 303
    text = fresh("GET", "/drums/1/walk").text
    apart = float(re.search(r'id="roundness">at least (\d+) dB apart', text)[1])
    assert apart == round((20**2 / 3) ** 0.5)  # one partial of three is 20 dB softer
    kept = post(fresh, "keep", batter="1", resonant="0", place="yard", remark="")
    assert kept.status == 303, kept.text
    assert kept.headers["location"] == "/drums/1/microphones?state=4"
    with session.open_log(fresh.app.state.desk.log_path) as log:
        state = log.last_state(1)
    assert [t.channels for t in state.takes] == [("seat",), ("left ear",)]
    assert [(m.x, m.y, m.z) for m in state.drum.microphones if m.name == "left ear"] == [(0.12, 0.35, -0.4)]
    assert state.turns[0].head == "batter" and state.turns[0].turns == 0.125
    assert "nothing heard yet" in fresh("GET", "/drums/1/walk").text
    page = fresh("GET", kept.headers["location"]).text
    assert "left ear" in page and f"{apart:.0f} dB apart" in page


def test_a_strike_is_left_out_and_the_walk_thrown_away(fresh, multipart):
    add(fresh, multipart, "seat", (-10, -20, -22))
    said = json.loads(fresh("POST", "/api/drums/1/walk/drop", body=b"strike=1", content_type=FORM).text)
    assert said["count"] == 0
    add(fresh, multipart, "seat", (-10, -20, -22))
    assert json.loads(fresh("POST", "/api/drums/1/walk/clear", body=b"", content_type=FORM).text)["count"] == 0


@pytest.mark.parametrize(("what", "fields", "words"), [
    ("go", {"to": "moon"}, "where is the moon"), ("go", {"name": "x", "aside": "0", "ahead": "10", "up": "0"}, "inside the drum"),
    ("go", {"name": "x", "aside": "9000", "ahead": "10", "up": "0"}, "within 5 m"),
    ("go", {"name": "x", "aside": "far", "ahead": "10", "up": "0"}, "no number of centimetres"),
    ("keep", {}, "two places or more"),
])
def test_a_walk_that_cannot_be_is_said(fresh, what, fields, words):
    answer = post(fresh, what, **fields)
    assert answer.status == 400
    assert words.lower() in answer.text.lower()


def test_names_of_places_make_safe_files():
    assert safe_name("../../left ear") == "left ear"
