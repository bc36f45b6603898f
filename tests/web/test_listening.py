"""Listening in a real Chromium with a played-in file as its microphone."""

from __future__ import annotations

import re
import shutil
import time
import wave
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import expect, sync_playwright

pytestmark = pytest.mark.browser
RATE = 44100
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--no-first-run", "--disable-quic", "--autoplay-policy=no-user-gesture-required"]
PARTIALS = ((41.8, 0.45, 1.0), (68.1, 0.4, 0.35), (78.5, 0.38, 0.4), (99.1, 0.3, 0.5), (116.7, 0.28, 0.45))
ONSETS = (0.9, 2.7, 4.5)
SUMS = """const was = WebSocket.prototype.send; window.sum = 0; WebSocket.prototype.send = function (d) {
    if (d instanceof ArrayBuffer) for (const x of new Float32Array(d, 16, 2048)) window.sum += x * x;
    return was.call(this, d); }"""


def played(path: Path) -> Path:
    """Three strikes over a little noise, 44.1 kHz mono 16 bit: what the fake device passes on untouched."""
    rng = np.random.default_rng(5)
    x = rng.normal(0, 1e-4, round(8.5 * RATE))
    for at in ONSETS:
        t = np.arange(round(1.75 * RATE)) / RATE
        s = sum(a * np.exp(-t / d) * np.sin(2 * np.pi * f * t) for f, d, a in PARTIALS)
        s += 0.5 * np.exp(-t / 0.004) * rng.normal(0, 1, len(t))
        s *= np.minimum(1.0, (t[-1] - t) / 0.3)  # an abrupt end would be a click
        x[round(at * RATE):round(at * RATE) + len(s)] += 0.4 * s / np.abs(s).max()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((x * 32767).astype("<i2").tobytes())
    return path


@contextmanager
def browser(*flags: str) -> Iterator[Any]:
    found = shutil.which("chromium")
    assert found, "the browser tests need Chromium: install Debian's package chromium"
    with sync_playwright() as p:
        opened = p.chromium.launch(executable_path=found, args=[*FLAGS, *flags])
        yield opened
        opened.close()


def with_file(path: Path) -> tuple[str, ...]:
    return ("--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
            f"--use-file-for-fake-audio-capture={path}%noloop")


def test_three_strikes_become_rungs_outlive_a_reload_and_are_kept(served, tmp_path):
    with browser(*with_file(played(tmp_path / "strikes.wav"))) as opened:
        page = opened.new_page(base_url=served)
        page.goto("/drums/1/listen")
        page.get_by_role("button", name="Listen").click()
        expect(page.locator("#strikes li")).to_have_count(3, timeout=40000)
        expect(page.locator("#advice")).to_contain_text("Enough", timeout=20000)
        assert page.locator("#ignored").is_hidden()
        for row in page.locator("#strikes li span").all_text_contents():
            assert abs(float(re.search(r"([\d.]+) Hz", row)[1]) - 41.8) < 0.15
        heard = {float(t) for t in page.locator("svg.ladder.wide .rung .lab .hz").all_text_contents()}
        for f, _, _ in PARTIALS:
            assert min(abs(f - h) for h in heard) < 0.3
        page.reload()
        expect(page.locator("#strikes li")).to_have_count(3)
        page.get_by_role("button", name="Leave out: strike 2").click()
        expect(page.locator("#strikes li.dropped")).to_have_count(1)
        assert page.request.get("/drums/1/states/4").status == 400
        page.get_by_role("button", name="Keep as state 4").click(no_wait_after=True)
        page.wait_for_url("**/drums/1/states/4", timeout=120000)
        assert page.locator(".takes li").first.locator("audio").count() == 2


def test_the_browser_s_own_processing_would_spoil_the_sound(served, tmp_path):
    """The same file with processing left on: the level of what arrives is another, so the three switches matter."""
    path = played(tmp_path / "strikes.wav")
    loud = {}
    for mode in ("off", "on"):
        with browser(*with_file(path)) as opened:
            page = opened.new_page(base_url=served)
            page.add_init_script(SUMS)
            page.goto(f"/drums/1/listen?processing={mode}")
            page.get_by_role("button", name="Listen").click()
            expect(page.locator("#view")).to_have_attribute("data-listening", "yes", timeout=20000)
            page.wait_for_timeout(6000)
            loud[mode] = page.evaluate("window.sum")
            if mode == "on":
                assert "although it was asked not to" in page.locator("#ignored").inner_text()
            page.request.post("/drums/1/bench/clear", headers={"origin": served})
    assert abs(10 * np.log10(loud["on"] / loud["off"])) > 3.0


@pytest.mark.parametrize(("flags", "words"), [((), "No microphone"), (("--use-fake-device-for-media-stream",), "No microphone")])
def test_a_missing_or_refused_microphone_is_explained_within_8_seconds(served, flags, words):
    with browser(*flags) as opened:
        page = opened.new_page(base_url=served)
        page.goto("/drums/1/listen")
        begun = time.monotonic()
        page.get_by_role("button", name="Listen").click()
        expect(page.locator("#advice .refused")).to_contain_text(words, timeout=9000)
        assert time.monotonic() - begun < 9
        assert page.get_by_role("button", name="Listen").is_enabled()
