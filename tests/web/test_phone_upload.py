"""What this computer has no decoder for is decoded by a real Chromium and arrives as a WAV."""

from __future__ import annotations

import pytest
import soundfile
import soxr

from bothheads import session
from bothheads.sound import decoder
from phones import coded

from .conftest import copied, serving
from .test_listening import browser, played

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(("codec", "container", "ending", "kind"), [
    ("aac", "ipod", "m4a", "M4A"), ("libopus", "webm", "webm", "WEBM")])
def test_what_the_program_cannot_decode_the_browser_does(log_path, tmp_path, monkeypatch, codec, container, ending, kind):
    """Without a decoder of its own the program is sent a WAV that the page made, and says that it was lossy."""
    x, rate = soundfile.read(played(tmp_path / "three.wav"), always_2d=True)
    x, rate = soxr.resample(x, rate, 48000), 48000
    phone = tmp_path / f"three.{ending}"
    phone.write_bytes(coded(x, rate, codec=codec, container=container))
    monkeypatch.setattr(decoder, "find_spec", lambda _: None)
    monkeypatch.setattr(decoder, "_ffmpeg", lambda: None)
    kept = copied(log_path, tmp_path / "log")
    with serving(kept) as address, browser() as opened:
        page = opened.new_page(base_url=address)
        page.goto("/drums/1")
        page.set_input_files("input[name=recording]", str(phone))
        page.locator("form[data-long] button.main").click()
        page.wait_for_url("**/drums/1/states/*", timeout=60000)
    with session.open_log(kept) as log:
        state = log.states(1)[-1]
    assert state.takes[-1].source_name == f"three.{ending}.wav"
    assert abs(state.takes[-1].frames / state.takes[-1].sample_rate_hz - len(x) / rate) < 0.1
    assert any(f"lossy ({kind})" in w for w in state.reading["warnings"])
    assert abs(state.reading["note"]["frequency_hz"] - 41.8) < 0.15
