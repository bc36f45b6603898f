"""Modes of a group of families: the damped linear problem that starts them, and the iteration that settles them."""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .coupled import LOWEST_HZ, strayed
from .membrane import Array
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
            v[live] = _unit(v[live] - self._correct(s[live], z, wanted[live][:, None]))
            live = live[(moved > SETTLED) & ~slow & ~spurious]
            if not live.size:
                break
        stuck += live[last[live] > ENOUGH].tolist()
        if stuck:
            i = np.array(sorted(stuck))
            s[i], v[i], norms[i] = self._among_neighbours(s[i], v[i])
        for i in strayed(np.zeros(len(s), int), begun[0], s, v)[0]:
            found = np.delete(v, i, axis=0)
            s[i : i + 1], v[i : i + 1], norms[i : i + 1] = self._among_neighbours(
                begun[0][i : i + 1], begun[1][i : i + 1], found)
        return s, v, norms

    def _among_neighbours(self, s: Complex, v: Complex, found: Complex | None = None) -> tuple[Complex, Complex, Complex]:
        """Modes solved each exactly among the linear problem's nearest modes, the rest by residual correction.

        ``s`` (modes,), ``v`` (modes, unknowns). With ``found`` (others, unknowns) they are none of those. s is not a
        number where that does not settle.
        """
        s, v = s.copy(), v.copy()
        moved = np.full(len(s), np.inf)
        live = np.arange(len(s))
        for _ in range(ROUNDS):
            s[live], v[live], moved[live] = self._neighbours_round(s[live], v[live], found)
            live = live[~(moved[live] < SETTLED)]
            if not live.size:
                break
        s[moved > ENOUGH * 100] = complex(np.nan, np.nan)
        rest = np.isfinite(s)
        norms = np.ones_like(s)
        norms[rest] = (v[rest] * self.group.apply(s[rest], v[rest])[1]).sum(1)
        return s, v, norms

    def _neighbours_round(self, s: Complex, v: Complex, found: Complex | None) -> tuple[Complex, Complex, Array]:
        """One round for all modes at once: s, v and the relative steps."""
        count, n = v.shape
        near = np.argsort(np.abs(self.values[None] - s[:, None]), axis=1)[:, :NEIGHBOURS]
        others = np.swapaxes(self.right[:, near], 0, 1).swapaxes(1, 2) @ self.shapes[:, : self.low].T
        span = np.swapaxes(np.linalg.qr(np.swapaxes(np.concatenate([v[:, None], others], 1), 1, 2))[0], 1, 2)
        z, dz = (x.reshape(span.shape) for x in self.group.apply(np.repeat(s, span.shape[1]), span.reshape(-1, n)))
        across = np.swapaxes(span, 1, 2)
        steps, parts = np.linalg.eig(-np.linalg.solve(span @ np.swapaxes(dz, 1, 2), span @ np.swapaxes(z, 1, 2)))
        likeness = np.abs((span.conj() @ v[:, :, None]).conj().swapaxes(1, 2) @ parts)[:, 0]
        if found is not None:
            for row, candidates in zip(likeness, across @ parts, strict=True):
                row[_known(candidates, found)] = -1.0
        mine = np.argmax(likeness, axis=1)
        each = np.arange(count)
        step, part = steps[each, mine], parts[each, :, mine][:, None]
        s = s + step
        residual = (part @ z + step[:, None, None] * (part @ dz))[:, 0]
        whole = (part @ span)[:, 0]
        size = np.sqrt((whole * whole).sum(1))[:, None]
        v = _unit(whole / size - self._correct(s, residual / size, near))
        return s, v, np.abs(step) / np.abs(s)

    def _correct(self, s: Complex, residual: Complex, solved: NDArray[np.int_]) -> Complex:
        """Approximate Z(s)^-1 residual without the part along the linear modes ``solved`` (modes, any)."""
        y = residual @ self.shapes
        t = s[:, None]
        gap = t - self.values[None]
        gap *= np.maximum(np.abs(gap), 1.0) / np.maximum(np.abs(gap), 1e-30)  # never divide by less than 1/s
        gap[np.arange(len(s))[:, None], solved] = np.inf
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
