"""Lines that gliding lines leave are told from modes by their growth; close pairs; curvature that is not quite positive."""

from __future__ import annotations

import numpy as np
import pytest

from bothheads.sound.drives import DrivenFit
from bothheads.sound.residual import inverse_of_curvature
from bothheads.sound.select import Limits
from bothheads.sound.tones import glide_products
from bothheads.sound.varpro import JointFit, columns
from bothheads.sound.warp import DrivenWarp
from bothheads.sound.window import Window, drift_and_hum
from evidence import assert_published

RATE, START, N = 1200.0, 0.022, 1500
GLIDE = 0.04


def clock(lines: int, strikes: int) -> DrivenWarp:
    share = np.full((1, lines), GLIDE)
    energy = (0.3 ** np.arange(strikes))[:, None]
    return DrivenWarp(share, energy, np.array([8.0]), share, np.zeros(lines))


def windows(f: np.ndarray, a: np.ndarray, level: np.ndarray, seed: int = 0) -> list[Window]:
    """One channel; ``level`` (strikes, lines) over noise of unit variance."""
    rng = np.random.default_rng(seed)
    nuisance = drift_and_hum(START, N, RATE, ())
    out = []
    for n, size in enumerate(level):
        empty = Window(RATE, START, np.zeros((1, N)), nuisance, np.ones(N))
        c, s = columns(empty, f, a, clock(len(f), len(level)).curve(n, empty.half))
        angle = rng.uniform(0, 2 * np.pi, len(f))
        y = (size * np.cos(angle)) @ c + (size * np.sin(angle)) @ s + rng.standard_normal(c.shape[1])
        out.append(Window(RATE, START, y[None], nuisance, np.ones(len(y))))
    return out


def driven(w: list[Window], f: np.ndarray, a: np.ndarray) -> DrivenFit:
    limits = Limits(6.0 * np.log(N * len(w)), max_rate=50.0, max_sd_hz=1.2, max_rate_sd=0.7, most=30)
    return DrivenFit(JointFit(w, f, a, clock(len(f), len(w))), 1, None, limits)


@pytest.mark.parametrize(("force", "told"), [(0.35, True), (0.95, False)])
def test_what_grows_like_the_cube_beside_a_line_is_no_mode(force: float, told: bool) -> None:
    f, a = np.array([90.0, 92.5, 87.5, 160.0, 120.0, 210.0]), np.array([4.0, 9.0, 9.0, 9.0, 6.0, 6.0])
    #                mode, product, a real neighbour, a product far from any line, two more modes
    hard = np.array([400.0, 150.0, 150.0, 150.0, 200.0, 200.0])
    level = np.stack([hard, hard * force ** np.array([1.0, 3.0, 1.0, 3.0, 1.0, 1.0])])
    found = glide_products(driven(windows(f, a, level), f, a))
    assert found.tolist() == [False, told, False, False, False, False]


def test_what_dies_much_faster_needs_to_grow_less() -> None:
    f, level = np.array([90.0, 92.5, 120.0, 210.0]), np.array([400.0, 150.0, 200.0, 200.0])
    both = np.stack([level, level * 0.35 ** np.array([1.0, 1.75, 1.0, 1.0])])
    for rate, told in ((12.0, True), (6.0, False)):
        a = np.array([4.0, rate, 6.0, 6.0])
        assert glide_products(driven(windows(f, a, both), f, a)).tolist() == [False, told, False, False]


def test_one_strike_tells_no_growth() -> None:
    f, a = np.array([90.0, 92.5]), np.array([4.0, 9.0])
    assert not glide_products(driven(windows(f, a, np.array([[400.0, 150.0]])), f, a)).any()


def test_a_pair_closer_than_one_hertz_is_found_when_asked_for() -> None:
    f, a = np.array([67.6, 68.3]), np.array([1.4, 1.4])
    level = np.array([[60.0, 100.0], [30.0, 50.0]])
    fit = driven(windows(f, a, level), f[1:], a[1:])
    assert fit.grow(6, 0.0) == 0
    assert fit.grow(2, 0.0, pairs=True) == 1
    fit.run(10, 1e-6)
    assert np.allclose(np.sort(fit.fit.f), f, atol=0.05)


def test_a_slightly_indefinite_curvature_leaves_others_as_they_are() -> None:
    lean = 1.0 + 1e-4  # two parameters that lean on each other by a hair more than they can
    H = np.array([[1.0, lean, 0.0], [lean, 1.0, 0.0], [0.0, 0.0, 4.0]])
    inverse = inverse_of_curvature(H)
    assert (inverse.diagonal() > 0).all()
    assert_published(inverse[2, 2], 0.25, 1e-9, source="1 / 4, a block of its own", kind="closed form")
    assert_published(inverse[0, 0], 0.5 / 2.0001 + 0.5e4, 1e-3, relative=True, kind="closed form",
                     source="eigenvalues 2.0001 and -0.0001 with the size they have")
    positive = np.array([[2.0, 0.5], [0.5, 1.0]])
    assert_published(inverse_of_curvature(positive)[0, 0], 1.0 / 1.75, 1e-9, source="inverse of 2 x 2", kind="closed form")
