"""The demo tells what it is given: another recording and another drum change every printed figure."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from bothheads.__main__ import main

RECORDINGS = Path(__file__).parent.parent / "data" / "recordings"
OTHER = """
name = "Church tom"
diameter_in = 14
depth_in = 12
[batter]
rods = 8
film_mil = 12
[resonant]
rods = 8
film_mil = 10
"""


def figures(text: str) -> set[str]:
    """Every number with a decimal point and four digits or more that was printed: too many to agree by chance."""
    return {f for f in re.findall(r"\d+\.\d+", text) if len(f.replace(".", "").lstrip("0")) >= 4}


def lines(text: str) -> dict[str, list[str]]:
    """The figures of every printed line, under the line with its figures taken out."""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        shown = re.findall(r"\d+\.\d+", line)
        if shown:
            found.setdefault(re.sub(r"[-+]?\d+(\.\d+)?", "#", line), []).extend(shown)
    return found


@pytest.fixture(scope="module")
def stories(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, Path]]:
    import contextlib
    import io

    out = {}
    folder = tmp_path_factory.mktemp("demo")
    (folder / "drum.toml").write_text(OTHER, encoding="utf-8")
    for name, picks, drum in (("shipped", "tom-high-[14]*.flac", None), ("other", "tom-low-[24]*.flac", folder / "drum.toml")):
        strikes = folder / name
        strikes.mkdir()
        for path in sorted(RECORDINGS.glob(picks)):
            shutil.copy(path, strikes)
        argv = ["demo", "--recordings", str(strikes), "--out", str(folder / f"out-{name}")]
        with contextlib.redirect_stdout(io.StringIO()) as printed:
            assert main(argv + (["--drum", str(drum)] if drum else [])) == 0
        out[name] = (printed.getvalue(), folder / f"out-{name}")
    return out


def test_six_verbs_in_order_and_the_command_that_opens_the_page(stories: dict[str, tuple[str, Path]]) -> None:
    text, out = stories["shipped"]
    verbs = re.findall(r"== \d\. .*?bothheads (\w+)", text)
    assert verbs == ["read", "fit", "predict", "plan", "compare", "log", "predict"]
    assert re.search(r"Open the page:  bothheads --log \S+ serve", text)
    for name in ("recall-card.html", "preview.wav", "matched-a.wav", "matched-b.wav"):
        assert (out / name).stat().st_size > 1000
    assert "Traceback" not in text


def test_every_figure_changes_with_the_recording_and_the_drum(stories: dict[str, tuple[str, Path]]) -> None:
    first, second = (figures(stories[name][0].replace(str(stories[name][1]), "")) for name in ("shipped", "other"))
    assert len(first) > 20
    assert not first & second, sorted(first & second)
    one, other = (lines(stories[name][0].replace(str(stories[name][1]), "")) for name in ("shipped", "other"))
    fixed = ("struck", "learned from no turns yet")  # the usual strike, and the prior that all drums share
    same_kind = {kind for kind in one.keys() & other.keys() if not any(word in kind for word in fixed)}
    assert len(same_kind) > 8
    assert not [kind for kind in same_kind if one[kind] == other[kind]]
