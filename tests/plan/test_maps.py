"""Maps over diameter and depth: figures are those of the drums themselves, tuned or at one tension."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from bothheads import units
from bothheads.errors import InputError
from bothheads.physics.forecast import forecast
from bothheads.plan.maps import Maps, maps, ring
from bothheads.plan.tuning import at_note, note_alone
from bothheads.records import Air, Drum, Head
from evidence import assert_canary, assert_published

FILM = Head(units.surface_density_from_mil(10.0), tension=600.0)
SMALL = {"diameters_in": (18, 22), "depths_in": (12, 16)}


@pytest.fixture(scope="module")
def at_fifty() -> Maps:
    return maps(note_hz=50.0, **SMALL)  # type: ignore[arg-type]


def test_at_one_note_every_size_has_it_and_the_larger_is_tighter(at_fifty: Maps) -> None:
    assert at_fifty.values["note"] == pytest.approx(np.full((2, 2), 50.0), abs=0.03)
    tension = at_fifty.values["tension"]
    assert (tension[:, 1] > 1.2 * tension[:, 0]).all()  # diameter
    assert (tension[1] > tension[0]).all()  # depth
    assert not at_fifty.slack.any() and not at_fifty.tight.any()


def test_figures_are_those_of_the_drum_itself(at_fifty: Maps) -> None:
    head = Head(FILM.surface_density, tension=float(at_fifty.values["tension"][1, 1]))
    drum = Drum("22 x 16", 0.5588, 0.4064, head, head)
    said = forecast(drum)
    assert said.note.t60_s == pytest.approx(at_fifty.values["tail"][1, 1], rel=1e-6)
    assert at_fifty.at("tail", 22, 16) == pytest.approx(said.note.t60_s)
    low, high = at_fifty.values["tail"][:, 1]
    assert at_fifty.at("tail", 22, 14) == pytest.approx((low + high) / 2)


def test_at_one_tension_the_note_falls_with_size() -> None:
    found = maps(use="tom", tension=1500.0, diameters_in=(10, 12), depths_in=(8, 10))
    assert found.fixed == "tension" and "contact" not in found.values
    assert (np.diff(found.values["note"], axis=1) < 0).all() and (np.diff(found.values["note"], axis=0) < 0).all()
    assert (found.values["tension"] == 1500.0).all()


def check_scaling() -> None:
    """In next to no air f = j/(2 pi a) sqrt(T/sigma): the tension for one note goes as D^2."""
    drums = [at_note(Drum("x", d * 0.0254, 0.4, FILM, FILM, air=Air(density=1e-6)), 60.0) for d in (18, 24)]
    tensions = [d.batter.tension for d in drums if d is not None]
    assert_published(tensions[1] / tensions[0], (24 / 18) ** 2, 2e-3, source="T = sigma (2 pi a f / j01)^2", kind="closed form")
    hertz = note_alone(Drum("x", 0.5, 0.4, FILM, FILM, air=Air(density=1e-6))).frequency_hz or 0.0
    assert_published(hertz, 2.404825558 / (np.pi * 0.5) * sqrt(600.0 / FILM.surface_density), 0.05,
                     source="f = j01/(2 pi a) sqrt(T/sigma)", kind="closed form")


def test_scaling_of_the_tuning() -> None:
    check_scaling()
    assert_canary(check_scaling)


def test_a_drum_is_tuned_with_its_heads_related_as_asked() -> None:
    other = Head(units.surface_density_from_mil(7.0), tension=500.0)
    found = at_note(Drum("x", 0.5588, 0.4064, FILM, other), 52.0, ratio=1.3)
    assert found is not None and found.resonant is not None
    assert note_alone(found).frequency_hz == pytest.approx(52.0, rel=5e-4)
    known = [h.tension / h.surface_density for h in (found.batter, found.resonant) if h.tension]
    assert known[1] / known[0] == pytest.approx(1.3)


def test_places_of_roundness_lie_on_no_nodal_line() -> None:
    drum = Drum("x", 0.5588, 0.4064, FILM, FILM)
    places = ring(drum)
    assert len(places) == 8
    assert all(abs(p.x) > 0.1 and abs(p.z - drum.depth / 2) > 0.1 for p in places)


@pytest.mark.parametrize(("asked", "words"), [
    ({}, "give --note 50Hz or --tension 600"), ({"note_hz": 50.0, "tension": 600.0}, "give --note 50Hz or --tension 600"),
    ({"note_hz": 500.0}, "500 Hz is no note for a map of bass drums"), ({"tension": 5.0}, "5 N/m is no tension for a map"),
    ({"note_hz": 50.0, "film_mil": 99.0}, "99 mil is no film"), ({"note_hz": 50.0, "use": "snare"}, "'snare' has no maps"),
    ({"note_hz": 50.0, "depths_in": (12,)}, "two diameters and two depths"),
])
def test_what_cannot_be_mapped_is_refused(asked: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        maps(**asked)  # type: ignore[arg-type]
