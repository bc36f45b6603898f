"""The floor as a mirror: doubled on a rigid floor, gone without reflection, only places above it hear it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bothheads.physics.coupled import solve
from bothheads.physics.response import heard, pressures
from bothheads.physics.room import mirrored
from bothheads.records import Drum, Floor, Head, Microphone
from evidence import assert_canary, assert_published

FILM = Head(surface_density=0.35306, tension=700.0, resistance=5.0)
DRUM = Drum("d", 0.5, 0.35, FILM, replace(FILM, tension=900.0))
ON_FLOOR = Microphone("floor", 0.2, -0.3, -0.5)  # the floor of a gap of 5 cm lies at y = -0.3


def check_doubling() -> None:
    modes = solve(replace(DRUM, floor=Floor(0.05, 1.0)), fmax_hz=200.0)
    with_floor = heard(modes, DRUM.strike, [ON_FLOOR])
    alone = pressures(modes, DRUM.strike, [ON_FLOOR])
    for a, b in zip(np.abs(with_floor[:, 0]), np.abs(alone[:, 0]), strict=True):
        assert_published(float(a / b), 2.0, 1e-9, source="pressure doubles on a rigid plane", kind="closed form")


def test_pressure_doubles_on_a_rigid_floor() -> None:
    check_doubling()
    assert_canary(check_doubling)


def test_no_reflection_is_the_free_field() -> None:
    modes = solve(replace(DRUM, floor=Floor(0.05, 0.0)), fmax_hz=200.0)
    assert np.allclose(heard(modes, DRUM.strike, DRUM.places), pressures(modes, DRUM.strike, DRUM.places), rtol=1e-12)


def test_an_upright_drums_front_lies_under_the_floor() -> None:
    drum = replace(DRUM, floor=Floor(0.1, 0.9, upright=True))
    images, reflection = mirrored(drum, drum.places)
    assert reflection == (0.9, 0.0, 0.9, 0.9)
    assert images[0].z == 2 * (0.35 + 0.1) + 0.45
