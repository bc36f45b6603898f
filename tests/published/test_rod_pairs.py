"""What theory says of uneven rods: split constants of pairs, blind spots, thread pitches."""

from __future__ import annotations

import numpy as np

from bothheads.constants import ROD_THREAD_PITCH
from bothheads.physics.hoop import split_constant
from bothheads.physics.uneven import Film, even_pull
from evidence import assert_canary, assert_published


def closed() -> None:
    for m, value in ((1, 1 / 2), (2, 7 / 30), (3, 11 / 70)):
        assert_published(split_constant(m, edge="slip"), value, 1e-9, source="(4m-1)/(2(4m^2-1)), no shear at the rim",
                         kind="closed form")
    for poisson, m, value in ((0.38, 1, 0.5), (0.38, 2, 0.22900), (0.38, 3, 0.14851), (0.30, 2, 0.22603), (0.30, 3, 0.14602)):
        assert_published(split_constant(m, poisson=poisson), value, 6e-6, source="u_theta = 0 at the rim, Airy's function",
                         kind="independent code")
    assert_published(ROD_THREAD_PITCH * 1e3, 1.0583, 1e-4, source="12-24 UNC, ASME B1.1: 25.4/24 mm")
    assert_published(1e3 * ROD_THREAD_PITCH / 24, 0.0441, 1e-4, source="12-24 UNC, lead of 15 degrees [mm]")


def ka(edge: str, p: int, e: float, count: int) -> np.ndarray:
    film = Film(0.28, 0.353, edge=edge)  # type: ignore[arg-type]
    pull = even_pull(1.0)
    pull[p] += e
    return film.modes(pull, in_air=False).omega[:count] * np.sqrt(film.surface_density) * film.radius


def ritz() -> None:
    low = ka("slip", 2, 0.05, 9)
    for got, value in ((low[0], 2.404823), (low[1], 3.78349), (low[2], 3.87929)):
        assert_published(got, value, 1.1e-5, source="Ritz of 72 functions and quartic finite elements, e = 0.05",
                         kind="independent code")
    high = ka("slip", 2, 0.20, 5)
    for got, value in ((high[0], 2.40478), (high[1], 3.634801), (high[2], 4.018449), (high[3], 4.907027), (high[4], 5.134555)):
        assert_published(got, value, 3e-4, source="Ritz of 72 functions, e = 0.20", kind="independent code")


def test_closed_forms() -> None:
    closed()
    assert_canary(closed)


def test_modes_of_an_uneven_film() -> None:
    ritz()
    assert_canary(ritz)


def test_odd_harmonics_split_no_pair() -> None:
    for p in (1, 3, 5):
        pair = ka("stuck", p, 0.02, 3)[1:]
        assert abs(pair[1] / pair[0] - 1) < 3e-4, p
    assert ka("stuck", 2, 0.02, 3)[2] / ka("stuck", 2, 0.02, 3)[1] - 1 > 0.009
