"""The log's smaller acts on the command line: heads, photographs, corrections, papers, causes."""

from __future__ import annotations

import pytest


@pytest.fixture
def kept(run, bare_file, strike):  # type: ignore[no-untyped-def]
    """A log with one drum and one state."""
    assert run("log", "add", bare_file)[0] == 0
    assert run("log", "take", "Test bass", strike, "--channels", "seat,front", "--place", "hall")[0] == 0
    return run


def test_a_heads_history(kept) -> None:  # type: ignore[no-untyped-def]
    kept("log", "head", "Test bass", "batter", "fitted", "--kind", "10 mil, single ply", "--date", "2026-03-30")
    kept("log", "head", "Test bass", "batter", "played", "--hours", "12.5")
    code, answer, err = kept("log", "head", "Test bass", "batter", "fault", "--words", "dent by rod 3", "--json")
    assert code == 0
    assert answer["heads"]["batter"] == {"kind": "10 mil, single ply", "fitted_at": answer["heads"]["batter"]["fitted_at"],
                                         "hours": 12.5, "faults": ["dent by rod 3"]}
    assert "dent by rod 3" in err
    code, out, err = kept("log", "head", "Test bass", "batter", "painted")
    assert (code, out) == (2, "")
    assert "does not happen to a head" in err


def test_a_photograph(kept, tmp_path) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "edge.jpg").write_bytes(b"\xff\xd8picture")
    code, answer, _ = kept("log", "photo", "Test bass", tmp_path / "edge.jpg", "--state", "1", "--json")
    assert code == 0
    assert answer["bytes"] == 9
    code, out, err = kept("log", "photo", "Test bass", tmp_path / "none.jpg")
    assert (code, out) == (2, "")
    assert "cannot be read" in err


def test_a_correction_keeps_what_was_there(kept) -> None:  # type: ignore[no-untyped-def]
    code, answer, _ = kept("log", "correct", "Test bass", "1", "--place", "church hall", "--json")
    assert code == 0
    assert answer["place"] == "church hall"
    from bothheads import session

    with session.open_log() as log:
        assert [r.state.place for r in log.revisions(1, 1)] == ["hall"]


@pytest.mark.parametrize("paper", ["recall", "passport", "engineer", "lesson"])
def test_papers(kept, tmp_path, paper) -> None:  # type: ignore[no-untyped-def]
    assert kept("log", "card", "Test bass", "1", "--paper", paper, "--out", tmp_path / "p.html")[0] == 0
    page = (tmp_path / "p.html").read_text()
    assert "Test bass" in page
    assert ("data:audio/wav;base64," in page) == (paper == "lesson")
    code, out, err = kept("log", "card", "Test bass", "1", "--paper", "poster", "--out", tmp_path / "q.html")
    assert (code, out) == (2, "")
    assert "choose one of" in err


def test_a_turned_head_is_the_cause(kept, tmp_path) -> None:  # type: ignore[no-untyped-def]
    from takes import BASS, recording, tuned

    second = recording(tmp_path / "b.wav", tuned(BASS, 1100.0, 700.0), seed=4)
    assert kept("log", "take", "Test bass", second, "--channels", "seat,front", "--turns", "batter=0.5")[0] == 0
    code, answer, _ = kept("log", "cause", "Test bass", "1", "2", "--json")
    assert code == 0
    assert answer["causes"][0]["what"] == "batter"
    assert sum(c["odds"] for c in answer["causes"]) == pytest.approx(1.0)


def test_back_to_that_night(kept, tmp_path) -> None:  # type: ignore[no-untyped-def]
    from takes import BASS, recording, tuned

    code, out, err = kept("log", "recall", "Test bass", "1")
    assert (code, out) == (3, "")
    assert "newest one" in err
    second = recording(tmp_path / "b.wav", tuned(BASS, 1100.0, 700.0), seed=4)
    kept("log", "take", "Test bass", second, "--channels", "seat,front", "--turns", "batter=0.5", "--place", "tent")
    code, answer, _ = kept("log", "recall", "Test bass", "1", "--json")
    assert code == 0
    assert answer["then"] == 1
    moved = next(d for d in answer["differences"] if d.startswith("batter head"))
    assert "(+2" in moved, moved
    assert "place: hall then, tent now" in answer["differences"]
    turned = [r["eighths"] for step in answer["plan"]["steps"] if step["head"] == "batter" for r in step["rods"]]
    assert turned
    assert max(turned) < 0


def test_heads_are_said_when_asked(kept) -> None:  # type: ignore[no-untyped-def]
    kept("log", "head", "Test bass", "resonant", "fitted", "--kind", "7.5 mil", "--date", "2026-01-02")
    code, answer, err = kept("log", "heads", "Test bass", "--json")
    assert code == 0
    assert answer["heads"]["resonant"]["days"] > 100
    assert "batter: nothing noted" in err
