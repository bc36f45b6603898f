"""The shell: its own low modes, and how far it gives way to the heads.

Modelled: the free thin cylinder's inextensional modes (ovalling and higher, uniform along the axis or linear in it),
orthotropic through the bending stiffness along the circumference; the recoil of the whole drum under the pull of
both heads. Not modelled, and only a measurement can say it: what hoops, edges, lugs and the heads' own tension add
to the stiffness of the shell, the coupling of ovalling to the heads (second order in the heads' motion while the
edge stays flat), and how loud the shell is at the side.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt


@dataclass(frozen=True)
class Shell:
    """A shell. Stiffness runs round the circumference; plies crossed at 90 degrees average both directions."""

    radius: float  # m, mid-surface
    length: float  # m
    thickness: float  # m
    density: float = 680.0  # kg/m3
    modulus: float = 7.0e9  # Pa round the circumference; crossed birch or maple plies, wood handbook (memory)
    poisson: float = 0.3

    @property
    def mass(self) -> float:
        """Mass of the bare shell [kg]: 2 pi a L h rho."""
        return 2 * pi * self.radius * self.length * self.thickness * self.density


WOODS: dict[str, tuple[float, float, float]] = {
    # along-grain modulus [Pa], cross-grain over along-grain [1], density at 12 % moisture [kg/m3];
    # US wood handbook FPL-GTR-190, tables 5-1 and 5-3 (ratios from memory), +10 % for shear in the bending test
    "sugar maple": (13.9e9, 0.065, 706.0),
    "yellow birch": (15.2e9, 0.050, 694.0),
    "mahogany": (11.3e9, 0.064, 504.0),
    "yellow-poplar": (12.0e9, 0.043, 470.0),
}


def crossed_plies(wood: str, *, share_round: float = 0.5) -> tuple[float, float]:
    """Modulus round the circumference [Pa] and density [kg/m3] of plies with ``share_round`` of the grain round it.

    Rule of mixtures E = share E_L + (1 - share) E_T; KeyError for an unknown wood, ValueError outside 0 to 1.
    """
    if not 0.0 <= share_round <= 1.0:
        raise ValueError("share_round must lie in 0 to 1")
    along, ratio, density = WOODS[wood]
    return along * (share_round + (1 - share_round) * ratio), density


def ring_frequency(shell: Shell) -> float:
    """Ring (breathing) frequency c_L / (2 pi a) [Hz], c_L = sqrt(E / (rho (1 - nu^2)))."""
    return sqrt(shell.modulus / (shell.density * (1 - shell.poisson**2))) / (2 * pi * shell.radius)


def ovalling_frequency(shell: Shell, lobes: int) -> float:
    """Frequency [Hz] of the free thin ring with ``lobes`` >= 2 waves round it, uniform along the axis.

    f = n (n^2 - 1) / (2 pi sqrt(n^2 + 1)) sqrt(E h^2 / (12 rho a^4)). Source: Hoppe 1871, Love, Theory of
    Elasticity, section 293. Half an octave of spread in practice: hoops stiffen it, lugs load it.
    """
    if lobes < 2:
        raise ValueError("a shell bends with two waves round it or more")
    n = float(lobes)
    shape = n * (n * n - 1) / sqrt(n * n + 1)
    stiffness = shell.modulus * shell.thickness**2 / (12 * shell.density * shell.radius**4)
    return shape * sqrt(stiffness) / (2 * pi)


def recoil_factor(head_mass: float, drum_mass: float) -> float:
    """Factor on the frequency of a free drum's axial modes, sqrt(1 + q mu), mu = moving mass over drum mass.

    A head that moves as (0,1) pulls the drum the other way with its momentum; for the free drum the moving mass
    counts q = 4/j^2 = 0.6917 of itself against the drum (mean square of the mode's mean over its mean square).
    Masses in kg; ``head_mass`` with the air that moves with it. A drum on spurs or a lap lies between 1 and this.
    """
    return sqrt(1.0 + 0.69166027612 * head_mass / drum_mass)
