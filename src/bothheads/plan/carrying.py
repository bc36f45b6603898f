"""What a drum weighs and how large it is packed: estimates from its size, common practice without a source.

Weight: a ply shell, two hoops, the hardware of every rod, both heads with their own rings, and what the drum stands or hangs
on. Packed: round, in a padded bag, hoops and lugs included. Makers differ; the spread is one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from math import pi

from ..constants import INCH
from ..records import Drum

PLY_DENSITY = 680.0  # kg/m3, birch and maple ply
SHELL_M = {"bass": 0.007, "tom": 0.006}  # thickness of six plies or so
WOOD_HOOP = (0.012, 0.038, 700.0)  # m, m, kg/m3: bass drums
STEEL_HOOP = 0.80  # kg per metre of rim: pressed 2.3 mm
ROD_KG = {"bass": 0.20, "tom": 0.10}  # one rod with claw or washer, and half a lug where lugs are shared
FLESH_HOOP = 0.13  # kg per metre, a head's own ring
STANDS_KG = {"bass": 1.1, "tom": 0.45, "floor tom": 1.6}  # spurs; a mount; three legs with brackets
WEIGHT_SD = 0.15  # of the estimate
BESIDE_M = {"bass": 0.045, "tom": 0.04}  # hoops, claws and lugs beyond the shell, on either side
BEYOND_M = {"bass": 0.030, "tom": 0.022}  # hoops beyond the shell, at either end
SPURS_M = 0.05  # folded spurs, once
BAG_M = 0.015  # padding, on every side
PACKED_SD_M = 0.02
FLOOR_TOM_M = 14.5 * INCH


@dataclass(frozen=True)
class Carried:
    """Weight [kg] and packed size [m]: ``across`` x ``high`` is the round side, ``long`` along the axis."""

    weight_kg: float
    weight_sd_kg: float
    across: float
    high: float
    long: float
    sd: float = PACKED_SD_M


def carried(drum: Drum, use: str) -> Carried:
    """Estimates for a drum used as 'bass' or 'tom'."""
    rim, kind = pi * drum.diameter, "bass" if use == "bass" else "tom"
    heads = [h for h in (drum.batter, drum.resonant) if h is not None]
    shell = rim * drum.depth * SHELL_M[kind] * PLY_DENSITY
    hoop = rim * (WOOD_HOOP[0] * WOOD_HOOP[1] * WOOD_HOOP[2] if kind == "bass" else STEEL_HOOP)
    film = sum(pi * drum.radius**2 * h.surface_density + FLESH_HOOP * rim for h in heads)
    stands = STANDS_KG["floor tom" if kind == "tom" and drum.diameter > FLOOR_TOM_M else kind]
    laid = sum(item.mass * len(item.heads) for item in drum.muffling)
    weight = shell + len(heads) * hoop + sum(h.rods for h in heads) * ROD_KG[kind] + film + stands + laid
    across = drum.diameter + 2.0 * (BESIDE_M[kind] + BAG_M)
    return Carried(weight, WEIGHT_SD * weight, across + (SPURS_M if kind == "bass" else 0.0), across,
                   drum.depth + 2.0 * (BEYOND_M[kind] + BAG_M))


def fits(carried: Carried, boot: tuple[float, float, float]) -> bool:
    """Whether the packed drum goes into a boot [m], standing or lying, square to its sides."""
    return shortfall_m(carried, boot) <= 1e-9


def shortfall_m(carried: Carried, boot: tuple[float, float, float]) -> float:
    """By how much [m] the tightest side is too small in the best of the six ways of laying it."""
    sides = (carried.across, carried.high, carried.long)
    return min(max(s - b for s, b in zip(way, boot, strict=True)) for way in permutations(sides))
