"""Many states at once against the one-drum solver, and exact slopes against differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.physics.batch import BatchDrum
from bothheads.physics.batch_levels import BatchPlaces, loudness, scene_amplitudes
from bothheads.physics.coupled import solve
from bothheads.physics.radiation import radiation
from bothheads.physics.response import pressures
from bothheads.records import Drum, Head, Muffling, Strike, reference_places
from evidence import assert_canary, assert_published

SOLVER = "coupled.solve of the same drum, another code path"
ROW = np.array([[560.0, 690.0, 0.353, 0.33, 3.0, 1.5, 2e-6]])


def drum() -> Drum:
    return Drum(
        "bass", 0.6096, 0.3556, Head(0.353, tension=560.0, resistance=3.0, stiffness_loss=2e-6),
        Head(0.33, tension=690.0, resistance=1.5, stiffness_loss=2e-6), strike=Strike(0.03, 0.01))


def nearest(batch: BatchDrum, f: np.ndarray, order: int, hz: float) -> int:
    return int(np.argmin(np.abs(f - hz) + 1e6 * (batch.order != order)))


def check_modes(d: Drum, tolerance: float) -> None:
    batch = BatchDrum(d)
    modes = batch.modes(ROW, rounds=4)
    single = solve(d, fmax_hz=190.0)
    for i, m in enumerate(single.order):
        if m < batch.orders:
            j = nearest(batch, modes.frequency_hz[0], int(m), single.frequency_hz[i])
            assert_published(modes.frequency_hz[0, j], single.frequency_hz[i], tolerance, relative=True,
                             source=SOLVER, kind="independent code")
            assert_published(modes.decay_s[0, j], single.decay_s[i], 10 * tolerance, relative=True,
                             source=SOLVER, kind="independent code")


def test_a_plain_drum_is_solved_as_alone() -> None:
    check_modes(drum(), 1e-6)
    assert_canary(check_modes, drum(), 1e-6)


def test_a_ring_round_the_edge_is_in_it_exactly() -> None:
    ring = Muffling("ring", ("batter", "resonant"), width=0.03, mass=0.02, resistance=8.0)
    check_modes(replace(drum(), muffling=(ring,)), 1e-6)


def test_an_open_shell_keeps_its_film_modes() -> None:
    check_modes(replace(drum(), resonant=None), 1e-5)


def test_two_rounds_are_enough_for_a_search() -> None:
    batch = BatchDrum(drum())
    quick, slow = batch.modes(ROW, rounds=2), batch.modes(ROW, rounds=5)
    assert np.abs(quick.s / slow.s - 1).max() < 1e-6


@pytest.mark.parametrize("column", range(7))
def test_slopes_are_those_of_differences(column: int) -> None:
    batch = BatchDrum(drum())
    up, down = ROW.copy(), ROW.copy()
    up[:, column] *= 1.001
    down[:, column] /= 1.001
    change = (batch.modes(up, rounds=5).s - batch.modes(down, rounds=5).s) / (2 * np.log(1.001))
    exact = batch.slopes(batch.modes(ROW, rounds=5), ROW)[..., column]
    assert np.abs(change - exact).max() < 1e-4 * np.abs(exact).max()


def test_levels_at_places_are_those_of_the_response() -> None:
    d = drum()
    places = reference_places(d.depth)[:3]
    points = np.array([[p.x, p.y, p.z] for p in places])
    r, z = np.hypot(points[:, 0], points[:, 1]) / d.radius, (points[:, 2] - d.depth / 2) / d.radius
    travel, table = radiation(d.depth / d.radius).transfer(tuple(r.tolist()), tuple(z.tolist()), 5)
    batch = BatchDrum(d)
    modes = batch.modes(ROW, rounds=4)
    heard = BatchPlaces(d, batch, points, travel=travel, table=table, strikes=[d.strike],
                        strike_of=np.zeros(3, int)).amplitudes(modes)[0]
    single = solve(d, fmax_hz=190.0)
    want = np.abs(pressures(single, d.strike, places))
    also = np.abs(scene_amplitudes(single, points, travel=travel, table=table, strikes=[d.strike],
                                   strike_of=np.zeros(3, int)))
    rows = [i for i, m in enumerate(single.order) if m < batch.orders]
    columns = [nearest(batch, modes.frequency_hz[0], int(single.order[i]), single.frequency_hz[i]) for i in rows]
    loud = want[rows] > 1e-4 * want.max()
    for got in (np.abs(heard[columns]), also[rows]):
        step = 20 * np.log10(got[loud] / want[rows][loud])
        assert np.abs(step - np.median(step)).max() < 0.1


def test_modes_that_beat_slower_than_can_be_heard_are_one() -> None:
    levels = loudness(np.array([[[1.0 + 0j], [1.0 + 0j], [2.0 + 0j]]]), np.array([[80.0, 80.1, 120.0]]), np.zeros(3, int))
    assert levels[0, 1, 0] == pytest.approx(20 * np.log10(2.0))
    assert levels[0, 0, 0] < -1000
    assert levels[0, 2, 0] == pytest.approx(20 * np.log10(2.0))
