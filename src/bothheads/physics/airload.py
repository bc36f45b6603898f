"""All the air of a drum of given depth/radius, inside and outside, as matrices between its heads' own functions.

Lengths in radii; the load is in rho a: Z_air = s^2 rho a W(sc), W = [[self, -mutual], [-mutual, self']] for
displacements q of both heads along +z. The second surface is a film, or, on a drum without a resonant head, the open
end of the shell, whose air moves in rim-free functions (no tension, no mass, no edge condition).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from . import cavity
from .membrane import Array, baffled_mass, baffled_mass_rim_free, film_on_rim_free
from .radiation import ORDERS, SOURCES, TERMS, Radiation, chebyshev, radiation

Complex = NDArray[np.complex128]

DUCT = 10  # duct modes whose frequency dependence is kept
TAIL = 48  # duct modes in the static sum


@dataclass(frozen=True)
class Loss:
    """Air inside that is not an ideal fluid in an empty shell.

    Boundary layers on the ``walls`` follow from radius [m] and speed of sound [m/s]. ``compliance`` is the inside
    air's over that of an empty shell: loose fibres hold the air among them at their own temperature, which makes it
    gamma times as compliant there.
    """

    radius: float
    speed_of_sound: float
    walls: bool = True
    compliance: float = 1.0


@lru_cache(maxsize=64)
def air_load(aspect: float, films: int, orders: int, open_end: bool = False) -> AirLoad:
    """The air of a drum with depth/radius ``aspect``, ``films`` functions per order and head, m = 0..orders-1."""
    return AirLoad(radiation(aspect), films, orders, open_end)


def surface(m: int, films: int, film: bool) -> tuple[Array, Array, Array]:
    """Overlaps of a head's functions with the duct (TAIL, N) and the rim-free ones (SOURCES, N), and baffled mass."""
    if film:
        v = film_on_rim_free(m, films, SOURCES)
        return cavity.film_on_duct(m, films, TAIL), v, baffled_mass(m, films)
    return cavity.rim_free_on_duct(m, films, TAIL), np.eye(SOURCES, films), baffled_mass_rim_free(m, films)


class AirLoad:
    """Precomputed air of one shape; ``load`` evaluates it for many modes at once."""

    def __init__(self, outside: Radiation, films: int, orders: int, open_end: bool) -> None:
        self.outside, self.films, self.orders, self.open_end = outside, films, orders, open_end
        self.aspect = outside.aspect
        n = films
        self.mu = np.array([cavity.duct_modes(m, DUCT)[0] for m in range(orders)])
        self.edge = np.array([cavity.duct_functions(m, DUCT, np.array(1.0)) for m in range(orders)])
        self.duct = np.zeros((orders, DUCT, 2 * n))  # batter columns, then resonant
        self.still = np.zeros((orders, 2 * n, 2 * n))
        self.series = np.zeros((min(orders, ORDERS), TERMS, 4 * n * n), complex)  # complex saves a copy at each call
        for m in range(orders):
            self._fill(m)

    def _fill(self, m: int) -> None:
        n = self.films
        batter, resonant = surface(m, n, True), surface(m, n, not self.open_end)
        self.duct[m] = np.hstack([batter[0][:DUCT], resonant[0][:DUCT]])
        mu = cavity.duct_modes(m, TAIL)[0][DUCT:]
        x, y, _, _ = cavity.duct_load(mu, np.array(0j), self.aspect)
        high = np.hstack([batter[0][DUCT:], resonant[0][DUCT:]])
        self.still[m] = _signed((high.T * x.real) @ high, (high.T * y.real) @ high, n)
        self.still[m][:n, :n] += batter[2]
        self.still[m][n:, n:] += resonant[2]
        v = np.hstack([batter[1], resonant[1]])
        extra = self.outside.extra(m)
        if m >= ORDERS:
            self.still[m] += _signed(v.T @ extra[0, 0] @ v, v.T @ extra[0, 1] @ v, n)
            return
        wide = np.einsum("ja,tpjk,kb->tpab", v, extra, v, optimize=True)
        self.series[m] = np.array([_signed(one[0], one[1], n).ravel() for one in wide])

    def load(self, order: NDArray[np.int_], sc: Complex, loss: Loss | None = None) -> tuple[Complex, Complex]:
        """W and dW/dsc (modes, 2N, 2N) for modes of the given orders at sc = s a / c."""
        n, size = self.films, 2 * self.films
        mu = self.mu[order]
        x, y, dx, dy = self.duct_terms(mu, sc[:, None], order[:, None].astype(float), self.edge[order], loss)
        c = self.duct[order]
        w = _signed_batch(c, x, y, n) + self.still[order]
        dw = _signed_batch(c, dx, dy, n)
        radiating = np.nonzero(order < ORDERS)[0]
        t, dt = chebyshev(sc[radiating])
        for m in range(min(self.orders, ORDERS)):
            chosen = order[radiating] == m
            rows = radiating[chosen]
            if rows.size:
                both = np.concatenate([t[chosen], dt[chosen]])
                value = (both @ self.series[m]).reshape(2, rows.size, size, size)
                w[rows] += value[0]
                dw[rows] += value[1]
        return w, dw

    def duct_terms(
        self, mu: Array, sc: Complex, m: Array, edge: Array, loss: Loss | None
    ) -> tuple[Complex, Complex, Complex, Complex]:
        """``cavity.duct_load`` for duct modes ``mu`` of order ``m`` with chi(1) = ``edge``; all broadcast."""
        if loss is None:
            return cavity.duct_load(mu, sc, self.aspect)
        extra, factor = (loss.compliance - 1.0) * sc * sc, np.asarray(1.0 + 0j)
        if loss.walls:
            wall, factor = cavity.wall_loss(
                mu, sc, m=m, norm_edge=edge, depth=self.aspect, radius=loss.radius,
                speed_of_sound=loss.speed_of_sound,
            )
            extra = extra + wall
        x, y, dx, dy = cavity.duct_load(np.sqrt(mu * mu + extra), sc, self.aspect)
        return x * factor, y * factor, dx * factor * loss.compliance, dy * factor * loss.compliance


def _signed(self_part: Array, mutual: Array, n: int) -> Array:
    """Matrix over both heads from full products: own blocks from ``self_part``, cross blocks minus ``mutual``."""
    out = -mutual.copy()
    out[:n, :n], out[n:, n:] = self_part[:n, :n], self_part[n:, n:]
    return out


def _signed_batch(c: Array, x: Complex, y: Complex, n: int) -> Complex:
    out = np.empty((len(c), 2 * n, 2 * n), complex)
    batter, resonant = c[:, :, :n], c[:, :, n:]
    left = np.swapaxes(batter, 1, 2)
    out[:, :n, :n] = (left * x[:, None]) @ batter
    out[:, n:, n:] = (np.swapaxes(resonant, 1, 2) * x[:, None]) @ resonant
    out[:, :n, n:] = -(left * y[:, None]) @ resonant
    out[:, n:, :n] = np.swapaxes(out[:, :n, n:], 1, 2)
    return out
