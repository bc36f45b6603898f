"""Every view of the page in Chromium: accessibility rules passed and broken, requests by host, pictures to look at.

    python bench/page_checks.py [--log LOG.sqlite] [--widths 360,1280] [--shots FOLDER] [--views a,b] [--dark]
        [--out FILE.json]

Without --log a log with something in every view is made first (``page_log.py``, minutes). Needs Playwright for
Python and Debian's chromium. Prints one line a view and one a host; exit 1 when a rule is broken or a request
leaves this machine.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from page import FLAGS, serve

AXE = Path(__file__).parent.parent / "tests" / "data" / "axe" / "axe-core-4.14.1.min.js"
VIEWS = {
    "home": "/", "ladder": "/drums/1", "wish": "/drums/1?note=50Hz", "forecast": "/drums/1?batter=-2&resonant=1",
    "state": "/drums/1/states/1", "listen": "/drums/1/listen", "plan": "/drums/1/plan?note=50Hz",
    "turn": "/drums/1/turn?batter=-1&at=3", "turn-read": "/drums/1/turn?batter=-1&at=8", "noturn": "/drums/1/turn",
    "history": "/drums/1/history", "laid-over": "/drums/1/history?over=1,6", "rods": "/drums/1/rods?head=batter",
    "rods-untapped": "/drums/1/rods?head=resonant", "taps": "/drums/1/taps?head=batter",
    "microphones": "/drums/1/microphones", "blend": "/drums/1/microphones?a=seat&b=front#bl",
    "walk": "/drums/1/walk", "walk-empty": "/drums/2/walk", "fresh-drum": "/drums/5", "fresh-listen": "/drums/5/listen",
    "muffling": "/drums/1/muffling?tail=1", "blind": "/drums/1/blind?a=1&b=6", "ear": "/drums/1/ear",
    "ear-question": "/drums/1/ear?lesson=higher&who=Guest", "cards": "/drums/1/cards", "quick": "/drums/1/quick",
    "kit": "/kit", "kit-plan": "/kit?interval=fourths", "choose": "/choose", "missing": "/drums/77",
}
RULES = """async () => { const found = await axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa',
    'wcag22aa', 'best-practice']});
  return {passes: found.passes.length, violations: found.violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(
    n => n.target + ' ' + n.failureSummary).join(' | '))}; }"""


def trial_views(page: Any) -> dict[str, str]:
    """A running blind trial and its result, made by answering the way a person does."""
    page.goto("/drums/1/blind?a=1&b=6")
    page.select_option("select[name=trials]", "8")
    page.get_by_role("button", name="Begin").click()
    running = page.url
    page.goto("/drums/1/blind?a=1&b=6")
    page.select_option("select[name=trials]", "8")
    page.get_by_role("button", name="Begin").click()
    done = page.url
    for _ in range(8):
        page.locator("button.ans").first.click()
        page.wait_for_load_state()
    return {"trial": urlsplit(running).path, "result": urlsplit(done).path}


def walked(page: Any) -> None:
    """A walk-round in the making: strikes at three places, uploaded as a person without a microphone does."""
    from page_log import HALL, struck

    from bothheads import drumfile

    page.goto("/drums/1/walk")
    for i, place in enumerate(("seat", "front", "side")):
        data = struck(drumfile.parse(HALL)[0], seed=60 + i, places=[i])
        page.get_by_text("a recording instead of listening").click()
        page.select_option("#to", place)
        page.set_input_files("input[type=file]", {"name": f"{place}.wav", "mimeType": "audio/wav", "buffer": data})
        page.get_by_role("button", name="Add these strikes").click()
        page.get_by_role("button", name=f"leave out strike {i + 1} at the {place}").wait_for(timeout=60000)
        page.reload()


def fresh_drum(page: Any) -> None:
    """A drum of which nothing is known yet."""
    page.goto("/")
    page.fill("input[name=name]", "Borrowed tom")
    page.fill("input[name=diameter_in]", "13")
    page.fill("input[name=depth_in]", "9")
    page.get_by_role("button", name="Add this drum").click()
    page.wait_for_load_state()


def chosen(page: Any) -> dict[str, str]:
    """A choice asked for, waited for and laid on the ladder; and the progress line on the way."""
    page.goto("/choose")
    page.fill("input[name=note]", "50Hz")
    page.select_option("select[name=opening]", "false")
    page.get_by_role("button", name="Look for drums").click()
    page.wait_for_url("**/choose/*", timeout=240000)
    path = page.url.removeprefix(page.evaluate("location.origin")).removesuffix("#found")
    return {"choice": path, "choice-ladder": path + "&a=1&b=2"}


def look(page: Any, name: str, path: str, width: int, shots: Path | None) -> dict[str, Any]:
    """One view at one width: rules passed, rules broken, whether it is wider than the window, and its picture."""
    page.set_viewport_size({"width": width, "height": 780 if width < 700 else 900})
    page.goto(path, timeout=90000)
    page.wait_for_timeout(250)
    wide = page.evaluate("document.documentElement.scrollWidth") > width
    if shots is not None:
        shots.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(shots / f"{name}-{width}.png"), full_page=True)
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(RULES)
    return {"view": name, "width": width, "passes": found["passes"], "violations": found["violations"], "overflows": wide}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--log", type=Path)
    parser.add_argument("--widths", default="360,1280")
    parser.add_argument("--shots", type=Path)
    parser.add_argument("--views", default="")
    parser.add_argument("--dark", action="store_true", help="as a device set to dark shows it")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    from playwright.sync_api import sync_playwright

    widths = [int(w) for w in options.widths.split(",")]
    hosts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name, sync_playwright() as p:
        log = Path(name) / "log" / (options.log.name if options.log else "log.sqlite")
        if options.log is None:
            from page_log import fill

            fill(log, lambda words: print(words, file=sys.stderr))
        else:
            log.parent.mkdir()
            for part in options.log.parent.glob(options.log.name + "*"):  # the log and the folder of its recordings
                (shutil.copytree if part.is_dir() else shutil.copy2)(part, log.parent / part.name)
        browser = p.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = browser.new_context(base_url=serve(log), color_scheme="dark" if options.dark else "light").new_page()
        page.on("request", lambda r: hosts.update([urlsplit(r.url).hostname or urlsplit(r.url).scheme]))
        page.on("websocket", lambda s: hosts.update([urlsplit(s.url).hostname or "?"]))
        views = {**VIEWS, **trial_views(page)}
        if not options.views or "choice" in options.views:
            views |= chosen(page)
        fresh_drum(page)
        walked(page)
        wanted = [v for v in options.views.split(",") if v] or list(views)
        rows = [look(page, v, views[v], w, options.shots) for v in wanted for w in widths]
        browser.close()
    report(rows, hosts)
    if options.out:
        options.out.write_text(json.dumps({"views": rows, "hosts": hosts}, indent=1), encoding="utf-8")
    sys.exit(any(r["violations"] or r["overflows"] for r in rows) or bool(set(hosts) - {"127.0.0.1", "blob", "data"}))


def report(rows: list[dict[str, Any]], hosts: Counter[str]) -> None:
    """The two tables."""
    widths = sorted({r["width"] for r in rows})
    print(f"| view | {' | '.join(f'rules passed, {w} px' for w in widths)} | violations |\n|---|{'---|' * (len(widths) + 1)}")
    for view in dict.fromkeys(r["view"] for r in rows):
        mine = {r["width"]: r for r in rows if r["view"] == view}
        wrong = sum(len(r["violations"]) for r in mine.values())
        wide = " overflows" if any(r["overflows"] for r in mine.values()) else ""
        print(f"| {view} | {' | '.join(str(mine[w]['passes']) for w in widths)} | {wrong}{wide} |")
        for line in dict.fromkeys(v for r in mine.values() for v in r["violations"]):
            print(f"    {line}", file=sys.stderr)
    print("\n| host | requests |\n|---|---|")
    for host, count in sorted(hosts.items()):
        print(f"| {host} | {count} |")


if __name__ == "__main__":
    main()
