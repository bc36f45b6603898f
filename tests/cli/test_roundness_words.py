"""`read` tells how alike the drum sounded at its channels, in JSON and in words."""

from __future__ import annotations


def test_read_tells_roundness(run, strike) -> None:  # type: ignore[no-untyped-def]
    _, answer, err = run("read", strike, "--channels", "seat,front", "--json")
    levels = [p["level_dbfs"] for p in answer["partials"]]
    assert 0.0 < answer["roundness_db"] <= 45.0
    assert len(levels[0]) == 2
    assert f"Roundness over the channels: {answer['roundness_db']:.1f} dB" in err
