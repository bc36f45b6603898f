"""Two people keep a log of the same drum; put together, nothing comes twice and nothing is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bothheads.log.check import check
from bothheads.log.export import export_log, import_log
from bothheads.log.merge import ImportReport
from bothheads.log.store import Log, open_log
from bothheads.records import Drum, Turn


@pytest.fixture
def pair(log: Log, drum: Drum, keep: Any, tmp_path: Path) -> Any:
    """Our log with three states, and another person's log that began as a copy of it."""
    log.add_drum(drum, "")
    for day in (1, 2, 3):
        keep(log, 1, drum, day, made_at=f"2026-03-0{day}T20:00:00+00:00", remark=f"day {day}")
    with open_log(tmp_path / "other" / "log.sqlite") as other:
        give(log, other, tmp_path)
        yield log, other


def give(source: Log, target: Log, folder: Path) -> ImportReport:
    export_log(source, folder / "given.zip")
    return import_log(target, folder / "given.zip")


def remarks(log: Log, drum_id: int = 1) -> list[str]:
    return [s.remark for s in log.states(drum_id)]


def test_states_of_both_stand_in_time(pair: Any, drum: Drum, keep: Any, tmp_path: Path) -> None:
    ours, theirs = pair
    keep(ours, 1, drum, 14, made_at="2026-03-04T20:00:00+00:00", remark="day 4, ours")
    keep(ours, 1, drum, 16, made_at="2026-03-06T20:00:00+00:00", remark="day 6, ours")
    keep(theirs, 1, drum, 25, made_at="2026-03-05T20:00:00+00:00", remark="day 5, theirs")
    report = give(theirs, ours, tmp_path)
    assert (report.drums, report.states, report.corrected) == (0, 1, 0)
    assert remarks(ours) == ["day 1", "day 2", "day 3", "day 4, ours", "day 5, theirs", "day 6, ours"]
    assert [s.number for s in ours.states(1)] == [1, 2, 3, 4, 5, 6]
    assert ours.last_state(1).remark == "day 6, ours"
    assert any("numbered anew in time: 5 is now 6" in w for w in report.warnings)
    assert any("turns of state 5 of Street bass were noted since state 3" in w for w in report.warnings)
    assert any("turns of state 6 of Street bass were noted since state 4" in w for w in report.warnings)
    give(ours, theirs, tmp_path)
    a, b = export_log(ours, tmp_path / "a.zip"), export_log(theirs, tmp_path / "b.zip")
    assert a.sha256 == b.sha256  # both people now hold the same, to the bit
    assert check(ours.path).clean and check(theirs.path).clean
    assert [line.remark for line in ours.state_summaries(1, newest_first=False)] == remarks(ours)


def test_the_later_correction_stands_and_the_other_is_kept(pair: Any, tmp_path: Path) -> None:
    ours, theirs = pair
    ours.update_state(1, 2, remark="ours, first")
    theirs.update_state(1, 2, remark="theirs, later", turns=(Turn("resonant", -1.0),))
    ours_3 = ours.state(1, 3)
    theirs.update_state(1, 3, who="theirs, first")
    ours.update_state(1, 3, who="ours, later")
    report = give(theirs, ours, tmp_path)
    assert (report.states, report.corrected) == (0, 1)
    assert ours.state(1, 2).remark == "theirs, later" and ours.state(1, 2).turns == (Turn("resonant", -1.0),)
    assert [r.state.remark for r in ours.revisions(1, 2)] == ["day 2", "ours, first"]
    assert ours.state(1, 3).who == "ours, later"
    assert [r.state.who for r in ours.revisions(1, 3)] == [ours_3.who, "theirs, first"]
    give(ours, theirs, tmp_path)
    assert export_log(ours, tmp_path / "a.zip").sha256 == export_log(theirs, tmp_path / "b.zip").sha256
    again = give(theirs, ours, tmp_path)
    assert (again.corrected, again.kept_aside, again.states) == (0, 0, 0)


def test_descriptions_and_documents_of_both(pair: Any, drum: Drum, tmp_path: Path) -> None:
    ours, theirs = pair
    theirs.correct_drum(1, replace(drum, depth=0.31), "measured by them")
    ours.correct_drum(1, replace(drum, depth=0.305), "measured by us, later")
    ours.set_note(1, "taps/batter", {"n": 1})
    theirs.set_note(1, "taps/batter", {"n": 2})
    theirs.add_head_event(1, "resonant", "fault", words="crease")
    give(theirs, ours, tmp_path)
    assert ours.drum(1).toml == "measured by us, later"
    assert [r.toml for r in ours.drum_revisions(1)] == ["", "measured by them"]
    assert ours.get_note(1, "taps/batter") == {"n": 2}
    assert list(ours.notes(1, "before-merge/").values()) == [{"n": 1}]
    assert [e["words"] for e in ours.head_events(1)] == ["crease"]
    give(ours, theirs, tmp_path)
    give(theirs, ours, tmp_path)
    assert export_log(ours, tmp_path / "a.zip").sha256 == export_log(theirs, tmp_path / "b.zip").sha256


def test_the_same_drum_added_by_two_people(log: Log, drum: Drum, keep: Any, tmp_path: Path) -> None:
    """Each wrote it into a log of their own: the same name and sizes are the same drum."""
    log.add_drum(drum, "ours")
    keep(log, 1, drum, 1, made_at="2026-03-02T20:00:00+00:00", remark="ours")
    with open_log(tmp_path / "other" / "log.sqlite") as other:
        other.add_drum(replace(drum, name="STREET bass"), "theirs")
        keep(other, 1, drum, 2, made_at="2026-03-01T20:00:00+00:00", remark="theirs")
        report = give(other, log, tmp_path)
        assert report.drums == 0 and any("same name and sizes" in w for w in report.warnings)
        assert remarks(log) == ["theirs", "ours"] and len(log.drums()) == 1
        again = give(other, log, tmp_path)
        assert again.states == 0 and again.warnings == []  # known by now
        give(log, other, tmp_path)
        assert remarks(other) == ["theirs", "ours"]
        keep(other, 1, drum, 3, made_at="2026-03-03T20:00:00+00:00", remark="later")
        give(other, log, tmp_path)
        assert remarks(log) == ["theirs", "ours", "later"]


def test_another_drum_of_the_same_name_stays_another(log: Log, drum: Drum, keep: Any, tmp_path: Path) -> None:
    log.add_drum(drum, "")
    keep(log, 1, drum, 1)
    with open_log(tmp_path / "other" / "log.sqlite") as other:
        other.add_drum(replace(drum, diameter=0.5, muffling=()), "")
        keep(other, 1, drum, 2, remark="theirs")
        report = give(other, log, tmp_path)
        assert [d.name for d in log.drums()] == ["Street bass", "Street bass (2)"]
        assert any("now Street bass (2)" in w for w in report.warnings)
        assert log.drum(2).drum.name == "Street bass (2)" and log.drum(2).drum.diameter == 0.5
        assert remarks(log, 2) == ["theirs"] and len(log.states(1)) == 1
        again = give(other, log, tmp_path)
        assert (again.drums, again.states, again.corrected) == (0, 0, 0)


def test_old_and_new_numbers_of_a_longer_log(pair: Any, drum: Drum, keep: Any, tmp_path: Path) -> None:
    """Last year's log comes in: tonight's state stays the last one."""
    ours, theirs = pair
    for month in range(1, 10):
        keep(theirs, 1, drum, 100 + month, made_at=f"2026-02-{month:02d}T20:00:00+00:00", remark=f"february {month}")
    keep(ours, 1, drum, 50, made_at="2026-03-09T20:00:00+00:00", remark="tonight")
    give(theirs, ours, tmp_path)
    assert ours.last_state(1).remark == "tonight" and ours.last_state(1).number == 13
    assert remarks(ours)[:3] == ["day 1", "day 2", "day 3"]  # both know them in this order: it holds
