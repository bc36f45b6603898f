"""The duct between the heads: its functions, its limits at low frequency, its walls' loss."""

from __future__ import annotations

import numpy as np
import pytest

from bothheads.physics import cavity

NODES, WEIGHTS = np.polynomial.legendre.leggauss(60)
X, W = (NODES + 1) / 2, WEIGHTS / 2


@pytest.mark.parametrize("m", [0, 1, 4])
def test_duct_functions_are_orthonormal_and_flat_at_the_wall(m: int) -> None:
    chi = cavity.duct_functions(m, 8, X)
    assert np.allclose((chi * W * X) @ chi.T, np.eye(8), atol=1e-12)
    edge = cavity.duct_functions(m, 8, np.array([1.0, 1.0 - 1e-6]))
    assert np.abs(edge[:, 0] - edge[:, 1]).max() < 1e-9


@pytest.mark.parametrize("m", [0, 2])
def test_overlaps_with_films_and_rim_free_functions(m: int) -> None:
    from bothheads.physics.membrane import film_modes, rim_free

    chi = cavity.duct_functions(m, 9, X) * W * X
    assert np.allclose(chi @ film_modes(m, 6, X).T, cavity.film_on_duct(m, 6, 9), atol=1e-12)
    assert np.allclose(chi @ rim_free(m, 6, X).T, cavity.rim_free_on_duct(m, 6, 9), atol=1e-12)


def test_plane_wave_is_a_spring_and_a_slug_at_low_frequency() -> None:
    depth, sc = 1.3, 0.02j
    x, y, _, _ = cavity.duct_load(np.array([0.0]), np.array([sc]), depth)
    assert x[0] == pytest.approx(1 / (depth * sc**2) + depth / 3, rel=1e-6)
    assert y[0] == pytest.approx(1 / (depth * sc**2) - depth / 6, rel=1e-6)


def test_slopes_are_the_derivatives() -> None:
    mu, sc, h = np.array([0.0, 1.84, 5.3]), -0.05 + 1.1j, 1e-6
    _, _, dx, dy = cavity.duct_load(mu, np.array(sc), 0.9)
    up, down = cavity.duct_load(mu, np.array(sc + h), 0.9), cavity.duct_load(mu, np.array(sc - h), 0.9)
    assert np.allclose(dx, (up[0] - down[0]) / (2 * h), rtol=1e-6)
    assert np.allclose(dy, (up[1] - down[1]) / (2 * h), rtol=1e-6)


def test_deep_ducts_do_not_overflow() -> None:
    x, y, dx, dy = cavity.duct_load(np.array([80.0]), np.array([0.1j]), 40.0)
    assert np.isfinite([x, y, dx, dy]).all() and y[0] == 0


def test_kirchhoff_wide_tube_loss() -> None:
    """alpha = sqrt(eta w / 2 rho) (1 + (gamma - 1)/sqrt Pr) / (r c): 8.21e-4 Np/m at 60 Hz in a 0.28 m tube."""
    from evidence import assert_published

    radius, c = 0.28, 343.2
    sc = 2j * np.pi * 60 * radius / c
    extra, _ = cavity.wall_loss(np.array(0.0), np.array(sc), m=0, norm_edge=np.array(np.sqrt(2)), depth=1e9,
                                radius=radius, speed_of_sound=c)
    alpha = np.sqrt(sc**2 + extra).real / radius
    assert_published(float(alpha), 8.21e-4, 0.01, source="Kirchhoff wide tube", kind="closed form", relative=True)
