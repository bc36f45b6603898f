"""A kit's notes: ranges, intervals, least turning, sympathy, lowest first."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import log2

import pytest

from bothheads import units
from bothheads.constants import INCH
from bothheads.errors import InputError
from bothheads.plan import kit
from bothheads.plan.kit import KitDrum, good_range, plan_kit
from bothheads.records import Drum, Head
from evidence import assert_canary, assert_published


def drum(inches: float, name: str = "") -> Drum:
    return Drum(name or f"{inches:g} in", inches * INCH, inches * INCH * 0.8, Head(0.353, 8), Head(0.265, 8))


KIT = [KitDrum(drum(22), 52.0), KitDrum(drum(16), 78.0), KitDrum(drum(12), 135.0), KitDrum(drum(10), 165.0)]


def check_ranges() -> None:
    for inches, kind, low, high in ((22, "bass", 40, 68), (26, "bass", 33, 55), (16, "tom", 58, 110), (10, "tom", 125, 220)):
        found = good_range(inches * INCH, kind)
        for got, expected in zip(found, (low, high), strict=True):
            assert_published(got, expected, 0.01, source="usable ranges of kit drums, no source, editable default",
                             kind="common practice")


def test_ranges_are_the_trades() -> None:
    check_ranges()
    assert_canary(check_ranges)


def test_ranges_between_and_beyond_sizes_are_ordered() -> None:
    lows = [good_range(i * INCH, "tom")[0] for i in (7, 8, 9, 10, 11, 13, 15.5, 18, 20)]
    assert lows == sorted(lows, reverse=True)


@pytest.mark.parametrize(("interval", "semitones"), [("fourths", 5), ("thirds", 4), (4.5, 4.5)])
def test_neighbours_are_the_interval_apart(interval: str | float, semitones: float) -> None:
    plan = plan_kit(KIT, interval=interval)
    targets = [r.target_hz for r in plan.rows]
    assert targets == sorted(targets)
    for a, b in pairwise(targets):
        assert 12 * log2(b / a) == pytest.approx(semitones, abs=1e-6)


def test_without_a_wish_the_least_turning_interval_is_taken() -> None:
    notes = [58.0 * 2 ** (5 * i / 12) for i in range(4)]
    items = [replace(k, note_hz=n) for k, n in zip(KIT, notes, strict=True)]
    plan = plan_kit(items)
    assert plan.interval_semitones == 5
    assert all(abs(r.cents) < 12 for r in plan.rows)


def test_every_drum_in_its_range_when_that_is_possible() -> None:
    plan = plan_kit(KIT, interval="fourths")
    assert plan.cannot == ()
    for row in plan.rows:
        assert row.range_hz[0] * 0.999 <= row.target_hz <= row.range_hz[1] * 1.001


def test_measured_ends_win() -> None:
    narrow = [replace(KIT[0], ends_hz=(60.0, 64.0)), *KIT[1:]]
    row = plan_kit(narrow, interval="fourths").rows[0]
    assert 59.9 <= row.target_hz <= 64.1 and row.range_source == "measured by its owner"


def test_an_impossible_interval_is_said_and_another_offered() -> None:
    plan = plan_kit([KIT[0], KIT[1], KitDrum(drum(14), 95.0), KIT[2], KIT[3]], interval=12)
    assert any("range" in c for c in plan.cannot)
    assert any("does not keep every drum in its range" in c or "no usual interval" in c for c in plan.cannot)


def test_notes_as_wished_leave_the_rest() -> None:
    plan = plan_kit(KIT, notes={"22 in": 49.0})
    by_name = {r.name: r for r in plan.rows}
    assert by_name["22 in"].target_hz == 49.0 and by_name["12 in"].target_hz == 135.0
    assert by_name["22 in"].target_name == "G1+0"


def test_sympathy_is_warned_of() -> None:
    same = plan_kit(KIT, notes={"22 in": 80.0, "16 in": 80.5})
    assert any("set each other off" in c for c in same.cautions)
    apart = plan_kit(KIT, notes={"22 in": 50.0, "16 in": 72.0})
    assert not any("set each other off" in c for c in apart.cautions)


def test_a_partial_on_a_neighbours_note_is_warned_of() -> None:
    from bothheads.physics.forecast import forecast

    low = replace(drum(22, "Bass"), batter=Head(0.353, 8, tension=700.0), resonant=Head(0.353, 8, tension=700.0))
    prediction = forecast(low)
    note = prediction.note.frequency_hz
    assert note is not None
    loud = max((p for p in prediction.partials if p.frequency_hz > 1.3 * note), key=lambda p: max(p.level_db.values()))
    tom = replace(drum(16, "Tom"))
    plan = plan_kit([KitDrum(low, note), KitDrum(tom, 80.0)], notes={"Tom": loud.frequency_hz})
    assert any("Bass's partial" in c and "Tom's note" in c for c in plan.cautions)


def test_turns_are_estimated_where_tensions_are_known() -> None:
    known = replace(KIT[0], drum=replace(KIT[0].drum, batter=Head(0.353, 8, tension=600.0),
                                         resonant=Head(0.353, 8, tension=600.0)))
    rows = {r.name: r for r in plan_kit([known, *KIT[1:]], notes={"22 in": 58.0}).rows}
    turns = rows["22 in"].turns_about
    assert turns is not None and turns > 0 and rows["16 in"].turns_about is None
    assert turns == pytest.approx(2 * 600 / 300 * units.cents(58, 52) / 1731.2, rel=1e-3)


def test_bad_kits_are_refused() -> None:
    with pytest.raises(InputError, match="two drums or more"):
        plan_kit(KIT[:1])
    with pytest.raises(InputError, match="same name"):
        plan_kit([KIT[0], KIT[0]])
    with pytest.raises(InputError, match="not a known interval: use minor-thirds"):
        plan_kit(KIT, interval="octopus")
    with pytest.raises(InputError, match="not a drum of this kit"):
        plan_kit(KIT, notes={"cowbell": 300.0})
    assert set(kit.INTERVALS) == {"minor-thirds", "thirds", "fourths", "fifths"}
