"""The verbs maps and sayings: objects, files, and one sentence when something is wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., tuple[int, Any, str]]


def test_sayings_say_what_was_found(run: Run) -> None:
    code, said, _ = run("sayings", "--only", "size-step,shells", "--drums", 5)
    assert code == 0
    assert "size-step: One size step" in said and "verdict: " in said and "verdict: cannot tell" in said
    code, answer, _ = run("sayings", "--only", "size-step", "--drums", 5, "--json")
    assert code == 0 and answer["schema"] == "bothheads.sayings/1"
    assert [s["id"] for s in answer["sayings"]] == ["size-step"]


def test_the_report_is_written_with_the_same_words(run: Run, tmp_path: Path) -> None:
    _, said, _ = run("sayings", "--only", "size-step", "--drums", 5)
    words = next(line for line in said.splitlines() if line.strip().startswith("the model says")).split(": ", 1)[1]
    for name in ("report.md", "report.html"):
        code, out, err = run("sayings", "--only", "size-step", "--drums", 5, "--out", tmp_path / name)
        assert code == 0 and out == "" and name in err
        assert words in (tmp_path / name).read_text(encoding="utf-8")


def test_maps_make_a_page_or_a_folder(run: Run, tmp_path: Path) -> None:
    sizes = ("--diameters", "20,22", "--depths", "14,16")
    code, answer, err = run("maps", "--note", "50Hz", *sizes, "--out", tmp_path / "maps", "--json")
    assert code == 0 and answer["schema"] == "bothheads.maps/1" and answer["diameters_in"] == [20, 22]
    assert sorted(p.name for p in (tmp_path / "maps").iterdir()) == ["contact.svg", "roundness.svg", "tail.svg", "tension.svg"]
    assert "every size tuned to 50 Hz" in err
    code, said, _ = run("maps", "--tension", 600, *sizes, "--out", tmp_path / "maps.html")
    assert code == 0 and "Drum note, both heads 10 mil at 600 N/m" in said
    assert (tmp_path / "maps.html").read_text(encoding="utf-8").count("<svg") == 4


@pytest.mark.parametrize(("asked", "sentence"), [
    (("sayings", "--only", "sharks"), "'sharks' is not a saying"),
    (("sayings", "--out", "report.doc"), "report.doc is not a place for a report"),
    (("sayings", "--drums", 1), "must be from 4 to 200"),
    (("maps", "--out", "x.png", "--note", "50Hz"), "x.png is not a place for maps"),
    (("maps", "--out", "x"), "give --note 50Hz or --tension 600"),
    (("maps", "--out", "x", "--note", "50Hz", "--tension", 600), "not both"),
    (("maps", "--out", "x", "--note", "50Hz", "--diameters", "wide"), "'wide' is no list of sizes"),
    (("maps", "--out", "x", "--note", "50Hz", "--depths", "1,2"), "must lie from 4 to 48 inches"),
])
def test_what_is_wrong_is_said_in_one_sentence(run: Run, asked: tuple[object, ...], sentence: str) -> None:
    code, out, err = run(*asked)
    assert code == 2 and not out
    assert sentence in err and err.count("\n") == 1 and "Traceback" not in err
