"""Uneven heads with air: even limit, symmetry, finite elements, sensitivity table."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bothheads.physics.hoop import Mount
from bothheads.physics.membrane import baffled_mass, frequency
from bothheads.physics.uneven import Film, cavity_mass, even_pull
from evidence import assert_canary, assert_published

DATA = Path(__file__).parents[1] / "data" / "rods" / "rods.json"
FAMILIES = ((0, 1), (1, 1), (2, 1), (0, 2), (3, 1), (1, 2), (4, 1), (2, 2))


def heads() -> list[dict[str, Any]]:
    return list(json.loads(DATA.read_text())["heads"])


def pull_of(head: dict[str, Any]) -> np.ndarray:
    pull = even_pull(head["mean_tension"])
    for p, (c, s) in enumerate(zip(head["pull_cos"], head["pull_sin"], strict=True), 1):
        pull[p] += head["mean_tension"] * c
        pull[24 + p] += head["mean_tension"] * s
    return pull


def test_even_film_without_air_is_the_ideal_membrane() -> None:
    film = Film(0.25, 0.3)
    modes = film.modes(even_pull(800.0), in_air=False)
    for k, name in enumerate(modes.families(8)):
        ideal = frequency(*name, radius=0.25, tension=800.0, surface_density=0.3)
        assert modes.omega[k] / (2 * np.pi) == pytest.approx(ideal, rel=1e-9)


def against_finite_elements() -> None:
    for head in heads():
        film = Film(head["radius_m"], head["sigma"], head["depth_m"], edge=head["edge"])
        modes = film.modes(pull_of(head))
        for k in range(16):
            assert_published(modes.omega[k] / (2 * np.pi), head["mode_hz"][k], 1e-3, relative=True,
                             source=f"quartic finite elements with air, head {head['name']}, mode {k}", kind="independent code")
        said = film.taps(pull_of(head), Mount(radius=film.radius, rods=head["rods"]).angles, FAMILIES)
        for rod, truth in enumerate(head["rod_pitch_11_hz"]):
            assert_published(1731.2 * np.log(said[1, 1][0][rod] / truth), 0.0, 1.5, source="finite elements, cents",
                             kind="independent code")


def test_finite_elements() -> None:
    against_finite_elements()
    assert_canary(against_finite_elements)


def test_turning_the_pull_turns_what_taps_say() -> None:
    film = Film(0.2, 0.3, 0.3)
    angles = 2 * np.pi * np.arange(8) / 8
    mount = Mount(radius=0.2, rods=8)
    turns = np.array([0.3, -0.2, 0.1, 0, 0.25, -0.1, -0.3, 0.05])
    one, two = (film.taps(even_pull(900.0) + mount.pull_per_turn() @ z, angles, FAMILIES) for z in (turns, np.roll(turns, 3)))
    for family in FAMILIES:
        np.testing.assert_allclose(np.roll(one[family][0], 3), two[family][0], rtol=1e-6)
        np.testing.assert_allclose(np.roll(one[family][1], 3), two[family][1], rtol=1e-4)


def sensitivities() -> None:
    """d ln F/de and d ln P/de at a tap, a = .25 m, closed .36 m: table of section 4."""
    film = Film(0.25, 1390 * 0.254e-3, 0.36)
    for p, family, pitch, level in ((2, (1, 1), 0.250, -0.4), (3, (1, 1), 0.0, -1.2), (3, (1, 2), 0.0, -4.9),
                                    (4, (2, 1), 0.117, -0.4), (6, (3, 1), 0.077, None)):
        up, down = even_pull(900.0), even_pull(900.0)
        up[p] += 0.9
        down[p] -= 0.9
        one, two = (film.taps(q, np.zeros(1), FAMILIES)[family] for q in (up, down))
        answer = [float(np.log(one[i][0] / two[i][0])) / 2e-3 for i in (0, 1)]
        assert_published(answer[0], pitch, 0.0025, source=f"d ln F/de_{p} of {family}", kind="independent code")
        if level is None:
            continue
        assert_published(answer[1], level, 0.06, source=f"d ln P/de_{p} of {family}", kind="independent code")


def test_sensitivities() -> None:
    sensitivities()
    assert_canary(sensitivities)


def test_near_rim_levels() -> None:
    film = Film(0.25, 0.353, 0.36)
    said = film.taps(even_pull(900.0), np.zeros(1), FAMILIES)
    assert said[0, 1][1][0] < 0.01 < said[1, 1][1][0] < said[2, 1][1][0] < said[3, 1][1][0]  # (1,1) is not the loudest


def test_air_mass_limits() -> None:
    deep = cavity_mass(2, 4, 50.0)
    np.testing.assert_allclose(deep, cavity_mass(2, 4, 20.0), rtol=1e-12)  # a wall far behind is not felt
    assert (np.diag(cavity_mass(2, 4, 0.3)) > np.diag(deep)).all()
    assert baffled_mass(1, 1)[0, 0] == pytest.approx(0.3301, abs=2e-4)
