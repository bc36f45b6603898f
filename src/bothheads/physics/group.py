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
from .coupled import duplicates, is_mode, shortest_wave, windows
from .membrane import Array, film_on_rim_free
from .mixture import Mixture
from .muffling import surface_density
from .radiation import ORDERS, SOURCES, TERMS, chebyshev
from .settle import Linear
from .system import Complex, System, tension_of

REACH = 2.0  # film functions run to this many times the shortest film wavenumber at the highest frequency
UNDER = 1.25  # ... and to this many times that of the heaviest thing's own mass under the slackest tension
HEAVY = 5.0  # times the film's own mass, from where on that counts in full
LOOSE = 1e-3  # share of a film shape outside the opening below which it is air's business; larger ones make the free edge
NO_DRUM = 0.05  # ... of a mode's, below which it is no mode of a drum


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
        found = []
        for low, high in self._bands():
            found += self._settled(low, high)
        s, v, norms = (np.concatenate(part) for part in zip(*found, strict=True))
        good = np.nonzero(is_mode(s, self.fmax) & ~duplicates(np.zeros(len(s), int), s, v))[0]
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

    def _settled(self, low: float, high: float) -> list[tuple[Complex, Complex, Complex]]:
        """Modes of one band; where a resonance within it spoils the linear reading, of its parts between resonances."""
        try:
            return [Linear(self, low, high).settle()]
        except np.linalg.LinAlgError:
            parts = list(pairwise([low, *(e for e in self._resonances() if low < e < high), high]))
            if len(parts) == 1:
                raise
            return [_within(Linear(self, *part).settle(), *part) for part in parts]

    def _resonances(self) -> list[float]:
        """Zero, the duct's resonances of any order, and the highest frequency [rad/s]."""
        return sorted({round(e, 3) for m in self.orders for band in windows(self.system.drum, int(m), self.fmax)
                       for e in band})

    def _bands(self) -> list[tuple[float, float]]:
        """Bands between the duct's resonances of any order; a narrow one joins the one below."""
        edges = self._resonances()
        kept = edges[:1]
        for edge in edges[1:-1]:
            if edge > 1.15 * kept[-1] and edge < 0.95 * edges[-1]:
                kept.append(edge)
        return list(pairwise([*kept, edges[-1]]))


def _within(modes: tuple[Complex, Complex, Complex], low: float, high: float) -> tuple[Complex, Complex, Complex]:
    """Those modes that came to rest in their own band; one that wandered out is a neighbour's, half settled."""
    s, v, norms = modes
    own = (s.imag > 0.999 * low) & (s.imag < 1.001 * high)
    return s[own], v[own], norms[own]
