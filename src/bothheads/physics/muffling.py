"""What touches the film: pad, patch, strip, ring, loose filling, as mass, resistance and stiffness over an area.

Over its area a thing adds mass/area to the film's surface density, ``resistance`` to its loss and ``stiffness``
between the two heads where it touches both, else between the film and the shell. Rings, and pads or patches in the
middle, keep the drum round (orders m stay apart); everything else mixes orders.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, pi, sqrt

import numpy as np

from ..errors import InputError
from ..records import Drum, Muffling
from .membrane import Array, disc_nodes

FILLING_HEIGHT = 0.25  # of the radius, up from the lowest point, where no width is given


@dataclass(frozen=True)
class Region:
    """Points and weights (unit disc, lengths in radii, weights sum to the area) of one thing's contact area."""

    x: Array
    y: Array
    weight: Array


def is_round(item: Muffling) -> bool:
    """True when the thing is the same all round the axis."""
    return item.kind == "ring" or (item.kind in ("pad", "patch") and item.x == 0.0 and item.y == 0.0)


def area(item: Muffling, radius: float) -> float:
    """Contact area [m2] on one head of ``radius`` [m]."""
    if item.kind in ("pad", "patch"):
        return pi * _radius(item) ** 2
    if item.kind == "ring":
        return pi * (radius**2 - (radius - _width(item)) ** 2)
    low, high = _band(item, radius)
    return (_segment(high) - _segment(low)) * radius**2


def surface_density(item: Muffling, radius: float) -> float:
    """Mass per area [kg/m2] that the thing adds where it touches."""
    return item.mass / area(item, radius)


def round_limits(item: Muffling, radius: float) -> tuple[float, float]:
    """Inner and outer edge, in radii, of a ring or a disc in the middle."""
    if item.kind == "ring":
        return max(0.0, 1.0 - _width(item) / radius), 1.0
    return 0.0, min(1.0, _radius(item) / radius)


def region(item: Muffling, radius: float, *, wavenumber: float = 30.0) -> Region:
    """Quadrature over the contact area: Gauss in r^2 and equal angles on a disc, Gauss both ways on a strip.

    As fine as products of two waves of ``wavenumber`` (per radius of the head) need.
    """
    if item.kind in ("pad", "patch"):
        radial, angular = disc_nodes(wavenumber, _radius(item) / radius)
        nodes, weights = np.polynomial.legendre.leggauss(radial)
        r = np.repeat(np.sqrt((nodes + 1) / 2), angular) * _radius(item) / radius
        theta = np.tile(2 * pi * (np.arange(angular) + 0.5) / angular, radial)
        share = np.repeat(weights / 2, angular) / angular
        x, y = item.x / radius + r * np.cos(theta), item.y / radius + r * np.sin(theta)
        return Region(x, y, share * pi * (_radius(item) / radius) ** 2)
    low, high = _band(item, radius)
    along = int(wavenumber) + 16
    nodes, weights = np.polynomial.legendre.leggauss(int(0.5 * wavenumber * (high - low)) + 14)
    across, across_weights = np.polynomial.legendre.leggauss(along)
    # y = -cos(angle) takes the square root at the rim out of the integrand
    start, end = acos(-low), acos(-high)
    angle = (start + end) / 2 + (end - start) / 2 * nodes
    y = -np.cos(angle)
    half = np.sin(angle)
    row_weight = weights * (end - start) / 2 * half * half
    x = np.outer(half, across).ravel()
    return Region(x, np.repeat(y, along), np.outer(row_weight, across_weights).ravel())


def _radius(item: Muffling) -> float:
    if item.radius is None:
        raise InputError(f"the {item.kind} needs its radius: give radius_m.")
    return item.radius


def _width(item: Muffling) -> float:
    if item.width is None:
        raise InputError(f"the {item.kind} needs its width: give width_m.")
    return item.width


def _band(item: Muffling, radius: float) -> tuple[float, float]:
    """Lower and upper y, in radii, of a strip, or of a filling that lies at the bottom."""
    if item.kind == "filling":
        height = FILLING_HEIGHT if item.width is None else item.width / radius
        return -1.0, min(1.0, -1.0 + height)
    width = _width(item) / radius
    centre = item.y / radius
    return max(-1.0, centre - width / 2), min(1.0, centre + width / 2)


def _segment(y: float) -> float:
    """Area of the unit disc below the line at height ``y``."""
    return pi - acos(y) + y * sqrt(max(0.0, 1.0 - y * y))


def filled_share(drum: Drum) -> float:
    """Share [0-1] of the shell's volume that loose filling takes."""
    bands = [_band(item, drum.radius) for item in drum.muffling if item.kind == "filling"]
    return min(1.0, sum(_segment(high) - _segment(low) for low, high in bands) / pi)
