"""Families of film functions that stay together: their matrices, starts and modes (see ``mixed``).

The exact air is never assembled for every mode: Z(s) v is applied through duct modes and rim-free functions, and
the correction of v goes through the damped linear problem read off at three frequencies. What does not settle so is
solved exactly among its neighbours.
"""

from __future__ import annotations

from itertools import pairwise
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ..records import HEADS, Drum
from . import opening
from .airload import DUCT
from .bessel import bessel_zeros
from .coupled import LOWEST_HZ, duplicates, shortest_wave, windows
from .membrane import Array, film_on_rim_free
from .mixture import Mixture
from .muffling import surface_density
from .radiation import ORDERS, SOURCES, TERMS, chebyshev
from .system import System, tension_of

Complex = NDArray[np.complex128]

REACH = 2.0  # film functions run to this many times the shortest film wavenumber at the highest frequency
UNDER = 1.25  # ... and to this many times that of the heaviest thing's own mass under the slackest tension
HEAVY = 5.0  # times the film's own mass, from where on that counts in full
LOOSE = 0.005  # share of a film shape outside the opening below which it is air's business
NO_DRUM = 0.05  # ... of a mode's, below which it is no mode of a drum
LOW = 1.3  # undamped modes to this many times the highest frequency are joined by damping exactly
SETTLED = 2e-7  # relative change of s at which a mode is done
ENOUGH = 1e-6  # ... at which it may stay when the iteration is slow
ROUNDS = 10
NEIGHBOURS = 10


def reach(drum: Drum, fmax_hz: float) -> float:
    """Highest j_mn of the film functions: well beyond the film's shortest wave, and the heaviest thing's own."""
    heaviest = max((surface_density(item, drum.radius) for item in drum.muffling), default=0.0)
    slackest = min(tension_of(drum, name) for name in HEADS if name == "batter" or drum.resonant is not None)
    under = 2 * pi * fmax_hz * sqrt(heaviest / slackest) * drum.radius
    heavy = min(1.0, heaviest / (HEAVY * drum.batter.surface_density))
    return max(REACH * shortest_wave(drum, fmax_hz), UNDER * heavy * under, 20.0)


class Group:
    """Matrices of some families of one drum, and the modes among them."""

    def __init__(self, system: System, mixture: Mixture, members: list[int], fmax_hz: float) -> None:
        self.system, self.mixture, self.members, self.fmax = system, mixture, members, fmax_hz
        n = mixture.films
        self.orders = np.array([mixture.families[i][0] for i in members])
        cut = reach(system.drum, fmax_hz)
        on = np.array([bessel_zeros(m, n) < cut for m in self.orders])
        self.local = np.nonzero(np.concatenate([on, on], 1).ravel())[0]  # among (families, 2N)
        rows = (np.array(members)[:, None] * 2 * n + np.arange(2 * n)).ravel()[self.local]
        kinds = {mixture.families[i][1] for i in members}
        flows = [i for i, flow in enumerate(opening.FLOWS) if mixture.hole is not None and flow[2] in kinds]
        self.flows = np.array(flows, int)
        self.films = len(rows)
        self.places = self._places()
        self.index = np.concatenate([rows, mixture.film_rows + self.flows]).astype(int)
        pick = np.ix_(self.index, self.index)
        self.mass, self.resistance, self.stiffness = (
            self._with_films(matrix[pick], own)
            for matrix, own in ((mixture.mass, system.mass), (mixture.resistance, system.resistance),
                                (mixture.stiffness, system.stiffness)))
        self.joined = np.hstack([self.mass, self.resistance, self.stiffness])
        self.cut = self._cut_film()
        self.basis = self._without_loose_film()
        self._prepare()

    def _cut_film(self) -> tuple[NDArray[np.int_], Array] | None:
        """Rows of the resonant head's film among the unknowns, and how much of it the opening takes away."""
        if self.mixture.cut_overlap is None:
            return None
        head = self.mixture.head_rows(True)
        rows = np.nonzero(np.isin(self.index, head))[0]
        place = np.searchsorted(head, self.index[rows])
        return rows, self.mixture.cut_overlap[np.ix_(place, place)]

    def _without_loose_film(self) -> Array | None:
        """Orthonormal basis of the unknowns without film motion that lives in the opening alone.

        Such motion has no mass or tension of film, only air, which the opening's own flows carry: left in, it makes
        modes that no drum has. None where there is no opening.
        """
        if self.cut is None:
            return None
        rows, overlap = self.cut
        share, shapes = np.linalg.eigh(np.eye(len(rows)) - overlap)
        kept = shapes[:, share > LOOSE]
        others = np.setdiff1d(np.arange(len(self.index)), rows)
        basis = np.zeros((len(self.index), len(others) + kept.shape[1]))
        basis[others, np.arange(len(others))] = 1.0
        basis[rows, len(others):] = kept
        return basis

    def _places(self) -> list[tuple[NDArray[np.int_], NDArray[np.int_]]]:
        """For each family: its rows among the unknowns, and among the 2N functions of its order."""
        which, inner = np.divmod(self.local, 2 * self.mixture.films)
        return [(np.nonzero(which == f)[0], inner[which == f]) for f in range(len(self.members))]

    def _with_films(self, joined: Array, own: Array) -> Array:
        """Add the films' own blocks of every order."""
        which, inner = np.divmod(self.local, 2 * self.mixture.films)
        same = which[:, None] == which[None]
        blocks = own[self.orders[which][:, None], inner[:, None], inner[None]]
        joined[: self.films, : self.films] += np.where(same, blocks, 0.0)
        return joined

    def _prepare(self) -> None:
        """Overlaps of all families stacked for ``apply``."""
        system, n = self.system, self.mixture.films
        c = system.air.duct[self.orders]
        self.duct_b, self.duct_r = np.swapaxes(c[:, :, :n], 1, 2).copy(), np.swapaxes(c[:, :, n:], 1, 2).copy()
        self.still = system.air.still[self.orders]
        self.mu, self.edge = system.air.mu[self.orders], system.air.edge[self.orders]
        hole, fl = self.mixture.hole, self.flows
        count = len(self.members)
        self.flow_duct = np.zeros((count, len(fl), DUCT))
        self.flow_source = np.zeros((count, len(fl), SOURCES))
        self.flow_film = np.zeros((count, len(fl), 2 * n))
        self.flow_own = np.zeros((len(fl), len(fl)))
        if hole is not None:
            self.flow_own = hole.own[np.ix_(fl, fl)]
            for f, i in enumerate(self.members):
                self.flow_duct[f], self.flow_source[f] = hole.duct[i][:, fl].T, hole.sources[i][:, fl].T
                self.flow_film[f] = np.concatenate([hole.to_batter[i][:, fl], hole.to_resonant[i][:, fl]]).T

    def apply(self, s: Complex, v: Complex) -> tuple[Complex, Complex]:
        """Z(s) v and Z'(s) v for many modes, (modes, unknowns) each."""
        drum = self.system.drum
        scale, weight = drum.radius / drum.air.speed_of_sound, drum.air.density * drum.radius
        w, dw = self._air(s * scale, v)
        t = s[:, None]
        parts = np.concatenate([v.real, v.imag]) @ self.joined  # real products: half the work
        heavy, loss, stiff = np.split(parts[: len(v)] + 1j * parts[len(v):], 3, axis=1)
        inertia = heavy + weight * w
        z = t * t * inertia + t * loss + stiff
        return z, 2 * t * inertia + (t * t * weight * scale) * dw + loss

    def _air(self, sc: Complex, v: Complex) -> tuple[Complex, Complex]:
        """W v and dW/dsc v."""
        n, count, modes = self.mixture.films, len(self.members), len(sc)
        wide = np.zeros((modes, count * 2 * n), complex)
        wide[:, self.local] = v[:, : self.films]
        q = np.ascontiguousarray(wide.reshape(modes, count, 2 * n).transpose(1, 0, 2))
        p = v[:, self.films:]
        b, r = q[:, :, :n] @ self.duct_b, q[:, :, n:] @ self.duct_r + p @ self.flow_duct
        x, y, dx, dy = self._duct(sc)
        out = np.empty((2, count, modes, 2 * n), complex)
        flow = np.zeros((2, modes, len(self.flows)), complex)
        for k, (self_part, mutual) in enumerate(((x, y), (dx, dy))):
            at_b, at_r = self_part * b - mutual * r, self_part * r - mutual * b
            out[k, :, :, :n] = at_b @ np.swapaxes(self.duct_b, 1, 2)
            out[k, :, :, n:] = at_r @ np.swapaxes(self.duct_r, 1, 2)
            flow[k] = (at_r @ np.swapaxes(self.flow_duct, 1, 2)).sum(0)
        out[0] += q @ self.still + p @ self.flow_film
        flow[0] += (q @ np.swapaxes(self.flow_film, 1, 2)).sum(0) + p @ self.flow_own
        self._outside(sc, q, p, out, flow)
        films = out.transpose(0, 2, 1, 3).reshape(2, modes, count * 2 * n)[:, :, self.local]
        both = np.concatenate([films, flow], 2)
        return both[0], both[1]

    def _duct(self, sc: Complex) -> tuple[Complex, Complex, Complex, Complex]:
        air = self.system.air
        order = self.orders[:, None, None].astype(float)
        return air.duct_terms(self.mu[:, None], sc[None, :, None], order, self.edge[:, None], self.system.loss)

    def _outside(self, sc: Complex, q: Complex, p: Complex, out: Complex, flow: Complex) -> None:
        """What radiates: the orders below ORDERS through their rim-free functions, added to ``out`` and ``flow``."""
        n = self.mixture.films
        both = np.concatenate(chebyshev(sc))
        for f, m in enumerate(self.orders):
            if m >= ORDERS:
                continue
            vt = film_on_rim_free(int(m), n, SOURCES)
            b, r = q[f, :, :n] @ vt.T, q[f, :, n:] @ vt.T + p @ self.flow_source[f]
            extra = (both @ self.system.air.outside.extra(int(m)).reshape(TERMS, -1)).reshape(
                2, len(sc), 2, SOURCES, SOURCES)
            ends = np.stack([b, r], 2)  # (modes, sources, 2)
            own, far = extra[:, :, 0] @ ends, extra[:, :, 1] @ ends
            at_b, at_r = own[..., 0] - far[..., 1], own[..., 1] - far[..., 0]
            out[:, f, :, :n] += at_b @ vt
            out[:, f, :, n:] += at_r @ vt
            flow += at_r @ self.flow_source[f].T

    def dense(self, s: complex) -> tuple[Complex, Complex]:
        """Z and Z' (unknowns, unknowns) at one s."""
        drum, films = self.system.drum, self.films
        scale, weight = drum.radius / drum.air.speed_of_sound, drum.air.density * drum.radius
        load, slope = self.system.air.load(self.orders, np.full(len(self.orders), s * scale), self.system.loss)
        w, dw = np.zeros((2, len(self.index), len(self.index)), complex)
        for f, (at, inner) in enumerate(self.places):
            w[at[:, None], at], dw[at[:, None], at] = load[f][inner[:, None], inner], slope[f][inner[:, None], inner]
        if self.flows.size:
            unit = np.zeros((len(self.flows), len(self.index)), complex)
            unit[:, films:] = np.eye(len(self.flows))
            columns, steps = self._air(np.full(len(self.flows), s * scale), unit)
            w[:, films:], dw[:, films:] = columns.T, steps.T
            w[films:], dw[films:] = columns, steps
        inertia = np.asarray(self.mass + weight * w, complex)
        z = np.asarray(s * s * inertia + s * self.resistance + self.stiffness, complex)
        return z, 2 * s * inertia + (s * s * weight * scale) * dw + self.resistance

    def modes(self) -> tuple[Complex, Complex, Complex]:
        """s, vectors over all rows of the mixture, and norms v' Z' v with v'v = 1, to the highest frequency."""
        top = 2 * pi * self.fmax
        found = []
        for low, high in self._bands():
            found.append(_Linear(self, low, high).settle())
        s, v, norms = (np.concatenate(part) for part in zip(*found, strict=True))
        good = np.nonzero((s.imag > 2 * pi * LOWEST_HZ) & (s.imag < top) & ~duplicates(np.zeros(len(s), int), s, v))[0]
        good = good[self._outside_share(v[good]) > NO_DRUM]
        full = np.zeros((len(good), self.mixture.size), complex)
        full[:, self.index] = v[good]
        return np.asarray(s[good], complex), full, np.asarray(norms[good], complex)

    def _outside_share(self, v: Complex) -> Array:
        """Share of the films' motion that lies outside the opening."""
        if self.cut is None:
            return np.ones(len(v))
        rows, overlap = self.cut
        total = (np.abs(v[:, : self.films]) ** 2).sum(1)
        inside = ((v[:, rows] @ overlap) * v[:, rows].conj()).sum(1).real
        return np.asarray(1.0 - inside / total)

    def _bands(self) -> list[tuple[float, float]]:
        """Bands between the duct's resonances of any order; a narrow one joins the one below."""
        edges = sorted({round(e, 3) for m in self.orders for band in windows(self.system.drum, int(m), self.fmax)
                        for e in band})
        kept = edges[:1]
        for edge in edges[1:-1]:
            if edge > 1.15 * kept[-1] and edge < 0.95 * edges[-1]:
                kept.append(edge)
        return list(pairwise([*kept, edges[-1]]))


class _Linear:
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
        return s, v, norms

    def _among_neighbours(self, s: complex, v: Complex) -> tuple[complex, Complex, complex]:
        """One mode solved exactly among the linear problem's nearest modes, the rest by residual correction.

        s is not a number where that does not settle.
        """
        for _ in range(ROUNDS):
            near = np.argsort(np.abs(self.values - s))[:NEIGHBOURS]
            others = self.right[:, near].T @ self.shapes[:, : self.low].T
            span = np.linalg.qr(np.concatenate([v[None], others]).T)[0].T
            z, dz = self.group.apply(np.full(len(span), s), span)
            steps, parts = np.linalg.eig(-np.linalg.solve(span @ dz.T, span @ z.T))
            mine = int(np.argmax(np.abs((span.conj() @ v).conj() @ parts)))
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


def _unit(v: Complex) -> Complex:
    return np.asarray(v / np.sqrt((v * v).sum(1))[:, None])
