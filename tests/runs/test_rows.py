"""Rows of a sweep against the forecast of each drum alone."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from bothheads.physics.feel import feel
from bothheads.physics.forecast import forecast
from bothheads.records import Drum, Floor, Muffling, Opening
from bothheads.runs.columns import columns, encode
from bothheads.runs.design import Design
from bothheads.runs.rows import rows_of
from bothheads.runs.spec import Spec
from evidence import assert_canary, assert_published
from sweeps_small import BASS, SMALL, parsed

ALONE = "physics.forecast of the same drum (consistency: the same equations, solved one by one)"
PAD = Muffling("pad", ("batter",), 0.0, -0.15, radius=0.05, mass=0.03, resistance=60.0)


def rows(spec: Spec) -> list[dict[str, object]]:
    return [row for chunk in Design(spec).chunks() for row in rows_of(spec, chunk)]


def drum_of(row: dict[str, object], base: Drum) -> Drum:
    """The drum that a row's inputs describe."""
    heads = {name: replace(base.head(name), tension=row[f"{name}_tension"], resistance=row[f"{name}_resistance"],
                           surface_density=row[f"{name}_surface_density"])
             for name in ("batter", "resonant") if name == "batter" or base.resonant is not None}
    strike = replace(base.strike, x=row["strike_x_m"], y=row["strike_y_m"], force=row["strike_force_n"])
    return replace(base, diameter=row["diameter_m"], depth=row["depth_m"], strike=strike, **heads)  # type: ignore[arg-type]


def check(text: str, base: Drum, pick: slice) -> None:
    for row in rows(parsed(text, base))[pick]:
        drum = drum_of(row, base)
        want = forecast(drum)
        close = {"source": ALONE, "kind": "independent code"}
        assert row["error"] is None if "error" in row else True
        assert_published(row["note_hz"], want.note.frequency_hz, 1e-6, relative=True, **close)  # type: ignore[arg-type]
        assert_published(row["tail_s"], want.note.t60_s, 2e-4, relative=True, **close)  # type: ignore[arg-type]
        assert_published(row["roundness_db"], want.roundness_db, 0.01, **close)  # type: ignore[arg-type]
        mine = min(want.partials, key=lambda p: abs(p.frequency_hz - (want.note.frequency_hz or 0)))
        for place, level in mine.level_db.items():
            assert_published(row[f"level_db_{place}"], level, 0.01, **close)  # type: ignore[arg-type]
        for head, hz in want.head_pitch_hz.items():
            assert_published(row[f"{head}_pitch_hz"], hz, 1e-6, relative=True, **close)  # type: ignore[arg-type]
        loud = sorted(sorted(want.partials, key=lambda p: -max(p.level_db.values()))[:4], key=lambda p: p.frequency_hz)
        for got, partial in zip(row["partial_hz"], loud, strict=True):  # type: ignore[call-overload]
            assert_published(got, partial.frequency_hz, 1e-6, relative=True, **close)  # type: ignore[arg-type]
        if "contact_ms" not in row:
            continue
        felt = feel(drum)
        assert_published(row["contact_ms"], felt.contact_ms, 0.02, relative=True, **close)  # type: ignore[arg-type]
        assert_published(row["rebound"], felt.rebound, 0.02, **close)  # type: ignore[arg-type]
        assert_published(row["air_round_trip_ms"], felt.air_round_trip_ms, 1e-9, **close)  # type: ignore[arg-type]


FILE = "[drum]\nfile = 'x.toml'\n"
FEW = SMALL.replace("count = 12", "count = 3")


def test_plain_designs_are_their_forecasts() -> None:
    check(FEW, BASS, slice(0, 12, 4))


def test_the_comparison_sees_an_error() -> None:
    assert_canary(check, FEW, BASS, slice(0, 1))


@pytest.mark.parametrize("base", [
    BASS.with_head("resonant", opening=Opening(0.127, 0.13)), replace(BASS, muffling=(PAD,)),
    replace(BASS, floor=Floor(0.1)),
    replace(BASS, muffling=(Muffling("ring", ("batter",), width=0.03, mass=0.02, resistance=40.0),)),
], ids=["opening", "pad", "floor", "ring"])
def test_openings_muffling_and_floors_too(base: Drum) -> None:
    one = FILE + "[grid]\nbatter.tension = [700]\n[strikes.off]\nx_m = 0.1\n[output]\npartials = 4\nfeel = false\n"
    check(one, base, slice(0, 1))


def test_a_drum_without_resonant_head() -> None:
    base = replace(BASS, resonant=None)
    (row,) = rows(parsed("[drum]\nfile = 'x.toml'\n[output]\nfeel = false\n", base))
    want = forecast(base)
    assert row["note_hz"] == pytest.approx(want.note.frequency_hz, rel=1e-6)
    assert row["batter_pitch_hz"] == pytest.approx(want.head_pitch_hz["batter"], rel=1e-6)
    assert "resonant_tension" not in row and "contact_ms" not in row


def test_points_that_cannot_be_say_why_and_stop_nothing() -> None:
    spec = parsed(FILE + "[grid]\nbatter.tension = [700, 9e9]\n[strikes.rim]\nx_m = 0.2\n[strikes.off]\nx_m = 0.5\n")
    found = {row["point"]: row for row in rows(spec)}
    assert [row.get("error") is None for _, row in sorted(found.items())] == [True, False, False, False]
    assert "strike 'off' lies outside" in str(found[1]["error"])
    assert "batter.tension = 9e+09 is outside 20 to 20000" in str(found[2]["error"])
    unknown = rows(parsed("[drum]\nfile = 'x.toml'\n", BASS.with_head("batter", tension=None)))
    assert "tension of the batter head is not known" in str(unknown[0]["error"])


def test_places_follow_the_drum() -> None:
    text = ("[drum]\nfile = 'x.toml'\n[grid]\ndepth_in = [12, 18]\n[places]\nreference = ['front', 'seat']\n"
            "[places.before]\nbeyond_m = 0.6\n[places.above]\ny_m = 0.8\nfrom_middle_m = 0\n[places.inside]\nz_m = 0.15\n")
    for row in rows(parsed(text)):
        assert row["level_db_before"] == pytest.approx(row["level_db_front"], abs=1e-9)
        assert row["level_db_inside"] > row["level_db_before"]  # type: ignore[operator]
        want = forecast(replace(BASS, depth=row["depth_m"]))  # type: ignore[arg-type]
        assert row["level_db_above"] == pytest.approx(want.partials[0].level_db["top"], abs=0.01)


def test_what_stands_together_does_not_change_a_row() -> None:
    spec = parsed(SMALL)
    (first, *_), design = Design(spec).chunks(), Design(spec)
    design.__dict__["chunk_size"] = 24
    (whole,) = design.chunks()
    alone, together = rows_of(spec, first), {row["point"]: row for row in rows_of(spec, whole)}
    for row in alone:
        for key in ("note_hz", "tail_s", "roundness_db", "contact_ms", "level_db_seat"):
            assert row[key] == pytest.approx(together[row["point"]][key], rel=1e-9)


def test_rows_as_json_lines_and_parquet_are_the_same() -> None:
    import pyarrow.parquet as pq
    from pyarrow import BufferReader

    spec = parsed(SMALL.replace("count = 12", "count = 2"))
    found, kinds = rows(spec), columns(spec)
    lines = [json.loads(line) for line in encode(found, kinds, "jsonl").splitlines()]
    table = pq.read_table(BufferReader(encode(found, kinds, "parquet")))
    assert table.column_names == list(kinds) == list(lines[0])
    assert table.to_pylist() == lines
    assert {key for row in found for key in row} <= set(kinds)
    assert all(row["temperature_c"] is None and row["error"] is None for row in lines)


def test_nothing_to_say_is_null() -> None:
    spec = parsed(SMALL)
    (line,) = encode([{"note_hz": np.nan, "partial_hz": [1.0, np.inf]}], columns(spec), "jsonl").splitlines()
    row = json.loads(line)
    assert row["note_hz"] is None and row["partial_hz"] == [1.0, None]
