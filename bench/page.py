"""The page measured in Chromium: first paint, script size, strike to rung, rail to rung and to sound, a long log.

    python bench/page.py [--strikes N] [--states N] [--seed S] [--out FILE.json]

Needs Playwright for Python and Debian's chromium. The microphone is a file that is played in.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import socket
import statistics
import tempfile
import threading
import time
import wave
from dataclasses import replace
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):  # as `bothheads serve` does
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from bothheads import drumfile, session, wire  # noqa: E402
from bothheads.records import Note, Partial, Reading, StrikeReading, Turn  # noqa: E402

RATE = 44100
GAP_S = 2.0
PARTIALS = ((41.8, 0.35, 1.0), (68.1, 0.3, 0.35), (78.5, 0.28, 0.4), (99.1, 0.25, 0.5), (116.7, 0.22, 0.45), (139.8, 0.2, 0.2))
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--no-first-run", "--disable-quic", "--autoplay-policy=no-user-gesture-required"]
DRUM = "name = 'Bench drum'\ndiameter_in = 20\ndepth_in = 14\n[batter]\nfilm_mil = 10\ntension = 620\nresistance = 2\n" \
       "[resonant]\nfilm_mil = 10\ntension = 470\nresistance = 2\n"


def heard(drum: Any) -> Reading:
    """What three strikes of the drum would read, from the model."""
    prediction = session.predict(drum)
    partials = tuple(Partial(p.frequency_hz, 0.08, p.decay_s, 0.05 * p.decay_s, (-p.frequency_hz / 15,), (-20.0,), 3)
                     for p in prediction.partials if p.m in (0, 1) and p.frequency_hz < 200)
    n = prediction.note
    return Reading(48000, ("seat",), tuple(StrikeReading(0.5 + 2 * i, (-6.0,), 20.0) for i in range(3)), partials,
                   Note(n.frequency_hz, 0.06, n.decay_s, n.t60_s, n.name))


def fill(path: Path, states: int) -> None:
    """A log of one drum with many states."""
    drum = drumfile.parse(DRUM)[0]
    path.parent.mkdir(parents=True, exist_ok=True)
    reading = wire.reading(heard(drum))
    with session.open_log(path) as log:
        entry = log.add_drum(drum, DRUM)
        for i in range(states):
            turns = (Turn("batter", 0.125 if i % 2 else -0.125),) if i % 5 == 0 and i else ()
            log.add_state(entry.id, drum=replace(drum), turns=turns, takes=(), reading=reading, fit=None)


def played(path: Path, strikes: int, seed: int) -> list[float]:
    """A file of strikes for the fake microphone; returns where they begin [s]."""
    rng = np.random.default_rng(seed)
    onsets = [1.0 + GAP_S * i + rng.uniform(0, 0.25) for i in range(strikes)]
    x = rng.normal(0, 1e-4, round((onsets[-1] + 3.0) * RATE))
    for at in onsets:
        t = np.arange(round(1.3 * RATE)) / RATE  # faded at its end, which would be a click else
        s = sum(a * np.exp(-t / d) * np.sin(2 * np.pi * f * t) for f, d, a in PARTIALS)
        s = s + 0.4 * np.exp(-t / 0.004) * rng.normal(0, 1, len(t))
        s = s * np.minimum(1.0, (t[-1] - t) / 0.2)
        x[round(at * RATE):round(at * RATE) + len(s)] += rng.uniform(0.1, 0.5) * s / np.abs(s).max()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((x * 32767).astype("<i2").tobytes())
    return onsets


def serve(path: Path) -> str:
    """The page on a free port in a thread of this process."""
    import uvicorn

    from bothheads.web.app import create_app

    sock = socket.socket()
    sock.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(create_app(path), log_level="error", access_log=False))
    threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True).start()
    while not server.started:
        time.sleep(0.02)
    return f"http://127.0.0.1:{sock.getsockname()[1]}"


def quantiles(values: list[float]) -> dict[str, float | int]:
    """Count, median, 95th percentile and worst."""
    if not values:
        return {"count": 0}
    return {"count": len(values), "median": round(statistics.median(values), 1),
            "p95": round(float(np.percentile(values, 95)), 1), "worst": round(max(values), 1)}


def paint(browser: Any, base: str) -> dict[str, float]:
    """First contentful paint [ms] of the main views, cold."""
    out = {}
    for view in ("/", "/drums/1", "/drums/1/listen", "/drums/1/history", "/kit"):
        context = browser.new_context(base_url=base)
        page = context.new_page()
        page.goto(view)
        page.wait_for_timeout(300)
        out[view] = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? -1")
        context.close()
    return {k: round(v, 1) for k, v in out.items()}


def rails(browser: Any, base: str, presses: int = 24) -> dict[str, Any]:
    """Rail to rungs and to sound [ms] over presses with a short breath between."""
    page = browser.new_page(base_url=base)
    page.goto("/drums/1")
    page.wait_for_selector("form.turn[data-ready]")
    page.wait_for_timeout(2500)
    for i in range(presses):
        page.keyboard.press("-" if i % 8 < 4 else "+")
        page.wait_for_timeout(700)
    for _ in range(5):
        page.get_by_role("link", name="Hear it").click()
        page.wait_for_timeout(400)
    out = {name: quantiles(page.evaluate(f"performance.getEntriesByName('{name}').map(e => e.duration)"))
           for name in ("rail-to-rung", "rail-to-sound")}
    page.close()
    return out


def strikes(base: str, count: int, seed: int, folder: Path, p: Any) -> dict[str, Any]:
    """Strike to rung [ms after the analysis window], strikes missed and invented by comparing times."""
    onsets = played(folder / "mic.wav", count, seed)
    browser = p.chromium.launch(executable_path=shutil.which("chromium"), args=[
        *FLAGS, "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={folder / 'mic.wav'}%noloop"])
    page = browser.new_page(base_url=base)
    ends: dict[int, int] = {}
    rate: list[int] = []
    page.on("websocket", lambda socket: (
        socket.on("framesent", lambda frame: rate.extend(_rate(frame))),
        socket.on("framereceived", lambda frame: _note_end(ends, frame))))
    page.goto("/drums/1/listen")
    page.get_by_role("button", name="Listen").click()
    page.wait_for_timeout(round(1000 * (GAP_S * count + 6)))
    times = page.evaluate("performance.getEntriesByName('strike-to-rung').map(e => e.duration)")
    browser.close()
    missed, invented = matched(onsets, [ends[n] / rate[0] for n in sorted(ends)])
    return {"played": count, "found": len(ends), "missed": missed, "invented": invented,
            "strike_to_rung_ms": quantiles(times)}


def _rate(frame: Any) -> list[int]:
    """The input's sample rate, from the hello of the socket."""
    return [int(json.loads(frame)["rate"])] if isinstance(frame, str) else []


def _note_end(ends: dict[int, int], frame: Any) -> None:
    """The end [frames] of the first reading's window of each strike, from a message of the socket."""
    message = json.loads(frame) if isinstance(frame, str) else {}
    if message.get("strike") and not message.get("final"):
        ends.setdefault(int(message["strike"]), int(message["window_end"]))


def matched(onsets: list[float], ends: list[float], within_s: float = 0.15) -> tuple[int, int]:
    """Strikes missed and invented. Player and microphone start apart, so the shift that pairs most strikes is sought."""
    best = 0
    for shift in {end - onset for end in ends for onset in onsets}:
        free = [onset + shift for onset in onsets]
        pairs = 0
        for end in ends:
            near = min(free, key=lambda at: abs(at - end), default=None)
            if near is not None and abs(near - end) <= within_s:
                free.remove(near)
                pairs += 1
        best = max(best, pairs)
    return len(onsets) - best, len(ends) - best


def pages(base: str) -> dict[str, float]:
    """Seconds for each view of the long log, second request."""
    import urllib.request

    out = {}
    for view in ("/", "/drums/1", "/drums/1/history", "/drums/1/plan", "/drums/1/rods", "/drums/1/blind", "/drums/1/ear", "/kit"):
        for _ in range(2):
            begun = time.perf_counter()
            with urllib.request.urlopen(base + view) as answer:
                answer.read()
            out[view] = round(time.perf_counter() - begun, 3)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--strikes", type=int, default=20)
    parser.add_argument("--states", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    from playwright.sync_api import sync_playwright

    import bothheads.web

    js = list((Path(bothheads.web.__file__).parent / "static" / "js").glob("*.js"))
    result: dict[str, Any] = {"script_bytes": sum(f.stat().st_size for f in js),
                              "longest_module_lines": max(len(f.read_text().splitlines()) for f in js)}
    with tempfile.TemporaryDirectory() as name, sync_playwright() as p:
        folder = Path(name)
        fill(folder / "short" / "log.sqlite", 3)
        fill(folder / "long" / "log.sqlite", options.states)
        base = serve(folder / "short" / "log.sqlite")
        browser = p.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        result["first_contentful_paint_ms"] = paint(browser, base)
        result.update(rails(browser, base))
        browser.close()
        if options.strikes:
            result.update(strikes(base, options.strikes, options.seed, folder, p))
        result[f"seconds_with_{options.states}_states"] = pages(serve(folder / "long" / "log.sqlite"))
    print(json.dumps(result, indent=1))
    if options.out:
        options.out.write_text(json.dumps(result, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
