"""Pads, patches, strips, rings, filling: areas, limits, and the padded reference drums."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest

import reference_drums as ref
from bothheads.physics import muffling
from bothheads.physics.coupled import build, solve
from bothheads.physics.group import Group, reach
from bothheads.physics.mixture import groups, join
from bothheads.physics.response import families, push, spot
from bothheads.physics.system import Options
from bothheads.records import Drum, Head, Muffling

A = 0.3
HEAD = Head(0.353, tension=620.0, resistance=0.5, stiffness_loss=2e-6)
DRUM = Drum("padded", 2 * A, 0.35, HEAD, replace(HEAD, tension=500.0))
THINGS = (
    Muffling("pad", x=0.05, y=-0.1, radius=0.08),
    Muffling("strip", y=0.06, width=0.05),
    Muffling("filling", width=0.12),
    Muffling("filling"),
)


@pytest.mark.parametrize("thing", THINGS)
def test_the_quadrature_covers_the_area(thing: Muffling) -> None:
    region = muffling.region(thing, A)
    assert region.weight.sum() * A**2 == pytest.approx(muffling.area(thing, A), rel=1e-6)
    assert (np.hypot(region.x, region.y) <= 1 + 1e-9).all()


def test_a_whole_head_of_extra_mass_is_a_heavier_film() -> None:
    thing = Muffling("pad", ("batter",), radius=A, mass=0.2 * pi * A**2, resistance=1.5)
    heavier = DRUM.with_head("batter", surface_density=0.553, resistance=2.0)
    same = Options(films=10, orders=10)
    got, expected = (solve(d, fmax_hz=200.0, options=same).s for d in (replace(DRUM, muffling=(thing,)), heavier))
    assert np.allclose(got, expected, rtol=1e-9)


def test_a_pad_just_off_the_middle_is_a_pad_in_the_middle() -> None:
    """Both ways through the model: orders apart, and joined."""
    middle = Muffling("pad", ("batter",), radius=0.08, mass=0.02, resistance=40.0)
    off = replace(middle, y=1e-7)
    apart = solve(replace(DRUM, muffling=(middle,)), fmax_hz=150.0, options=Options(films=12))
    joined = solve(replace(DRUM, muffling=(off,)), fmax_hz=200.0, options=Options(films=12))
    assert len(apart) > 15
    for s in apart.s:  # fewer film functions where orders are joined
        assert np.abs(joined.s - s).min() < 3e-3 * abs(s)


def test_a_spring_to_the_other_head_does_not_hold_the_films_moving_alike() -> None:
    equal = replace(DRUM, resonant=HEAD)
    link = Muffling("pad", ("batter", "resonant"), radius=0.1, stiffness=3e5)
    plain, linked = solve(equal, fmax_hz=90.0), solve(replace(equal, muffling=(link,)), fmax_hz=90.0)
    assert linked.frequency_hz[np.argmax(linked.same_sense)] == pytest.approx(
        plain.frequency_hz[np.argmax(plain.same_sense)], rel=1e-6)
    grounded = replace(link, heads=("batter",))
    held = solve(replace(equal, muffling=(grounded,)), fmax_hz=150.0)
    assert held.frequency_hz[np.argmax(held.same_sense)] > 1.1 * plain.frequency_hz[0]


def test_a_ring_at_the_edge_takes_overtones_and_leaves_the_note() -> None:
    ring = Muffling("ring", ("batter", "resonant"), width=0.03, mass=0.018, resistance=40.0)
    plain, ringed = solve(DRUM, fmax_hz=260.0), solve(replace(DRUM, muffling=(ring,)), fmax_hz=260.0)
    note, same = np.argmax(plain.same_sense), np.argmax(ringed.same_sense)
    assert ringed.frequency_hz[same] == pytest.approx(plain.frequency_hz[note], rel=5e-3)
    kept = ringed.decay_s[same] / plain.decay_s[note]
    high = [np.median(x.decay_s[x.frequency_hz > 180]) for x in (plain, ringed)]
    assert kept > 0.7 and high[1] / high[0] < kept


def test_the_heaviest_thing_does_not_fail() -> None:
    thing = Muffling("pad", ("batter", "resonant"), 0.0, -0.1, radius=0.12, mass=1.0, resistance=1500.0)
    modes = solve(replace(DRUM, muffling=(thing,)), fmax_hz=120.0)
    assert len(modes) > 10 and (modes.s.real < 0).all()


def test_a_pad_takes_energy_only() -> None:
    rng = np.random.default_rng(8)
    for _ in range(3):
        thing = Muffling("pad", ("batter", "resonant"), rng.uniform(-0.1, 0.1), rng.uniform(-0.1, 0.1),
                         radius=rng.uniform(0.03, 0.12), mass=rng.uniform(0, 0.1), resistance=rng.uniform(0, 200))
        modes = solve(replace(DRUM, muffling=(thing,)), fmax_hz=120.0)
        assert (modes.s.real < 0).all()


def test_filling_lies_at_the_bottom_and_takes_room() -> None:
    region = muffling.region(Muffling("filling", width=0.1), A)
    assert region.y.max() < -0.6
    assert muffling.filled_share(replace(DRUM, muffling=(Muffling("filling", width=2 * A),))) == pytest.approx(1.0)


def test_loose_filling_makes_the_air_softer() -> None:
    """A shell full of fibre holds its air at one temperature: its spring falls by 1.4."""
    full = replace(DRUM, muffling=(Muffling("filling", ("batter",), width=2 * A),))
    sc = np.array([0.02j])
    load = build(DRUM, 100.0).air
    terms = [load.duct_terms(load.mu[0], sc[:, None], np.array(0.0), load.edge[0], build(d, 100.0).loss)
             for d in (DRUM, full)]
    assert abs(terms[1][0][0, 0] / terms[0][0][0, 0]) == pytest.approx(1 / 1.4, rel=1e-3)
    h = 1e-6
    up, down = (load.duct_terms(load.mu[0], sc[:, None] + e, np.array(0.0), load.edge[0], build(full, 100.0).loss)[0]
                for e in (h, -h))
    assert np.allclose(terms[1][2], (up - down) / (2 * h), rtol=1e-5)
    assert solve(full, fmax_hz=150.0).frequency_hz[1] < solve(DRUM, fmax_hz=150.0).frequency_hz[-1]


@pytest.mark.parametrize(("name", "allowed"), [("bass24x14-pad", (0.25, 1.0, 1.5)),
                                               ("bass24x14-light-pad", (0.25, 1.0, 1.5))])
def test_padded_reference_drums_as_laplace_transforms(name: str, allowed: tuple[float, float, float]) -> None:
    """Along s = 8 + i w, where overlapping poles do not matter; power-weighted level error at the four places."""
    data = ref.DATA[name]["laplace"]
    f = np.array(data["frequency_hz"])[::2]
    level = np.array(data["level_db"])[::2]
    s = data["sigma"] + 2j * np.pi * f
    got = 20 * np.log10(np.abs(_transform(name, s)) / 20e-6)
    weight = 10 ** (level / 10)
    for (low, high), bar in zip(((12, 60), (60, 120), (120, 250)), allowed, strict=True):
        band = (f >= low) & (f < high)
        error = np.sqrt((weight[band] * (got - level)[band] ** 2).sum(0) / weight[band].sum(0))
        assert error.max() < bar, (name, low, error)


def _transform(name: str, s: np.ndarray) -> np.ndarray:
    """Laplace transform of the pressures at the reference places [Pa s], solved frequency by frequency."""
    from bothheads.physics.response import _outside
    from bothheads.physics.system import ModeSet
    from bothheads.records import reference_places

    drum = ref.drum(name)
    films = min(int(np.ceil(reach(drum, 250.0) / pi)) + 1, 12)
    system = build(drum, 250.0, Options(film_grid=ref.DATA[name]["grid_m"], films=films, orders=13))
    mixture = join(system)
    probe = ModeSet(drum, system, s, np.full(len(s), -1), np.zeros((len(s), mixture.size), complex),
                    np.ones(len(s), complex), mixture)
    force = np.zeros(mixture.size)
    for f in families(probe, drum.strike):
        force[f.batter] += spot(drum, films, f.m, drum.strike) * f.wave(np.arctan2(drum.strike.y, drum.strike.x))
    q = np.zeros((len(s), mixture.size), complex)
    for members in groups(mixture):
        group = Group(system, mixture, members, 250.0)
        for i, at in enumerate(s):
            q[i, group.index] = np.linalg.solve(group.dense(complex(at))[0], force[group.index])
    pulse = push(s, drum.strike) * np.exp(-s * drum.strike.duration)  # from the start of the contact
    return _outside(probe, drum.strike, q * pulse[:, None], reference_places(drum.depth))
