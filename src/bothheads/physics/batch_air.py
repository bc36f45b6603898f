"""The air of one shape for very many modes at once: the load is linear in a few functions of frequency.

Duct modes, a constant and Chebyshev polynomials make one row a mode; one real matrix product then gives the load of all
modes of an order. Same numbers as ``airload.AirLoad.load``, several times as fast where modes come by the hundred.
"""

from __future__ import annotations

import numpy as np

from ..records import Drum
from .airload import AirLoad, air_load
from .coupled import inside_loss
from .membrane import Array
from .radiation import ORDERS, chebyshev
from .system import Complex


class BatchAir:
    """Air inside and outside ``drum`` for orders m = 0..orders-1 with ``films`` functions per order and head."""

    def __init__(self, drum: Drum, films: int, orders: int) -> None:
        self.radius, self.air, self.films = drum.radius, drum.air, films
        self.load: AirLoad = air_load(drum.depth / drum.radius, films, orders, drum.resonant is None)
        weight = drum.air.density * drum.radius
        self._tables = [tuple(weight * part for part in _table(self.load, m)) for m in range(orders)]
        self._loss = inside_loss(drum)

    def at(self, m: int, s: Complex) -> tuple[Complex, Complex]:
        """rho a W [kg/m2] and its slope along ``s`` [1/s] for one order, (len(s), 2N, 2N) each."""
        scale = self.radius / self.air.speed_of_sound
        sc = s * scale
        x, y, dx, dy = self.load.duct_terms(
            self.load.mu[m], sc[:, None], np.array(float(m)), self.load.edge[m], self._loss)
        ones, none = np.ones((len(s), 1)), np.zeros((len(s), 1))
        outside = chebyshev(sc) if m < ORDERS else (ones[:, :0], ones[:, :0])
        own = _product(np.concatenate([np.hstack([x, ones, outside[0]]), scale * np.hstack([dx, none, outside[1]])]),
                       self._tables[m][0])
        cross = _product(np.concatenate([np.hstack([y, ones, outside[0]]), scale * np.hstack([dy, none, outside[1]])]),
                         self._tables[m][1])
        n = self.films
        w = np.empty((2, len(s), 2 * n, 2 * n), complex)
        cross = cross.reshape(2, len(s), n, n)
        own = own.reshape(2, len(s), -1, n, n)
        w[:, :, :n, :n], w[:, :, n:, n:] = own[:, :, 0], own[:, :, -1]  # one block serves both where both are films
        w[:, :, :n, n:], w[:, :, n:, :n] = cross, np.swapaxes(cross, 2, 3)
        return w[0], w[1]


def _table(load: AirLoad, m: int) -> tuple[Array, Array]:
    """W of one order as series: own blocks and cross block, rows duct modes, constant, Chebyshev terms.

    A drum with two films has one own block (n^2 columns), one with an open end two. Orders that do not radiate have
    no Chebyshev terms.
    """
    n, c = load.films, load.duct[m]
    series = load.series[m].real.reshape(-1, 2 * n, 2 * n) if m < ORDERS else np.zeros((0, 2 * n, 2 * n))
    rest = np.concatenate([load.still[m][None], series])
    blocks = [slice(0, n)] + ([slice(n, 2 * n)] if load.open_end else [])
    own = [np.concatenate([c[:, k, None] * c[:, None, k], rest[:, k, k]]).reshape(len(rest) + len(c), -1)
           for k in blocks]
    cross = np.concatenate([-c[:, :n, None] * c[:, None, n:], rest[:, :n, n:]])
    return np.hstack(own), cross.reshape(len(cross), -1)


def _product(rows: Complex, table: Array) -> Complex:
    """Complex rows times a real table as one real product."""
    both = np.concatenate([rows.real, rows.imag]) @ table
    return np.asarray(both[: len(rows)] + 1j * both[len(rows):])
