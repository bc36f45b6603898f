"""The shipped table against fresh boundary elements, and what physics says about any radiation."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest

from bothheads.physics import radiation as rad
from bothheads.physics.membrane import baffled_mass


def load(shape: rad.Radiation, m: int, ka: np.ndarray, films: int = 5) -> np.ndarray:
    """Self and mutual load of film modes (frequencies, 2, films, films)."""
    return np.einsum("kt,tpnl->kpnl", rad.chebyshev(1j * ka)[0], shape.film_load(m, films))


def test_the_table_is_the_boundary_elements_between_its_nodes() -> None:
    aspect = 0.37
    table, fresh = rad.radiation(aspect), rad.Radiation(aspect, **rad.solve_aspect(aspect))
    ka = np.array([0.1, 0.7, 1.6, 2.6])
    for m in (0, 1, 3, 7):
        size = np.sqrt(np.diag(baffled_mass(m, 5)))
        assert (np.abs(load(table, m, ka) - load(fresh, m, ka)) / np.outer(size, size)).max() < 4e-4


def test_finer_elements_change_little() -> None:
    from bothheads.physics.cylinder import Cylinder
    from bothheads.physics.membrane import rim_free

    got = []
    for nodes, along, around in ((6, 10, (20, 12)), (9, 14, (28, 18))):
        c = Cylinder(0.5, nodes=nodes, along=along, around=around)
        p = c.surface_pressure(1.2j, [1], 4)[1][:, c.on_disc]
        x, w = c.r[c.on_disc], c.w[c.on_disc]
        got.append(np.einsum("jx,exk->ejk", rim_free(1, 4, x) * w * x, p - c.baffled(1, 4)))
    assert np.abs(got[0] - got[1]).max() < 2e-4 * np.abs(got[1]).max() + 1e-4


def test_a_fictitious_resonance_leaves_no_trace() -> None:
    """ka = 2.87 at depth/radius 2 is a resonance of the closed inside: neighbours in ka must agree smoothly."""
    from bothheads.physics.cylinder import Cylinder

    c = Cylinder(1.0)
    values = [c.surface_pressure(1j * ka, [0], 1)[0][0, 0, 0] for ka in (2.84, 2.87, 2.90)]
    assert abs(values[1] - (values[0] + values[2]) / 2) < 2e-3 * abs(values[1])


@pytest.mark.parametrize("aspect", [0.3, 0.8, 1.5, 3.4])
def test_no_motion_of_the_ends_gains_energy(aspect: float) -> None:
    ka = np.linspace(0.2, 3.2, 7)
    for m in range(3):
        own, far = np.moveaxis(load(rad.radiation(aspect), m, ka), 1, 0)
        for sign in (1, -1):
            resistance = -(own + sign * far).imag  # s rho a^2 W has this real part
            smallest = np.linalg.eigvalsh(resistance).min(1)
            assert (smallest > -1e-7).all()  # of loads near 0.7: the elements' own noise


def test_far_field_carries_the_power_that_the_ends_give() -> None:
    """m = 0, both ends outward: intensity over a far sphere against the resistance at the ends."""
    shape, ka, distance = rad.radiation(1.2), 1.1, 60.0
    nodes, weights = np.polynomial.legendre.leggauss(16)
    angle = np.arccos(nodes)
    travel, table = shape.transfer(tuple(distance * np.sin(angle)), tuple(distance * np.cos(angle)), 1)
    t = rad.chebyshev(np.array([1j * ka]))[0][0]
    field = np.tensordot(t, table[0], 1)[0, :, 0]
    power = np.pi * distance**2 * (np.abs(field) ** 2 * weights).sum() * ka
    extra = np.tensordot(t, shape.extra(0), 1)
    given = -(extra[0, 0, 0] + extra[1, 0, 0]).imag * 2 * np.pi
    assert power == pytest.approx(given, rel=3e-3)
    assert np.allclose(travel, distance)


def test_extremes_beyond_the_table_are_solved_on_the_spot(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def solve(aspect: float) -> dict[str, np.ndarray]:
        asked.append(aspect)
        return {key: value[0] for key, value in rad._table().items()}

    monkeypatch.setattr(rad, "solve_aspect", solve)
    assert rad.radiation(0.2001).aspect == 0.2001
    rad.radiation(0.5001)
    assert asked == [0.2001]
    rad.radiation.cache_clear()


def test_the_table_is_small() -> None:
    path = resources.files("bothheads.physics").joinpath("data/radiation.npz")
    with resources.as_file(path) as file:
        assert file.stat().st_size < 5e6
