"""Jobs as people write them: keys, ranges, boots, rooms, further jobs, and refusals in one sentence."""

from __future__ import annotations

from math import log

import pytest

from bothheads.errors import InputError
from bothheads.plan.job import parse_job


@pytest.mark.parametrize(("note", "low", "high"), [
    ("50Hz", 50.0, 50.0), ("A1", 55.0, 55.0), (50.0, 50.0, 50.0), ("40-55Hz", 40.0, 55.0), ("40..55", 40.0, 55.0),
    ("A1..A2", 55.0, 110.0), ("A1 to A2", 55.0, 110.0), ([40, 55], 40.0, 55.0),
])
def test_notes_and_ranges(note: object, low: float, high: float) -> None:
    wish = parse_job({"note": note}).parts[0].wish("note")
    assert wish is not None and (wish.low, wish.high) == pytest.approx((low, high))
    assert wish.ends == pytest.approx((log(low), log(high)))


def test_a_full_job() -> None:
    job = parse_job({
        "use": "bass", "note": "45-60Hz", "tail_s": "0.4-0.8", "response_ms": "12", "front": "loud", "seat": "100", "round": True,
        "microphones": "inside", "room": "4x3.5x2.4", "boot_in": "40 x 30 x 28", "weight_kg": "12kg", "diameters_in": "20,22",
        "depths_in": "14,16", "second.note": "70Hz", "second.seat": "quiet", "third.tail_s": 0.3})
    first, second, third = job.parts
    assert {c.key for c in first.criteria} == {f"first.{k}" for k in ("note", "tail", "response", "front", "seat", "roundness")}
    assert {c.key: c.aim for c in second.criteria} == {"second.note": "range", "second.seat": "least"}
    assert [c.key for c in third.criteria] == ["third.tail"]
    assert job.openings == (5.0,)  # a microphone inside needs one
    assert job.boot == pytest.approx((1.016, 0.762, 0.7112)) and job.weight_kg == 12.0
    assert first.room == (4.0, 3.5, 2.4) and first.floor is not None and second.floor is None
    response = first.wish("response")
    assert response is not None and response.low == pytest.approx(0.012)
    assert job.sizes == ((20.0, 14.0), (20.0, 16.0), (22.0, 14.0), (22.0, 16.0))


def test_no_microphones_wish_the_front_loud_and_quick_wishes_the_shortest_answer() -> None:
    for key, value in (("microphones", "none"), ("unamplified", True)):
        wish = parse_job({key: value}).parts[0].wish("front")
        assert wish is not None and wish.aim == "most"
    wish = parse_job({"quick": "true"}).parts[0].wish("response")
    assert wish is not None and wish.aim == "least"


def test_openings_as_asked() -> None:
    assert parse_job({"note": 50}).openings == (0.0, 5.0)
    assert parse_job({"note": 50, "opening": False}).openings == (0.0,)
    assert parse_job({"note": 50, "opening": "6"}).openings == (6.0,)
    assert min(parse_job({"note": 50, "opening": True}).openings) >= 4.0
    assert parse_job({"use": "tom", "note": 90}).openings == (0.0,)


@pytest.mark.parametrize(("job", "words"), [
    ({"colour": "red"}, "'colour' is not part of a job: use use"),
    ({"use": "snare", "note": 50}, "use must be 'bass' or 'tom'"),
    ({"note": "loud"}, "is not a note"),
    ({"note": "60-50Hz"}, "the smaller first"),
    ({"note": "A2..A1"}, "the lower note first"),
    ({"tail_s": "long"}, "tail_s must be a number from 0.02 to 60"),
    ({"front": "middling"}, "front must be loud, quiet, or dB"),
    ({"note": 50, "boot_cm": "100 x 80"}, "three lengths such as 100 x 80 x 50"),
    ({"note": 50, "boot_cm": "100 x 80 x 50", "car": "small"}, "keep one"),
    ({"note": 50, "car": "lorry"}, "car must be 'small', 'estate' or 'van'"),
    ({"note": 50, "room": "a hall"}, "room must be free, floor, outdoors"),
    ({"note": 50, "weight_kg": -3}, "weight_kg must be a number from 1 to 100"),
    ({"note": 50, "largest_in": 5}, "no size is left"),
    ({"note": 50, "second.weight_kg": 5}, "belongs to the drum"),
    ({"note": 50, "fourth.note": 5}, "is not part of a job"),
    ({"note": 50, "third.note": 60}, "a third job but no second"),
    ({"note": 50, "microphones": "inside", "opening": False}, "a microphone inside needs an opening"),
    ({"use": "bass"}, "nothing is wished of the first job"),
    ({"note": 50, "films_mil": []}, "films_mil is empty"),
    ({"note": 50, "opening": "yes please"}, "opening must be a number"),
])
def test_bad_jobs_are_refused_in_one_sentence(job: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        parse_job(job)
    assert str(caught.value).endswith(".") and "\n" not in str(caught.value)
