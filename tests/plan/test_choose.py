"""Choosing a drum for a job and sweeping one key of a drum file, by the model."""

from __future__ import annotations

from math import exp, log

import pytest

from bothheads.errors import InputError
from bothheads.physics.forecast import forecast
from bothheads.plan.choose import NOT_TESTED, choose, sweep, tuned
from bothheads.records import Drum, Head

DRUM = Drum("Low tom", 0.4064, 0.4064, Head(0.353, 8, tension=700.0), Head(0.265, 8, tension=520.0))


@pytest.mark.parametrize("hz", [55.0, 70.0, 90.0])
def test_tuned_reaches_the_note_with_both_heads_at_one_pitch(hz: float) -> None:
    drum = tuned(DRUM, hz)
    assert drum is not None and drum.resonant is not None
    assert forecast(drum).note.frequency_hz == pytest.approx(hz, rel=5e-4)
    assert drum.batter.tension is not None and drum.resonant.tension is not None
    assert drum.batter.tension / 0.353 == pytest.approx(drum.resonant.tension / 0.265)


def test_out_of_reach_is_none() -> None:
    assert tuned(DRUM, 700.0) is None


def test_options_are_ranked_reach_the_note_and_say_what_was_not_tested() -> None:
    found = choose({"use": "tom", "note": "80Hz", "diameters_in": [12, 14, 16], "depths_in": [12], "films_mil": [10]})
    costs = [o.cost for o in found.options]
    assert costs == sorted(costs) and len(costs) == 3
    for option in found.options:
        assert option.note_hz == pytest.approx(80.0, rel=1e-3)
        assert option.reasons
    assert found.not_tested == NOT_TESTED and "room" in " ".join(NOT_TESTED)
    largest = max(found.options, key=lambda o: o.drum.diameter)
    smallest = min(found.options, key=lambda o: o.drum.diameter)
    assert largest.tension > smallest.tension  # a larger drum needs more tension for one note


def test_a_short_tail_asks_for_a_ring() -> None:
    found = choose({"use": "bass", "note": "50", "tail_s": 0.5, "diameters_in": [22], "depths_in": [16]})
    assert any(o.drum.muffling for o in found.options)
    bare = next(o for o in found.options if not o.drum.muffling)
    ringed = next(o for o in found.options if o.drum.muffling)
    assert ringed.tail_s < bare.tail_s


def test_the_car_bounds_the_size() -> None:
    found = choose({"use": "bass", "note": "55", "largest_in": 20, "depths_in": [14]})
    assert all(o.drum.diameter <= 0.509 for o in found.options)


def test_bad_jobs_are_refused_by_name() -> None:
    with pytest.raises(InputError, match="'colour' is not part of a job: use use"):
        choose({"colour": "red"})
    with pytest.raises(InputError, match="use must be"):
        choose({"use": "snare"})
    with pytest.raises(InputError, match="no size is left"):
        choose({"use": "bass", "largest_in": 5})
    with pytest.raises(InputError, match="widen the sizes"):
        choose({"use": "tom", "note": "900", "diameters_in": [16], "depths_in": [16]})


def test_a_sweep_rises_with_tension_and_keeps_errors_apart() -> None:
    rows = sweep(DRUM, "batter.tension", ["500", "700", "900", "9e9"])
    notes = [r["note_hz"] for r in rows[:3]]
    assert notes == sorted(notes) and notes[0] < notes[2]
    assert "outside 20 to 20000" in rows[3]["error"]
    ratio = rows[0]["response_ms"] / rows[2]["response_ms"]
    assert ratio == pytest.approx(exp(0.5 * log(900 / 500)), rel=1e-9)
