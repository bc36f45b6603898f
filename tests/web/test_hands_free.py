"""In a real Chromium: a tap turns the page of turning mode, a walk-round is walked, an upload is seen and stopped."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from .conftest import copied, serving
from .test_browser import AXE, SAYS
from .test_listening import ONSETS, browser, played, with_file

pytestmark = pytest.mark.browser


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
