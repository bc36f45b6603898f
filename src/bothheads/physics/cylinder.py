"""Outside air of a closed rigid cylinder with moving ends: boundary elements for one Fourier order at a time.

Lengths in radii a, time factor exp(s t), ``sc`` = s a / c. On the closed surface
p/2 = int [p dG/dn' + G acc] dS',  G = exp(-sc R) / (4 pi R),
where acc is the outward acceleration (pressure in rho a acc). The mirror plane z = 0 splits fields into even and
odd; the ends move as zeta_mj (``membrane.rim_free``). Quadrature: every panel is split at the point nearest the
target with nodes clustered there as v^3; the angle uses a sinh rule on 0..90 deg and Gauss on 90..180 deg. Four
interior points with zero pressure (least squares) remove the fictitious resonances.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .membrane import Array, rim_free

Complex = NDArray[np.complex128]

_DISC = (0.0, 0.35, 0.65, 0.85, 0.95, 1.0)  # panel ends on the disc, in radii
_SIDE = (0.0, 0.06, 0.25, 0.6, 1.0)  # panel ends on half the side, fractions of it from the edge


def _gauss(count: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def _lagrange(nodes: Array, t: Array) -> Array:
    out = np.ones((*t.shape, len(nodes)))
    for i, a in enumerate(nodes):
        for j, b in enumerate(nodes):
            if i != j:
                out[..., i] *= (t - b) / (a - b)
    return out


@dataclass(frozen=True)
class _Patch:
    """Quadrature of one panel or its mirror image for every target."""

    panel: int
    image: int  # +1 the panel, -1 its mirror image
    distance: Array  # R (targets, points, angles)
    weight: Array  # weights / (4 pi)
    normal: Array  # component of (x' - x) along the outward normal
    angle: Array
    shape: Array  # Lagrange functions of the panel's nodes (targets, points, nodes)
    radius: Array | None  # r' where the panel lies on the disc
    kept: dict[tuple[tuple[int, ...], int], tuple[Array, list[Array]]] = field(default_factory=dict, repr=False)

    def functions(self, orders: tuple[int, ...], sources: int) -> tuple[Array, list[Array]]:
        """cos(m angle) for all orders, and zeta_m at r' on the disc; kept, since every frequency needs them again."""
        key = (orders, sources)
        if key not in self.kept:
            ends = [] if self.radius is None else [rim_free(m, sources, self.radius) for m in orders]
            self.kept[key] = np.cos(np.multiply.outer(np.array(orders), self.angle)), ends
        return self.kept[key]


class Cylinder:
    """Closed cylinder of radius 1 and half-length ``half``; nodes, panels and quadrature for its surface.

    ``nodes`` Gauss nodes in a panel, ``along`` quadrature points on either side of the nearest point, ``around``
    points on the near and the far half of the circle.
    """

    def __init__(self, half: float, *, nodes: int = 5, along: int = 8, around: tuple[int, int] = (16, 10)) -> None:
        self.half, self.nodes, self.along, self.around = half, nodes, along, around
        self.panels = [(True, x, y) for x, y in pairwise(_DISC)]
        self.panels += [(False, half * (1 - x), half * (1 - y)) for x, y in pairwise(_SIDE)]
        self.gauss, gauss_weights = _gauss(nodes)
        r, z, w, on_disc = [], [], [], []
        for disc, x, y in self.panels:
            t = x + (y - x) * self.gauss
            r.append(t if disc else np.ones(nodes))
            z.append(np.full(nodes, half) if disc else t)
            w.append(abs(y - x) * gauss_weights)
            on_disc.append(np.full(nodes, disc))
        self.r, self.z, self.w = np.concatenate(r), np.concatenate(z), np.concatenate(w)
        self.on_disc = np.concatenate(on_disc)
        self.size = len(self.r)
        self._targets: list[_Patch] | None = None

    @property
    def targets(self) -> list[_Patch]:
        """Quadrature for the surface nodes and the four interior points."""
        if self._targets is None:
            b = self.half
            inner = np.array([(0.31, 0.23 * b), (0.62, 0.57 * b), (0.45, 0.81 * b), (0.77, 0.1 * b)])
            self._targets = self.quadrature(np.r_[self.r, inner[:, 0]], np.r_[self.z, inner[:, 1]])
        return self._targets

    def quadrature(self, r0: Array, z0: Array) -> list[_Patch]:
        """Quadrature of every panel and mirror image for targets at radius ``r0`` and height ``z0``."""
        return [self._patch(i, image, r0, z0) for i in range(len(self.panels)) for image in (1, -1)]

    def _patch(self, index: int, image: int, r0: Array, z0: Array) -> _Patch:
        disc, x, y = self.panels[index]
        v, wv = _gauss(self.along)
        nearest = np.clip(((r0 if disc else image * z0) - x) / (y - x), 0.0, 1.0)[:, None]
        t = np.concatenate([nearest - nearest * v**3, nearest + (1 - nearest) * v**3], 1)
        w = np.concatenate([nearest * wv * 3 * v**2, (1 - nearest) * wv * 3 * v**2], 1) * abs(y - x)
        u = x + (y - x) * t
        r = u if disc else np.ones_like(u)
        dz = (np.full_like(u, self.half) if disc else u) * image - z0[:, None]
        rr = r0[:, None]
        gap = np.sqrt((r - rr) ** 2 + dz**2) + 1e-12
        angle, angle_weight = _angles(r * rr, gap, self.around)
        chord = 4.0 * (r * rr)[..., None] * np.sin(angle / 2) ** 2
        distance = np.sqrt(gap[..., None] ** 2 + chord)
        normal = np.broadcast_to((dz * image)[..., None], distance.shape) if disc else (
            r[..., None] - rr[..., None] * np.cos(angle))
        weight = angle_weight * (r * w)[..., None] / (4.0 * np.pi)
        return _Patch(index, image, distance, weight, normal, angle, _lagrange(self.gauss, t), u if disc else None)

    def operators(
        self, sc: complex, orders: Iterable[int], sources: int, patches: list[_Patch]
    ) -> dict[int, tuple[Complex, Complex]]:
        """Double layer K (2 parities, targets, nodes) and single layer S (2, targets, sources) for each order."""
        wanted = tuple(orders)
        count = patches[0].distance.shape[0]
        out = {m: (np.zeros((2, count, self.size), complex), np.zeros((2, count, sources), complex)) for m in wanted}
        for p in patches:
            waves, ends = p.functions(wanted, sources)
            single = np.exp(-sc * p.distance) * p.weight
            double = -(1 + sc * p.distance) * single * p.normal / p.distance**3
            doubles = np.einsum("tqa,mtqa->mtq", double, waves)
            singles = np.einsum("tqa,mtqa->mtq", single / p.distance, waves) if ends else None
            columns = slice(p.panel * self.nodes, (p.panel + 1) * self.nodes)
            for i, m in enumerate(wanted):
                k = (doubles[i][:, None] @ p.shape)[:, 0]
                out[m][0][0][:, columns] += k
                out[m][0][1][:, columns] += p.image * k
                if singles is not None:
                    s = np.einsum("tq,jtq->tj", singles[i], ends[i])
                    out[m][1][0] += s
                    out[m][1][1] += p.image * s
        return out

    def surface_pressure(self, sc: complex, orders: Iterable[int], sources: int) -> dict[int, Complex]:
        """Pressure at the nodes (2 parities, nodes, sources) for unit outward acceleration zeta_mj of both ends."""
        out = {}
        for m, (k, s) in self.operators(sc, orders, sources, self.targets).items():
            sides = []
            for parity in (0, 1):
                a = -k[parity]
                a[: self.size] += 0.5 * np.eye(self.size)
                sides.append(np.linalg.lstsq(a, s[parity], rcond=None)[0])
            out[m] = np.array(sides)
        return out

    def baffled(self, m: int, sources: int, sc: complex = 0.0) -> Complex:
        """Half-space (infinite baffle) pressure at the disc nodes by the same quadrature, (disc nodes, sources)."""
        n = self.size
        near = [
            _Patch(p.panel, 1, p.distance[:n], p.weight[:n], p.normal[:n], p.angle[:n], p.shape[:n], p.radius[:n])
            for p in self.targets if p.radius is not None and p.image > 0
        ]
        return np.asarray(2.0 * self.operators(sc, [m], sources, near)[m][1][0][self.on_disc])

    def field(
        self, sc: complex, pressure: dict[int, Complex], sources: int, patches: list[_Patch]
    ) -> dict[int, Complex]:
        """Pressure off the surface at the patches' targets, (2 parities, targets, sources) for each order."""
        layers = self.operators(sc, pressure, sources, patches)
        return {
            m: np.array([k[e] @ pressure[m][e] + s[e] for e in (0, 1)]) for m, (k, s) in layers.items()
        }


def _angles(product: Array, gap: Array, around: tuple[int, int]) -> tuple[Array, Array]:
    """Angles 0..pi and weights (of the whole circle): sinh rule near, Gauss far."""
    half = np.sin(np.pi / 4)
    reach = (np.arcsinh(2 * np.sqrt(product) * half / gap) + 1e-6)[..., None]
    t, wt = _gauss(around[0])
    far, wf = _gauss(around[1])
    sine = half * np.sinh(reach * t) / np.sinh(reach)
    shape = (*gap.shape, len(far))
    angle = np.concatenate([2 * np.arcsin(sine), np.broadcast_to(np.pi / 2 * (1 + far), shape)], -1)
    near = 2 * half * np.cosh(reach * t) * reach / np.sinh(reach) / np.sqrt(1 - sine**2) * wt
    return angle, 2 * np.concatenate([near, np.broadcast_to(np.pi / 2 * wf, shape)], -1)
