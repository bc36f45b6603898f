"""Outside air of a drum: pressure on its heads and at microphones, from a table of boundary-element solutions.

Table (``data/radiation.npz``, made by ``builders/radiation.py``): aspect ratio depth/radius at Chebyshev nodes in its
logarithm, frequency ka at Chebyshev nodes with M(-ka) = conj M(ka), so that every entry is a real-analytic series in
s a/c and holds at complex s. Stored is what the closed cylinder adds to a half-space (whose static part is closed
form, ``membrane.baffled_mass``), between rim-free functions zeta_mj. Orders 5 to 12 radiate as (ka)^(2m+1), so only
their static part is kept; above 12 the half-space stands alone. Outside the table's aspect ratios the boundary
elements are solved on the spot and kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from .cylinder import Cylinder
from .membrane import (
    Array,
    baffled_mass,
    baffled_mass_rim_free,
    film_on_rim_free,
    rim_free,
)

Complex = NDArray[np.complex128]

ORDERS = 5  # m = 0..4 with radiation
STATIC_ORDERS = 8  # m = 5..12, added mass only
SOURCES = 10  # rim-free functions per order
SIDE_TERMS = 8  # Legendre polynomials along half the side
KA_NODES = 14
KA_MAX = 3.4
TERMS = 2 * KA_NODES
ASPECT_RANGE = (0.28, 3.7)
ASPECT_NODES = 13

_KA = KA_MAX * np.cos(np.pi * (np.arange(KA_NODES) + 0.5) / TERMS)


def aspect_nodes() -> Array:
    """Aspect ratios depth/radius of the table."""
    low, high = np.log(ASPECT_RANGE)
    return np.asarray(np.exp((low + high) / 2 + (high - low) / 2 * _aspect_chebyshev()))


def _aspect_chebyshev() -> Array:
    return np.asarray(np.cos(np.pi * (np.arange(ASPECT_NODES) + 0.5) / ASPECT_NODES))


def series(values: Complex) -> Array:
    """Real Chebyshev coefficients (TERMS, ...) of values at the positive nodes (KA_NODES, ...).

    Even terms carry the real part, odd terms the imaginary part: M(-ka) = conj M(ka).
    """
    j = np.arange(TERMS)
    t = np.cos(np.outer(j, np.pi * (np.arange(KA_NODES) + 0.5) / TERMS)) * (2.0 / KA_NODES)
    even, odd = np.tensordot(t, values.real, (1, 0)), np.tensordot(t, values.imag, (1, 0))
    out = np.where((j % 2 == 0).reshape(-1, *(1,) * (values.ndim - 1)), even, odd)
    out[0] /= 2.0
    return np.asarray(out)


def chebyshev(sc: Complex) -> tuple[Complex, Complex]:
    """Polynomials and their derivative in sc = s a/c, each (len(sc), TERMS); odd terms carry i.

    Beyond KA_MAX the frequency is held there.
    """
    x = np.asarray(sc, complex) / (1j * KA_MAX)
    x = np.clip(x.real, -1.0, 1.0) + 1j * x.imag
    t = np.empty((TERMS, *x.shape), complex)
    dt = np.empty_like(t)
    t[0], t[1], dt[0], dt[1] = 1.0, x, 0.0, 1.0
    for j in range(2, TERMS):
        t[j] = 2 * x * t[j - 1] - t[j - 2]
        dt[j] = 2 * t[j - 1] + 2 * x * dt[j - 1] - dt[j - 2]
    t[1::2] *= 1j
    dt[1::2] *= 1j
    return t.T, dt.T / (1j * KA_MAX)


def solve_aspect(aspect: float) -> dict[str, Array]:
    """Boundary elements for one aspect ratio: arrays ``load``, ``side``, ``load_static``, ``side_static``."""
    cylinder = Cylinder(aspect / 2, nodes=6, along=10, around=(20, 12))
    dynamic = range(ORDERS)
    solved = [cylinder.surface_pressure(1j * k, dynamic, SOURCES) for k in _KA]
    load, side = [], []
    for m in dynamic:
        parts = [_project(cylinder, m, p[m]) for p in solved]
        load.append(series(np.array([p[0] for p in parts])))
        side.append(series(np.array([p[1] for p in parts])))
    still = cylinder.surface_pressure(0.0, range(ORDERS, ORDERS + STATIC_ORDERS), SOURCES)
    parts = [_project(cylinder, m, still[m]) for m in range(ORDERS, ORDERS + STATIC_ORDERS)]
    return {
        "load": np.array(load), "side": np.array(side),
        "load_static": np.array([p[0].real for p in parts]), "side_static": np.array([p[1].real for p in parts]),
    }


def _project(cylinder: Cylinder, m: int, pressure: Complex) -> tuple[Complex, Complex]:
    """What the cylinder adds to a half-space (2, SOURCES, SOURCES); Legendre terms on the side (2, SIDE_TERMS, .)."""
    disc = cylinder.on_disc
    x, w = cylinder.r[disc], cylinder.w[disc]
    extra = pressure[:, disc] - cylinder.baffled(m, SOURCES).real
    load = np.einsum("jx,exk->ejk", rim_free(m, SOURCES, x) * w * x, extra)
    side = ~disc
    root = np.sqrt(cylinder.w[side])
    shape = _along_side(cylinder.z[side] / cylinder.half) * root
    terms = np.array([np.linalg.lstsq(shape.T, p[side] * root[:, None], rcond=None)[0] for p in pressure])
    return 0.5 * (load + np.swapaxes(load, 1, 2)), terms


def _along_side(t: Array) -> Array:
    """Legendre polynomials in 2t - 1, t = 0 at the middle and 1 at the edge, (SIDE_TERMS, len(t))."""
    return np.asarray(np.polynomial.legendre.legvander(2 * t - 1, SIDE_TERMS - 1).T, dtype=float)


@lru_cache(maxsize=1)
def _table() -> dict[str, Array]:
    upper = np.triu_indices(SOURCES)
    with resources.files(__package__).joinpath("data/radiation.npz").open("rb") as file, np.load(file) as stored:
        out = {key: np.asarray(stored[key], dtype=float) for key in stored.files}
    for key in ("load", "load_static"):
        full = np.empty((*out[key].shape[:-1], SOURCES, SOURCES))
        full[..., upper[0], upper[1]] = out[key]
        full[..., upper[1], upper[0]] = out[key]
        out[key] = full
    return out


@lru_cache(maxsize=64)
def radiation(aspect: float) -> Radiation:
    """The outside air of a drum with depth/radius = ``aspect``; 1 ms inside the table, seconds outside it."""
    low, high = ASPECT_RANGE
    if not low <= aspect <= high:
        return Radiation(aspect, **solve_aspect(aspect))
    y = (2 * np.log(aspect) - np.log(low * high)) / np.log(high / low)
    nodes = _aspect_chebyshev()
    ratio = [np.prod([(y - b) / (a - b) for b in nodes if b != a]) for a in nodes]
    return Radiation(aspect, **{key: np.tensordot(ratio, value, (0, 0)) for key, value in _table().items()})


@dataclass(frozen=True, eq=False)
class Radiation:
    """Outside air of one aspect ratio. Chebyshev terms first follow ``chebyshev``; parities are even, odd."""

    aspect: float
    load: Array  # (ORDERS, TERMS, 2, SOURCES, SOURCES)
    side: Array  # (ORDERS, TERMS, 2, SIDE_TERMS, SOURCES)
    load_static: Array  # (STATIC_ORDERS, 2, SOURCES, SOURCES)
    side_static: Array  # (STATIC_ORDERS, 2, SIDE_TERMS, SOURCES)

    @lru_cache(maxsize=16)  # noqa: B019 - both live as long as the shape is cached
    def extra(self, m: int) -> Array:
        """What the cylinder adds to a half-space in zeta functions, as (self, mutual): (TERMS, 2, SOURCES, SOURCES)."""
        out = np.zeros((TERMS, 2, SOURCES, SOURCES))
        if m < ORDERS:
            out[:] = self.load[m]
        elif m < ORDERS + STATIC_ORDERS:
            out[0] = self.load_static[m - ORDERS]
        own = np.stack([(out[:, 0] + out[:, 1]) / 2, (out[:, 0] - out[:, 1]) / 2], 1)
        own.setflags(write=False)
        return own

    def film_load(self, m: int, films: int) -> Array:
        """Load on film modes as (self, mutual): coefficients (TERMS, 2, films, films); pressure in rho a acceleration.

        With t = ``chebyshev(sc)[0]`` the load is t @ coefficients; a film in the +z direction of either head feels
        self from itself and minus mutual from the other.
        """
        v = film_on_rim_free(m, films, SOURCES)
        out = np.einsum("jn,tpjk,kl->tpnl", v, self.extra(m), v, optimize=True)
        out[0, 0] += baffled_mass(m, films)
        return np.asarray(out)

    @cached_property
    def _cylinder(self) -> Cylinder:
        return Cylinder(self.aspect / 2)

    def _nodal(self, m: int, ka: float) -> Complex:
        """Surface pressure at the cylinder's nodes (2, nodes, SOURCES) at one real frequency."""
        cylinder = self._cylinder
        disc = cylinder.on_disc
        if m < ORDERS:
            t = chebyshev(np.array([1j * ka]))[0][0]
            load, side = np.tensordot(t, self.load[m], 1), np.tensordot(t, self.side[m], 1)
        else:
            load, side = self.load_static[m - ORDERS] + 0j, self.side_static[m - ORDERS] + 0j
        out = np.empty((2, cylinder.size, SOURCES), complex)
        out[:, disc] = rim_free(m, SOURCES, cylinder.r[disc]).T @ (load + baffled_mass_rim_free(m, SOURCES))
        out[:, ~disc] = _along_side(cylinder.z[~disc] / cylinder.half).T @ side
        return out

    @lru_cache(maxsize=32)  # noqa: B019 - both live as long as the shape is cached
    def transfer(self, r: tuple[float, ...], z: tuple[float, ...], orders: int) -> tuple[Array, Array]:
        """Pressure at points (r, z) [radii, z from the middle] for unit acceleration zeta_mj of the ends.

        Returns the travel times (points,) [radii / c] taken out of the series, and the coefficients
        (orders, TERMS, 2 parities, points, SOURCES): pressure = rho a (t @ coefficients) exp(-sc travel).
        Points must lie outside the drum, and off its surface by more than 1e-3 radii.
        """
        known = min(orders, ORDERS + STATIC_ORDERS)
        patches = self._cylinder.quadrature(np.array(r), np.array(z))
        travel = np.hypot(np.array(r), np.array(z))
        values = np.zeros((orders, KA_NODES, 2, len(r), SOURCES), complex)
        for i, ka in enumerate(_KA):
            pressure = {m: self._nodal(m, ka) for m in range(known)}
            field = self._cylinder.field(1j * ka, pressure, SOURCES, patches)
            for m in range(known):
                values[m, i] = field[m] * np.exp(1j * ka * travel)[None, :, None]
        return travel, np.array([series(v) for v in values])
