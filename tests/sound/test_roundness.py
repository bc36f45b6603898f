"""Roundness of takes: rms over pairs and partials by hand, and the same number as a forecast's."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import pytest

from bothheads.errors import InputError
from bothheads.physics.forecast import forecast
from bothheads.records import Drum, Head, Note, Partial, Reading
from bothheads.roundness import pair_db, roundness_db
from bothheads.sound.roundness import roundness_of
from evidence import assert_canary, assert_published


def partial(hz: float, *levels: float | None) -> Partial:
    top = max(v for v in levels if v is not None)
    return Partial(hz, 0.01, 0.4, 0.01, tuple(None if v is None else v - top for v in levels), levels)


def reading(channels: tuple[str, ...], *partials: Partial) -> Reading:
    return Reading(48000, channels, (), partials, Note())


def check_by_hand() -> None:
    def near(got: float | None, want: float, source: str) -> None:
        assert_published(got or 0.0, want, 1e-9, source=source, kind="closed form")

    three = reading(("seat", "front", "side"), partial(50.0, -10.0, -13.0, -14.0), partial(80.0, -20.0, -20.0, -26.0))
    near(roundness_of(three).roundness_db, sqrt((9 + 16 + 1 + 0 + 36 + 36) / 6), "pairs of 3, 4, 1 and 0, 6, 6 dB")
    unheard = reading(("seat", "front"), partial(50.0, -10.0, None))
    near(roundness_of(unheard).roundness_db, 45.0, "floor of 45 dB where a partial is not found")
    faint = reading(("seat", "front"), partial(50.0, -10.0, -12.0), partial(90.0, -51.0, -80.0))
    near(roundness_of(faint).roundness_db, 2.0, "a partial 41 dB down says nothing")
    near(pair_db([(0.0, -3.0, None)], 0, 2), 45.0, "one pair")


def test_by_hand() -> None:
    check_by_hand()
    assert_canary(check_by_hand)


def test_readings_of_one_place_each_are_the_reading_of_all_places() -> None:
    seat = reading(("seat",), partial(50.0, -10.0), partial(80.0, -30.0))
    front = reading(("front",), partial(50.05, -16.0), partial(95.0, -20.0))
    got = roundness_of([seat, front])
    assert got.places == ("seat", "front")
    assert [levels for _, levels in got.rows] == [(-10.0, -16.0), (-30.0, None), (None, -20.0)]
    both = reading(("seat", "front"), partial(50.0, -10.0, -16.0), partial(80.0, -30.0, None), partial(95.0, None, -20.0))
    assert got.roundness_db == pytest.approx(roundness_of(both).roundness_db)


def check_same_words() -> None:
    """A reading that holds a forecast's levels has the forecast's roundness, whatever the gain."""
    film = Head(surface_density=0.35306, tension=900.0, resistance=5.0)
    model = forecast(Drum("d", 0.5588, 0.4064, film, replace(film, tension=700.0)))
    names = tuple(model.partials[0].level_db)
    heard = tuple(partial(p.frequency_hz, *(p.level_db[n] - 120.0 for n in names)) for p in model.partials)
    assert_published(roundness_of(reading(names, *heard)).roundness_db or 0.0, model.roundness_db or 1.0, 1e-9,
                     source="physics.forecast", kind="closed form")


def test_takes_and_model_use_the_same_words() -> None:
    check_same_words()
    assert_canary(check_same_words)


def test_one_place_says_nothing() -> None:
    assert roundness_of(reading(("seat",), partial(50.0, -10.0))).roundness_db is None
    assert roundness_of(reading(("seat", "front"))).roundness_db is None
    assert roundness_db([]) is None


def test_what_cannot_be_compared_is_refused() -> None:
    two, one = reading(("a", "b"), partial(50.0, -1.0, -2.0)), reading(("a",), partial(50.0, -1.0))
    with pytest.raises(InputError, match="one place each"):
        roundness_of([two, one])
    with pytest.raises(InputError, match="same place"):
        roundness_of([one, one])
