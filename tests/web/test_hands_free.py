"""In a real Chromium: a tap turns the page of turning mode, a walk-round is walked, an upload is seen and stopped."""

from __future__ import annotations

import json
import re
import time
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import expect

from bothheads import session
from evidence import assert_published

from .conftest import copied, serving
from .test_browser import AXE, SAYS
from .test_listening import ONSETS, RATE, browser, played, with_file

pytestmark = pytest.mark.browser


RODS = Path(__file__).parent.parent / "data" / "rods"
TAPPED = "name = 'Tapped'\ndiameter_in = 12\ndepth_in = 8\n[batter]\nrods = 6\nfilm_mil = 10\n[resonant]\nabsent = true\n"


def tapped_round(path: Path) -> Path:
    """The published round of taps as a microphone hears it: two seconds of quiet before, 44.1 kHz mono 16 bit."""
    import soundfile
    import soxr

    x, rate = soundfile.read(RODS / "r32.flac")
    x = soxr.resample(x, rate, RATE)
    quiet = np.random.default_rng(2).normal(0, 1e-4, (2 * RATE + len(x) + RATE,))
    quiet[2 * RATE:2 * RATE + len(x)] += 0.6 * x / np.abs(x).max()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((quiet * 32767).astype("<i2").tobytes())
    return path


def test_a_round_of_taps_is_followed_live_and_read_as_the_published_head(log_path, tmp_path):
    log = copied(log_path, tmp_path / "log")
    (tmp_path / "drum.toml").write_text(TAPPED, encoding="utf-8")
    with session.open_log(log) as opened:
        drum = session.add_drum(tmp_path / "drum.toml", log=opened).id
    with serving(log) as address, browser(*with_file(tapped_round(tmp_path / "taps.wav"))) as opened:
        page = opened.new_page(base_url=address, viewport={"width": 390, "height": 844})
        page.goto(f"/drums/{drum}/taps?head=batter")
        page.get_by_role("button", name="Listen").click()
        expect(page.locator("#rod")).to_have_text("All heard", timeout=30000)
        page.get_by_role("button", name="Read this round").click()
        page.wait_for_url("**/rods?head=batter", timeout=60000)
        rows = page.locator("table tbody tr").all_text_contents()
        assert page.locator("svg.narrow:visible").count() == 1
    truth = next(h for h in json.loads((RODS / "rods.json").read_text(encoding="utf-8"))["heads"] if h["name"] == "r32")
    pitch = np.array(truth["rod_pitch_11_hz"])
    with session.open_log(log) as opened:
        kept = opened.get_note(drum, "taps/batter")
    heard = np.array([t["rod_pitch_hz"] for t in kept["taps"]])
    assert len(rows) == 6
    for rod, (got, wanted) in enumerate(zip(heard / heard.mean(), pitch / pitch.mean(), strict=True), 1):
        assert_published(1200 * np.log2(got), 1200 * np.log2(wanted), 4.0, kind="published",
                         source=f"finite elements, tests/data/rods (r32), rod {rod}, cents from the mean of the head")


@pytest.fixture(scope="module")
def page(log_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("hands")
    with serving(copied(log_path, folder / "log")) as address, browser(*with_file(played(folder / "mic.wav"))) as opened:
        yield opened.new_page(base_url=address, viewport={"width": 390, "height": 844})


def test_a_tap_on_the_head_goes_to_the_next_rod_and_can_be_undone(page):
    page.goto("/drums/1/turn?batter=-1")
    page.get_by_role("button", name=re.compile("Tap the head")).click()
    expect(page.locator(".taps")).to_have_attribute("aria-pressed", "true", timeout=15000)
    until = time.monotonic() + 30
    while "at=" not in page.url and time.monotonic() < until:
        page.wait_for_timeout(50)
    page.wait_for_timeout(round(1000 * (ONSETS[-1] + 1.5)))
    assert page.url.endswith(f"at={len(ONSETS)}")  # three taps, three rods, and the microphone stayed open
    expect(page.locator(".taps")).to_have_attribute("aria-pressed", "true")
    page.get_by_role("button", name="Back one rod").click()
    expect(page.locator(".do .rod")).to_have_text("Rod 3")
    page.get_by_role("button", name=re.compile("Tap the head")).click()
    expect(page.locator(".taps")).to_have_attribute("aria-pressed", "false")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    assert page.evaluate(SAYS) == []
    page.go_back()
    expect(page.locator(".do .rod")).to_have_text("Rod 7")


def test_a_walk_round_by_pointer_and_by_keys(page):
    page.goto("/drums/1/walk")
    page.get_by_role("button", name="Listen").click()
    expect(page.locator("#places li").first.locator(".hits button").first).to_be_visible(timeout=20000)
    svg = page.locator("svg.plan:visible")
    box, name = svg.bounding_box(), svg.get_attribute("data-names").split("|")[1]
    mark = svg.locator("rect[width='18'][height='18']").nth(1).bounding_box()
    svg.click(position={"x": mark["x"] + 9 - box["x"], "y": mark["y"] + 9 - box["y"]})
    expect(page.locator("#now")).to_have_text(name)
    page.get_by_role("button", name="Stop listening").click()
    svg = page.locator("svg.plan:visible")
    svg.focus()
    for key in ("ArrowUp", *["ArrowLeft"] * 6, "ArrowDown", "Enter"):
        page.keyboard.press(key)
    assert page.locator("#newplace input[name=aside]").input_value() == "30"
    assert page.locator("#newplace input[name=ahead]").input_value() == "-55"
    page.keyboard.type("left ear")
    page.keyboard.press("Enter")
    expect(page.locator("#now")).to_have_text("left ear")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    assert page.evaluate(SAYS) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_an_upload_shows_how_far_it_is_stops_and_goes_on(page, tmp_path):
    page.goto("/drums/1")
    page.set_input_files("input[name=recording]", str(played(tmp_path / "three.wav")))
    page.locator("form[data-long] button.main").click()
    stop = page.locator("form[data-long] .job").get_by_role("button", name="Stop")
    expect(page.locator("form[data-long] progress")).to_be_visible()
    expect(page.locator("form[data-long] .job p")).to_contain_text("so far", timeout=20000)
    page.evaluate(AXE.read_text(encoding="utf-8"))
    assert page.evaluate(SAYS) == []
    stop.click()
    expect(page.locator("form[data-long] .job p")).to_contain_text("nothing is lost", timeout=10000)
    page.reload()
    expect(page.locator(".jobs .job p")).to_contain_text("three.wav")
    page.locator(".jobs").get_by_role("button", name="Go on").click()
    page.wait_for_url("**/drums/1/states/*", timeout=60000)
