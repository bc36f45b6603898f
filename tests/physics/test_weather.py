"""A drum carried into the warm: the film's thermal strain in closed form, the air by its published formulas."""

from __future__ import annotations

from dataclasses import replace
from math import log2

import pytest

from bothheads.errors import InputError
from bothheads.physics.air import density, speed_of_sound
from bothheads.physics.forecast import forecast
from bothheads.physics.hoop import slope_bound
from bothheads.physics.weather import carried, share_felt, tension_slope
from bothheads.records import Drum, Head
from evidence import assert_canary, assert_published

FILM = Head(surface_density=1390.0 * 0.254e-3, tension=1200.0, resistance=5.0)
DRUM = Drum("d", 0.5588, 0.4064, FILM, replace(FILM, tension=900.0))


def check_slope() -> None:
    mass = 1390.0 * 0.254e-3
    rigid = tension_slope(mass, rim="rigid")
    assert_published(rigid, -33.4, 0.05, kind="closed form",
                     source="-E h alpha / (1 - nu): E 4.8 GPa, h 0.254 mm, alpha 1.7e-5 /K, nu 0.38")
    assert_published(tension_slope(mass, rim="steel") / rigid, 1 - 12 / 17, 1e-9, source="rim 1.2e-5 /K takes it back",
                     kind="closed form")
    assert_published(tension_slope(mass, rim="wood") / rigid, 1 - 4 / 17, 1e-9, source="rim 4e-6 /K takes it back",
                     kind="closed form")
    assert_published(tension_slope(2 * mass, rim="rigid"), 2 * rigid, 1e-9, source="linear in h", kind="closed form")


def test_tension_falls_by_the_strain_that_the_rim_does_not_share() -> None:
    check_slope()
    assert_canary(check_slope)


def check_carried() -> None:
    warm, _ = carried(DRUM, from_c=5.0, to_c=21.0, rim="rigid")
    assert warm.resonant is not None
    assert_published(warm.batter.tension or 0, 1200.0 - 16 * 33.43, 0.5, source="16 K at -33.43 N/m", kind="closed form")
    assert_published(warm.resonant.tension or 0, 900.0 - 16 * 33.43, 0.5, source="the same film", kind="closed form")
    assert_published(warm.air.speed_of_sound, speed_of_sound(21.0, 50.0), 1e-6, source="Cramer 1993", kind="published")
    assert_published(warm.air.density, density(21.0, 50.0), 1e-9, source="CIPM-2007", kind="published")


def test_both_heads_and_the_air_follow() -> None:
    check_carried()
    assert_canary(check_carried)


def test_one_kelvin_is_24_cents_of_a_film_alone() -> None:
    """Pitch of a bare film goes with the root of its tension: -24 cents per K at 1200 N/m."""
    def check() -> None:
        cents = 600 * log2(1 + tension_slope(FILM.surface_density, rim="rigid") / 1200.0)
        assert_published(cents, -24.5, 0.2, source="600 log2(1 - 33.4/1200)", kind="closed form")

    check()
    assert_canary(check)


def test_the_note_falls_in_the_warm_and_the_way_back_restores_it() -> None:
    warm, words = carried(DRUM, from_c=5.0, to_c=21.0)
    cold, _ = carried(warm, from_c=21.0, to_c=5.0)
    assert cold.batter.tension == pytest.approx(1200.0)
    assert (forecast(warm).note.frequency_hz or 0) < (forecast(DRUM).note.frequency_hz or 0)
    assert any("not known" in w for w in words) and any("batter head 1200 ->" in w for w in words)


def check_giving() -> None:
    """Film that grows by 1.7e-5 - 4e-6 of 11 in a kelvin is hoop that comes up by 3.63 um: 300 N/m a 1.0583 mm turn."""
    warm, _ = carried(DRUM, from_c=10.0, to_c=20.0)
    assert_published(warm.batter.tension or 0, 1200.0 - 10 * 300 * 0.2794 * 1.3e-5 / 1.0583e-3, 0.05, kind="closed form",
                     source="growth a (alpha_film - alpha_rim) as travel of the hoop, 300 N/m per 1.0583 mm")
    stiff, _ = carried(DRUM, from_c=10.0, to_c=20.0, per_turn={"batter": 600.0})
    assert_published(1200.0 - (stiff.batter.tension or 0), 2 * (1200.0 - (warm.batter.tension or 0)), 1e-6,
                     source="twice the tension a turn, twice the change", kind="closed form")
    assert_published(share_felt(FILM.surface_density, 0.2794), 0.0403, 5e-4, source="300 / 7446 N/m a turn, 22 in, 10 mil",
                     kind="closed form")


def test_a_soft_mount_feels_a_small_share() -> None:
    check_giving()
    assert_canary(check_giving)


def test_no_mount_is_stiffer_than_a_rigid_one() -> None:
    assert share_felt(0.353, 0.2794, per_turn=1e6) == pytest.approx(0.9)
    assert slope_bound(0.353, 0.2794) == pytest.approx(7446.0, rel=0.01)


def test_unknown_tension_stays_unknown() -> None:
    warm, words = carried(DRUM.with_head("batter", tension=None), from_c=5.0, to_c=21.0)
    assert warm.batter.tension is None
    assert not any(w.startswith("batter") for w in words)


@pytest.mark.parametrize(("tension", "from_c", "to_c", "rim", "says"), [
    (150.0, 0.0, 40.0, "rigid", "hang slack"), (900.0, 0.0, 90.0, "wood", "90 is not a temperature"),
    (900.0, -60.0, 20.0, "wood", "-60 is not a temperature"), (900.0, 0.0, 20.0, "tin", "say wood, steel or rigid"),
])
def test_what_cannot_be(tension: float, from_c: float, to_c: float, rim: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        carried(DRUM.with_head("batter", tension=tension), from_c=from_c, to_c=to_c, rim=rim)  # type: ignore[arg-type]
