"""Bounds, clock and cautions of plans."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bothheads import wire
from bothheads.errors import InputError
from bothheads.plan import safety
from bothheads.records import Drum, Fit, Head, HeadFit, Opening, State
from evidence import assert_canary, assert_published

DRUM = Drum("Street bass", 0.66, 0.305, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0))


def state(number: int, batter: float, remark: str = "") -> State:
    fit = Fit(HeadFit(batter, 10.0), HeadFit(470.0, 10.0), 0.95, (), (), True, None)
    return State(1, number, "", DRUM, fit=wire.fit(fit), remark=remark)


@pytest.mark.parametrize("eighths", [0, 0.5, 1, 2, 2.5, 3, 5, 7.5, 16, -0.5, -3, -11])
def test_passes_add_up_and_none_is_over_a_quarter(eighths: float) -> None:
    parts = safety.split(eighths)
    assert sum(parts) == pytest.approx(eighths)
    assert all(0 < abs(p) <= safety.LARGEST_STEP and p * eighths > 0 for p in parts)
    assert len(parts) == safety.passes_for(eighths)


def check_clock() -> None:
    assert_published(safety.minutes_for(10, 2), 2 * (10 * 25 + 30) / 60, 1e-9,
                     source="25 s a rod and 30 s a reading, twice round ten rods", kind="closed form")


def test_clock() -> None:
    check_clock()
    assert_canary(check_clock)


@pytest.mark.parametrize("minutes", [0.0, -3.0, 1e4, float("nan")])
def test_no_time_is_refused(minutes: float) -> None:
    with pytest.raises(InputError, match="give the minutes you have"):
        safety.check_minutes(minutes)


def test_thicker_film_creases_later_and_bears_more() -> None:
    thin, thick = safety.film_bounds(0.247), safety.film_bounds(0.494)
    assert thin[0] < thick[0] and thin[1] < thick[1]


def test_the_log_widens_the_lower_bound_unless_it_creased() -> None:
    plain = safety.bounds(DRUM, "batter")
    lower = safety.bounds(DRUM, "batter", [state(1, 150.0)])
    creased = safety.bounds(DRUM, "batter", [state(1, 260.0, "first creases at rod 3")])
    assert lower.lowest == pytest.approx(150.0)
    assert creased.lowest > 260.0 > plain.lowest


def test_another_film_teaches_no_bound() -> None:
    other = replace(state(1, 120.0), drum=replace(DRUM, batter=replace(DRUM.batter, surface_density=0.6)))
    assert safety.bounds(DRUM, "batter", [other]) == safety.bounds(DRUM, "batter")


def test_cautions_fit_the_plan() -> None:
    def say(turned: list[tuple[str, float]], **kw: object) -> str:
        base: dict[str, object] = {"near_low": [], "near_high": [], "extrapolated": [], "drum": DRUM, "hurried": False}
        return " ".join(safety.turning_cautions(turned, **(base | kw)))  # type: ignore[arg-type]

    up, down = say([("batter", 2.0)]), say([("batter", -2.0)])
    assert "never force a rod" in up and "binds" in up and "crease" not in up
    assert "crease" in down
    assert "settles for days" in say([("batter", 1.0)], new=["batter"])
    holed = DRUM.with_head("resonant", opening=Opening(0.127, 0.15))
    assert "nick" in say([("resonant", 1.0)], drum=holed)
    assert "nick" not in say([("batter", 1.0)], drum=holed)
    assert "ask first" in say([("batter", 1.0)], hurried=True)
    assert say([]) == ""
