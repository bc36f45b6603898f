"""Rods, hoop, collar and film: closed forms, symmetry, limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.physics.hoop import (
    HOOPS,
    Hoop,
    Mount,
    film_rim_stiffness,
    flanged_hoop,
    hoop_stiffness,
    plane_stress,
    round_the_rim,
    solid_hoop,
    split_constant,
)
from evidence import assert_canary, assert_published

WOOD = Mount(radius=0.2794, rods=8).with_gain(300.0)


def stiffnesses() -> None:
    rows = {"wood": (0.279, (7.1e4, 1.0e6, 5.6e6)), "steel": (0.178, (6.1e5, 9.6e6, 5.8e7)),
            "cast": (0.178, (1.8e6, 2.4e7, 1.2e8))}
    for name, (radius, values) in rows.items():
        for p, value in zip((2, 3, 4), values, strict=True):
            assert_published(float(hoop_stiffness(p, radius=radius, hoop=HOOPS[name])), value, 0.05, relative=True,
                             source=f"table of {name} hoops, S_{p}", kind="independent code")
    assert_published(HOOPS["wood"].bending, 549.0, 1.0, source="E w d^3/12", kind="closed form")
    assert_published(HOOPS["steel"].torsion, 17.3, 0.1, source="G (web + 2 flanges) t^3/3", kind="closed form")
    stiff = film_rim_stiffness(0, radius=0.2794, thickness=0.254e-3) * 1.058e-3
    assert_published(stiff, 7446.0, 2.0, source="E h/((1 - nu) a) times a thread, 22 in", kind="closed form")


def test_stiffnesses() -> None:
    stiffnesses()
    assert_canary(stiffnesses)


def test_ring_limits() -> None:
    hoop = Hoop(500.0, 15.0)
    assert not hoop_stiffness(np.array([0.0, 1.0]), radius=0.28, hoop=hoop).any()
    assert not hoop_stiffness(np.array([0.0, 1.0]), radius=0.28, hoop=hoop, twist="blocked").any()
    p = np.arange(2, 9)
    free, blocked = (hoop_stiffness(p, radius=0.28, hoop=hoop, twist=t) for t in ("free", "blocked"))  # type: ignore[arg-type]
    assert (free < blocked).all()
    rigid = hoop_stiffness(p, radius=0.28, hoop=Hoop(500.0, 1e12))
    np.testing.assert_allclose(rigid, 500.0 * (p**2 - 1.0) ** 2 / 0.28**4, rtol=1e-6)  # the ring that cannot twist


@pytest.mark.parametrize("edge", ["stuck", "slip"])
@pytest.mark.parametrize("p", [0, 2, 3, 4, 7])
def test_plane_stress_is_in_equilibrium(p: int, edge: str) -> None:
    x = np.linspace(0.2, 1.0, 400)
    rr, tt, rt = plane_stress(p, x, edge=edge)  # type: ignore[arg-type]
    assert rr[-1] == pytest.approx(1.0)
    if edge == "slip":
        assert rt[-1] == pytest.approx(0.0, abs=1e-12)
    radial = np.gradient(rr, x) + p * rt / x + (rr - tt) / x
    round_ = np.gradient(rt, x) - p * tt / x + 2 * rt / x
    assert abs(radial[2:-2]).max() < 2e-3
    assert abs(round_[2:-2]).max() < 2e-3


def test_a_turn_of_all_rods_is_even_and_as_asked() -> None:
    rim = round_the_rim(WOOD.angles) @ WOOD.pull_per_turn().sum(1)
    np.testing.assert_allclose(rim, 300.0, rtol=4e-3)  # a ripple of .3 % at the rods
    assert WOOD.gain == pytest.approx(300.0)
    alone = WOOD.rim_stiffness()[0] * WOOD.thread_pitch / (1 + WOOD.rim_stiffness()[0] * 2 * np.pi * WOOD.radius / (8 * 3e6))
    assert WOOD.gain == pytest.approx(alone, rel=5e-3)  # rods and rim in series; the hoop between the rods is the rest


def influence() -> None:
    """Table of hoop.md: share of an even eighth at rods 1, 2, 3, 4, opposite."""
    rows = ((1e6, "stuck", (0.88, 0.05, -0.03, 0.03, 0.02)), (1e7, "stuck", (0.96, -0.01, 0.00, 0.02, 0.02)),
            (1e6, "slip", (0.66, -0.10, -0.03, 0.19, 0.24)))
    for rod, edge, values in rows:
        mount = replace(WOOD, rod_stiffness=rod, edge=edge).with_gain(300.0)  # type: ignore[arg-type]
        rim = round_the_rim(mount.angles) @ mount.pull_per_turn()[:, 0] / 300.0
        for got, value in zip(rim, values, strict=False):
            assert_published(got, value, 0.006, source="22 in wood hoop, 8 rods, rod 1", kind="independent code")


def test_influence_of_one_rod() -> None:
    influence()
    assert_canary(influence)


def test_one_turn_moves_the_pair_by_symmetry() -> None:
    """(1 + cos 2b)/N of an even turn, whatever the hoop: 2/N at the rod and opposite, nothing at 90 degrees."""
    for hoop in HOOPS.values():
        q = replace(WOOD, hoop=hoop).with_gain(300.0).pull_per_turn()[:, 0] / 300.0
        pair = q[0] + 0.5 * q[2] * np.cos(2 * WOOD.angles)
        assert pair[0] == pytest.approx(pair[4], rel=1e-9)
        assert 0.21 < pair[0] < 0.2505
        assert abs(pair[2]) < 0.04


def test_every_rod_answers_like_rod_1_turned_round() -> None:
    rim = round_the_rim(WOOD.angles) @ WOOD.pull_per_turn()
    for i in range(8):
        np.testing.assert_allclose(rim[:, i], np.roll(rim[:, 0], i), atol=1e-9)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="allow up to"):
        WOOD.with_gain(1e6)
    with pytest.raises(ValueError, match="not a pair"):
        split_constant(0)
    assert solid_hoop(0.01, 0.03, modulus=1e9, shear=1e8).bending == pytest.approx(22.5)
    assert flanged_hoop(0.002, 0.03, 0.0, modulus=1e9, shear=1e8).bending == pytest.approx(4.5)
