"""Modes of a group of families: the damped linear problem that starts them, and the iteration that settles them."""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .coupled import LOWEST_HZ, strayed
from .system import Complex

if TYPE_CHECKING:
    from .group import Group

LOW = 1.3  # undamped modes to this many times the highest frequency are joined by damping exactly
SETTLED = 2e-7  # relative change of s at which a mode is done
ENOUGH = 1e-6  # ... at which it may stay when the iteration is slow
ROUNDS = 10
NEIGHBOURS = 10
ALIKE = 0.95  # likeness of shapes of one mode


class Linear:
    """The damped linear problem behind the starts and corrections.

    Undamped modes come from Re Z read as K - w^2 M at two frequencies, loss from Im Z at a third. The low modes are
    joined by damping through (s + iW)(s - iW) + s R ~ (s + iW)(s - B), B = iW - R/2.
    """

    def __init__(self, group: Group, lowest: float, highest: float) -> None:
        self.group, self.lowest, self.highest = group, lowest, highest
        low, middle, high = (lowest + share * (highest - lowest) for share in (0.12, 0.35, 0.6))
        a, b = group.dense(1j * low)[0].real, group.dense(1j * high)[0].real
        basis = group.basis
        if basis is not None:
            a, b = basis.T @ a @ basis, basis.T @ b @ basis
        mass = (a - b) / (high**2 - low**2)
        stiffness = a + low**2 * mass
        factor = np.linalg.inv(np.linalg.cholesky(0.5 * (mass + mass.T)))
        values, vectors = np.linalg.eigh(factor @ (0.5 * (stiffness + stiffness.T)) @ factor.T)
        self.shapes = factor.T @ vectors if basis is None else basis @ (factor.T @ vectors)
        self.w = np.sqrt(np.maximum(values, 1.0))
        resistance = self.shapes.T @ (group.dense(1j * middle)[0].imag / middle) @ self.shapes
        self.low = int(np.searchsorted(self.w, LOW * highest))
        self.loss_high = np.diag(resistance)[self.low:]
        r = resistance[: self.low, : self.low]
        self.values, right = np.linalg.eig(1j * np.diag(self.w[: self.low]) - 0.5 * r)
        self.right, self.left = right, np.linalg.inv(right)

    def settle(self) -> tuple[Complex, Complex, Complex]:
        """s, v and norms of all wanted modes: residual iteration, then the slow ones each with its neighbours."""
        floor = max(2 * pi * LOWEST_HZ, 0.98 * self.lowest)
        wanted = np.nonzero((self.values.imag > floor) & (self.values.imag < 1.03 * self.highest))[0]
        s = self.values[wanted].copy()
        x = np.zeros((len(wanted), len(self.w)), complex)
        x[:, : self.low] = self.right[:, wanted].T
        v = _unit(x @ self.shapes.T)
        norms = np.ones_like(s)
        begun = s.copy(), v.copy()
        live = np.arange(len(s))
        last = np.full(len(s), np.inf)
        stuck: list[int] = []
        for turn in range(ROUNDS):
            z, dz = self.group.apply(s[live], v[live])
            norms[live] = (v[live] * dz).sum(1)
            step = (v[live] * z).sum(1) / norms[live]
            s[live] -= step
            z -= step[:, None] * dz
            moved = np.abs(step) / np.abs(s[live])
            slow = (moved > 0.9 * last[live]) & (moved > SETTLED) & (turn > 3)
            last[live] = moved
            spurious = s[live].imag < 2 * pi * LOWEST_HZ
            stuck += live[slow & (moved > ENOUGH) & ~spurious].tolist()
            v[live] = _unit(v[live] - self._correct(s[live], z, wanted[live]))
            live = live[(moved > SETTLED) & ~slow & ~spurious]
            if not live.size:
                break
        stuck += live[last[live] > ENOUGH].tolist()
        for i in sorted(stuck):
            s[i], v[i], norms[i] = self._among_neighbours(complex(s[i]), v[i])
        for i in strayed(np.zeros(len(s), int), begun[0], s, v)[0]:
            found = np.delete(v, i, axis=0)
            s[i], v[i], norms[i] = self._among_neighbours(complex(begun[0][i]), begun[1][i], found)
        return s, v, norms

    def _among_neighbours(self, s: complex, v: Complex, found: Complex | None = None) -> tuple[complex, Complex, complex]:
        """One mode solved exactly among the linear problem's nearest modes, the rest by residual correction.

        With ``found`` (modes, unknowns) it is none of those. s is not a number where that does not settle.
        """
        for _ in range(ROUNDS):
            near = np.argsort(np.abs(self.values - s))[:NEIGHBOURS]
            others = self.right[:, near].T @ self.shapes[:, : self.low].T
            span = np.linalg.qr(np.concatenate([v[None], others]).T)[0].T
            z, dz = self.group.apply(np.full(len(span), s), span)
            steps, parts = np.linalg.eig(-np.linalg.solve(span @ dz.T, span @ z.T))
            likeness = np.abs((span.conj() @ v).conj() @ parts)
            if found is not None:
                likeness[_known(span.T @ parts, found)] = -1.0
            mine = int(np.argmax(likeness))
            step, part = complex(steps[mine]), parts[:, mine]
            s += step
            residual = part @ z + step * (part @ dz)
            size = np.sqrt((span.T @ part) @ (span.T @ part))
            v = _unit((span.T @ part)[None] / size - self._correct(np.array([s]), residual[None] / size, near[:0], near))[0]
            if abs(step) < SETTLED * abs(s):
                break
        else:
            if abs(step) > ENOUGH * 100 * abs(s):
                s = complex(np.nan, np.nan)
        return s, v, complex(v @ self.group.apply(np.array([s]), v[None])[1][0]) if s == s else complex(1.0)

    def _correct(
        self, s: Complex, residual: Complex, own: NDArray[np.int_], solved: NDArray[np.int_] | None = None
    ) -> Complex:
        """Approximate Z(s)^-1 residual without the part along each mode itself, or along those already solved."""
        y = residual @ self.shapes
        t = s[:, None]
        gap = t - self.values[None]
        gap *= np.maximum(np.abs(gap), 1.0) / np.maximum(np.abs(gap), 1e-30)  # never divide by less than 1/s
        if solved is None:
            gap[np.arange(len(s)), own] = np.inf
        else:
            gap[:, solved] = np.inf
        low = ((y[:, : self.low] / (t + 1j * self.w[: self.low])) @ self.left.T / gap) @ self.right.T
        w = self.w[self.low:]
        high = y[:, self.low:] / (t * t + w * w + t * self.loss_high)
        return np.asarray(np.concatenate([low, high], 1) @ self.shapes.T)


def _known(candidates: Complex, found: Complex) -> NDArray[np.bool_]:
    """Which of the candidate vectors (unknowns, C) are among ``found`` (modes, unknowns)."""
    a = candidates / np.linalg.norm(candidates, axis=0)
    b = found / np.linalg.norm(found, axis=1)[:, None]
    return np.asarray((np.abs(b.conj() @ a) > ALIKE).any(0))


def _unit(v: Complex) -> Complex:
    return np.asarray(v / np.sqrt((v * v).sum(1))[:, None])
