"""The page in a real Chromium: nothing from elsewhere, no violation, keys, the ladder as an instrument."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
AXE = Path(__file__).parent.parent / "data" / "axe" / "axe-core-4.14.1.min.js"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--no-first-run", "--disable-quic", "--autoplay-policy=no-user-gesture-required"]
VIEWS = {
    "home": "/", "ladder": "/drums/1", "wish": "/drums/1?note=43Hz", "forecast": "/drums/1?batter=-2&resonant=1",
    "earlier": "/drums/1/states/1",
    "history": "/drums/1/history?over=1,3", "plan": "/drums/1/plan?note=43Hz", "turn": "/drums/1/turn?batter=-1&at=3",
    "turn-read": "/drums/1/turn?batter=-1&at=8", "noturn": "/drums/1/turn", "rods": "/drums/1/rods", "blind": "/drums/1/blind",
    "listen": "/drums/1/listen", "taps": "/drums/1/taps?head=resonant", "microphones": "/drums/1/microphones",
    "muffling": "/drums/1/muffling?tail=4", "ear": "/drums/1/ear?lesson=higher", "cards": "/drums/1/cards",
    "quick": "/drums/1/quick", "kit": "/kit?interval=", "walk": "/drums/1/walk",
    "choose": "/choose", "missing": "/drums/77",
}
SAYS = """async () => (await axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',
    'best-practice']})).violations.map(v => v.id + ': '
    + v.nodes.slice(0, 3).map(n => n.target + ' ' + n.failureSummary).join(' | '))"""
CATCH = """() => { const was = AudioBufferSourceNode.prototype.start; AudioBufferSourceNode.prototype.start = function (...a) {
    window.heard = this.buffer.getChannelData(0).slice(); return was.apply(this, a); } }"""
PITCH = """() => { const x = window.heard, rate = new AudioContext().sampleRate; let best = [0, 0];
    for (let f = 30; f < 60; f += 0.5) { let c = 0, s = 0;
        const w = 2 * Math.PI * f / rate;
        for (let i = 0; i < x.length; i++) { c += x[i] * Math.cos(w * i); s += x[i] * Math.sin(w * i); }
        const p = Math.hypot(c, s); if (p > best[0]) best = [p, f]; } return best[1]; }"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    found = shutil.which("chromium")
    assert found, "the browser tests need Chromium: install Debian's package chromium"
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=found, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(chromium: Any, served: str) -> Iterator[Any]:
    """A page that fails its test on any console error, and on any request that leaves the loopback address."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, base_url=served)
    opened = context.new_page()
    wrong: list[str] = []
    opened.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
    opened.on("pageerror", lambda e: wrong.append(str(e)))
    opened.on("request", lambda r: wrong.append(f"left the machine: {r.url}")
              if not r.url.startswith((served, "data:", "blob:")) else None)
    opened.wrong = wrong
    yield opened
    context.close()


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("view", sorted(VIEWS))
def test_no_view_has_an_accessibility_violation_or_overflows(page, view, width):
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(VIEWS[view])
    if view != "missing":
        assert not page.wrong
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.evaluate(AXE.read_text(encoding="utf-8"))
    assert page.evaluate(SAYS) == []


@pytest.mark.parametrize("width", [480, 759, 760, 999, 1000, 1920, 2560])
def test_the_ladder_fits_every_width(page, width):
    page.set_viewport_size({"width": width, "height": 900})
    page.goto("/drums/1")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("svg.ladder:visible").count() == 1


def test_the_dark_page_keeps_its_contrast(chromium, served):
    context = chromium.new_context(color_scheme="dark", base_url=served, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    for view in ("ladder", "forecast", "turn", "history", "walk", "choose"):
        page.goto(VIEWS[view])
        page.evaluate(AXE.read_text(encoding="utf-8"))
        assert page.evaluate(SAYS) == []
    context.close()


def asked_is(page: Any, words: str) -> None:
    """Waits for what is asked of the hands; the page's policy leaves no eval to wait with."""
    from playwright.sync_api import expect

    expect(page.locator("#asked")).to_contain_text(words, timeout=20000)


def note(page: Any) -> str:
    return str(page.locator("#note").inner_text())


def test_a_press_moves_rungs_to_the_forecast_of_the_server(page):
    page.emulate_media(reduced_motion="reduce")
    page.goto("/drums/1")
    page.wait_for_selector("form.turn[data-ready]")
    before = note(page)
    page.get_by_role("button", name="1/8 looser").first.click()
    asked_is(page, "Batter 1/8 looser")
    assert note(page) != before
    asked = page.request.get("/api/drums/1/forecast?batter=-1&resonant=0").json()
    assert note(page).startswith(f"{asked['note']['frequency_hz']:.1f} Hz")
    drawn = page.locator("svg.ladder.wide .rung.shared .hz").text_content()
    assert drawn == f"{asked['note']['frequency_hz']:.1f}"
    assert page.locator("svg.ladder.wide .rung.shared .ghost").get_attribute("d").startswith("M")
    page.get_by_role("link", name="Back to now").click()
    asked_is(page, "The drum as it is now")
    assert note(page) == before
    assert not page.wrong


def test_keys_turn_both_heads_and_walk_the_rungs(page):
    page.goto("/drums/1")
    page.wait_for_selector("form.turn[data-ready]")
    page.keyboard.press("-")
    page.keyboard.press("-")
    page.keyboard.press("]")
    asked_is(page, "Batter 1/4 looser, resonant 1/8 tighter")
    rungs = page.locator("svg.ladder.wide .rung:visible")
    rungs.first.focus()
    first = page.locator("#told").inner_text()
    page.keyboard.press("ArrowUp")
    assert page.locator("#told").inner_text() != first
    assert "This rung belongs to" in page.locator("#told").inner_text()


def test_a_rail_is_pulled_by_the_pointer(page):
    page.goto("/drums/1")
    page.wait_for_selector("form.turn[data-ready]")
    box = page.locator("svg.ladder.wide .gripr").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] * 0.55
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 50, steps=4)
    page.mouse.up()
    asked_is(page, "Resonant 1/4 tighter")


def test_hear_it_plays_the_forecast_and_says_that_the_model_made_it(page):
    page.goto("/drums/1")
    page.wait_for_selector("form.turn[data-ready]")
    assert "made by the model" in page.locator("form.turn").inner_text()
    page.evaluate(CATCH)
    page.get_by_role("link", name="Hear it").click()
    until = time.monotonic() + 5
    while not page.evaluate("window.heard !== undefined") and time.monotonic() < until:
        page.wait_for_timeout(20)
    peak_hz = page.evaluate(PITCH)
    asked = page.request.get("/api/drums/1/forecast").json()["note"]["frequency_hz"]
    assert abs(peak_hz - asked) < 1.0


def test_reduced_motion_moves_at_once(page):
    page.emulate_media(reduced_motion="reduce")
    page.goto("/drums/1")
    page.wait_for_selector("form.turn[data-ready]")
    page.keyboard.press("-")
    asked_is(page, "Batter 1/8")
    at = page.locator("svg.ladder.wide .rung.shared .bb").get_attribute("y")
    page.wait_for_timeout(500)
    assert page.locator("svg.ladder.wide .rung.shared .bb").get_attribute("y") == at


def test_without_scripts_forms_do_the_same(chromium, served):
    context = chromium.new_context(java_script_enabled=False, base_url=served)
    page = context.new_page()
    page.goto("/drums/1")
    page.get_by_role("button", name="1/8 tighter").first.click()
    assert page.locator("#asked").inner_text().startswith("Batter 1/8 tighter")
    page.get_by_role("link", name="Plan this turn").click()
    page.get_by_role("button", name="Turned").click()
    assert "Rod 5" in page.locator(".do").inner_text()
    page.get_by_role("button", name="Back one rod").click()
    assert "Rod 1" in page.locator(".do").inner_text()
    context.close()


def test_space_turns_and_backspace_goes_back(page):
    page.goto("/drums/1/turn?resonant=-1")
    page.keyboard.press("Space")
    page.wait_for_url("**at=1")
    page.keyboard.press("Backspace")
    page.wait_for_url("**at=0")
    assert "Rod 1" in page.locator(".do").inner_text()
