"""Published figures beside the model's: what was measured elsewhere, with its source, and how it was seen."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from ...physics.bessel import bessel_zeros
from ...physics.coupled import solve
from ...records import Drum, Head
from .model import Model

BASSETT = "Fletcher and Bassett 1978, J. Acoust. Soc. Am. 64:1570, through a quotation (second hand; ratios, sizes not given)"
# tension, depth and film chosen from a coarse grid for the seven ratios together (tests/published): a test of shape
ORCHESTRAL = Drum("orchestral", 0.82, 0.53, Head(0.25, tension=2000.0, resistance=1.0, stiffness_loss=0.0),
                  Head(0.25, tension=2000.0, resistance=1.0, stiffness_loss=0.0))
RATIOS = (("(0,1) against each other", 0, 1, 2.36), ("(1,1) lower", 1, 0, 1.72), ("(1,1) upper", 1, 1, 1.86),
          ("(2,1)", 2, 0, 2.72), ("(3,1)", 3, 0, 3.64), ("(4,1)", 4, 0, 4.50), ("(5,1)", 5, 0, 5.46))


@dataclass(frozen=True)
class Figure:
    """One published figure and the model's."""

    what: str
    published: float
    model: float
    unit: str
    source: str


def ratios(model: Model) -> tuple[Figure, ...]:
    """The seven ratios of an orchestral bass drum with equal heads to its lowest partial; of pairs above (1,1) the mean."""
    modes = model.once("orchestral", lambda: solve(ORCHESTRAL, fmax_hz=420.0))
    f, m = modes.frequency_hz, modes.order
    low = f[m == 0][0]
    out = []
    for name, order, rank, value in RATIOS:
        mine = f[m == order][rank] if order < 2 else np.mean(f[m == order][:2])
        out.append(Figure(f"{name} over the lowest (0,1)", value, float(mine / low), "times", BASSETT))
    return tuple(out)


def breathing(model: Model) -> Figure:
    """The two lowest axisymmetric partials of that drum, 50 and 118 Hz."""
    return ratios(model)[0]


def rod_pair(model: Model) -> Figure:
    """The mean of its two (1,1) partials, 86 and 93 Hz over 50."""
    low, high = ratios(model)[1:3]
    return Figure("mean of the (1,1) pair over the lowest (0,1)", (low.published + high.published) / 2,
                  (low.model + high.model) / 2, "times", BASSETT)


def coupling(model: Model) -> tuple[Figure, ...]:
    """The formula f_high = sqrt(f_low^2 + 2 f_c^2) of two equal heads, used as the trade notes do.

    f_c from the measured pair, 75.6 Hz; and the textbook's own one-mode spring, which no bass drum obeys: its f_c goes
    with sqrt(0.6917 rho c^2 / (sigma d)) whatever the films do, while a real film bends inwards.
    """
    d = ORCHESTRAL
    one_mode = sqrt(4 / bessel_zeros(0, 1)[0] ** 2 * d.air.density * d.air.speed_of_sound**2
                    / (d.batter.surface_density * d.depth)) / (2 * pi)
    modes = model.once("orchestral", lambda: solve(ORCHESTRAL, fmax_hz=420.0))
    low, high = (float(x) for x in modes.frequency_hz[modes.order == 0][:2])
    found = sqrt((high**2 - low**2) / 2) / low
    return (
        Figure("coupling frequency f_c over the lowest note, from f_high^2 = f_low^2 + 2 f_c^2", 75.6 / 50.0, found, "times",
               BASSETT),
        Figure("the same f_c if each head had one mode only (textbook spring)", one_mode / low, found, "times",
               "closed form with films of one mode; shown because it is the formula in use"),
    )


def evidence(model: Model) -> tuple[Figure, ...]:
    """All of them."""
    return (*ratios(model), *coupling(model))
