"""Film modes: zeros, norms, overlaps, and the closed forms of physics they must meet."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from bothheads.physics import bessel, membrane

NODES, WEIGHTS = np.polynomial.legendre.leggauss(80)
X, W = (NODES + 1) / 2, WEIGHTS / 2


@pytest.mark.parametrize("order", [0, 1, 4, 12, 20])
def test_bessel_functions_agree_with_scipy(order: int) -> None:
    x = np.r_[0.0, 1e-9, 1e-3, np.linspace(0, 120, 1500)]
    assert np.abs(bessel.bessel_j(20, x)[order] - special.jv(order, x)).max() < 2e-14
    assert np.allclose(bessel.bessel_zeros(order, 40), special.jn_zeros(order, 40), rtol=1e-13)
    assert np.allclose(bessel.derivative_zeros(order, 30), special.jnp_zeros(order, 30), rtol=1e-12)


@pytest.mark.parametrize("m", [0, 1, 5, 12])
def test_both_sets_are_orthonormal_and_know_each_other(m: int) -> None:
    film, free = membrane.film_modes(m, 9, X), membrane.rim_free(m, 12, X)
    assert np.allclose((film * W * X) @ film.T, np.eye(9), atol=1e-12)
    assert np.allclose((free * W * X) @ free.T, np.eye(12), atol=1e-11)
    assert np.allclose((free * W * X) @ film.T, membrane.film_on_rim_free(m, 9, 12), atol=1e-12)


def test_the_table_of_film_modes_is_the_function() -> None:
    x = np.linspace(0, 1, 997)
    value, slope = membrane.film_modes_table(3, 14, x)
    assert np.abs(value - membrane.film_modes(3, 14, x)).max() < 1e-6
    step = 1e-6
    rise = (membrane.film_modes(3, 14, x[1:-1] + step) - membrane.film_modes(3, 14, x[1:-1] - step)) / (2 * step)
    assert np.abs(slope[:, 1:-1] - rise).max() < 2e-3 * np.abs(rise).max()


def test_baffled_mass_is_positive_and_symmetric() -> None:
    for m in (0, 2, 9):
        h = membrane.baffled_mass(m, 10)
        assert np.allclose(h, h.T)
        assert np.linalg.eigvalsh(h).min() > 0


def test_a_ring_and_the_disc_inside_it_make_the_whole_head() -> None:
    whole = membrane.ring_overlap(2, 7, 0.0, 0.6) + membrane.ring_overlap(2, 7, 0.6, 1.0)
    assert np.allclose(whole, np.eye(7), atol=1e-12)


def test_two_sliding_plies_bend_more_easily_than_one_of_the_same_mass() -> None:
    single = membrane.bending_stiffness(0.494)
    assert membrane.bending_stiffness(0.494, plies=2) == pytest.approx(single / 4)
