"""A drum carried from one temperature to another: the film grows more than the rim that holds it, so it slackens.

What is modelled: the air (speed of sound, density), the film's thermal strain against that of the bearing edge, and how
far hoop and collar give way to it, which is how far they give way to the rods. What is not known is said in words by
``carried``: the drum's humidity, creep of a collar, and how long a shell takes to follow the air (a film follows within
seconds, a wood shell within hours).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from ..constants import FILM_DENSITY, FILM_EXPANSION, FILM_MODULUS, FILM_POISSON, TENSION_PER_TURN
from ..errors import InputError
from ..records import HEADS, Drum, HeadName
from .air import with_properties
from .hoop import slope_bound

Rim = Literal["wood", "steel", "rigid"]
RIM_EXPANSION: dict[str, float] = {  # 1/K round the bearing edge; handbook values
    "wood": 4.0e-6,  # along the grain 3-5e-6; a ply that runs up the shell would add to it
    "steel": 1.2e-5,
    "rigid": 0.0,  # the edge keeps its size: the upper bound
}
MOST_FELT = 0.9  # no mount is stiffer than this share of a rigid one
LOWEST_C, HIGHEST_C = -40.0, 60.0  # beyond, neither a drum nor the film's constants belong


def tension_slope(surface_density: float, *, rim: Rim = "wood", modulus: float = FILM_MODULUS) -> float:
    """Change of a head's tension with temperature [N/m per K], -E h (alpha_film - alpha_rim) / (1 - nu).

    Equal strain both ways in the plane of an isotropic film whose mount does not give way; h from the surface density
    [kg/m2]. With rim 'rigid' it is the upper bound, -33.4 N/m per K for 10 mil; ``share_felt`` of it is left on a drum.
    """
    thickness = surface_density / FILM_DENSITY
    return -modulus * thickness * (FILM_EXPANSION - RIM_EXPANSION[rim]) / (1.0 - FILM_POISSON)


def share_felt(surface_density: float, radius: float, *, per_turn: float = TENSION_PER_TURN) -> float:
    """Share [0-1] of the film's thermal strain that becomes tension: s / s_rigid, at most 0.9.

    Film that grows by a d(alpha) d(theta) at the rim is hoop that comes up by as much: tension changes by what a turn of
    every rod adds, ``per_turn`` = s [N/m], over what it would add if hoop and collar were rigid (``hoop.slope_bound``).
    ``surface_density`` [kg/m2], ``radius`` [m]. A 10 mil head of 22 in feels 4 %.
    """
    return min(per_turn / slope_bound(surface_density, radius), MOST_FELT)


def carried(drum: Drum, *, from_c: float, to_c: float, rim: Rim = "wood",
            per_turn: Mapping[HeadName, float] | None = None) -> tuple[Drum, tuple[str, ...]]:
    """The drum in air of ``to_c`` [C] after its tensions were set or read at ``from_c``; and sentences about it.

    ``per_turn`` is what a turn of every rod adds to each head [N/m], where the drum has taught it; else the middle of
    the usual range. With rim 'rigid' nothing gives way and the edge keeps its size: the upper bound. Tensions that are
    not known stay so. Humidity and pressure stay as the drum gives them (50 %, 1013 hPa otherwise).

    Raises
    ------
    InputError
        A temperature outside -40 to 60 C, a rim that is not listed, or a head that would hang without tension.
    """
    if rim not in RIM_EXPANSION:
        raise InputError(f"'{rim}' is not a rim: say wood, steel or rigid.")
    for value in (from_c, to_c):
        if not LOWEST_C <= value <= HIGHEST_C:
            raise InputError(f"{value:g} is not a temperature for a drum: give degrees Celsius between "
                             f"{LOWEST_C:g} and {HIGHEST_C:g}.")
    warmer = to_c - from_c
    moved = replace(drum, air=with_properties(replace(drum.air, temperature_c=to_c)))
    words = [f"carried from {from_c:g} to {to_c:g} C: sound in air {drum_air(moved)}"]
    for name in HEADS:
        if name == "resonant" and drum.resonant is None:
            continue
        head = drum.head(name)
        if head.tension is None:
            continue
        known = (per_turn or {}).get(name)
        share = 1.0 if rim == "rigid" else share_felt(head.surface_density, drum.radius, per_turn=known or TENSION_PER_TURN)
        tension = head.tension + warmer * share * tension_slope(head.surface_density, rim=rim)
        if tension <= 0.0:
            raise InputError(f"warmed by {warmer:g} K the {name} head would lose its {head.tension:.0f} N/m and hang "
                             "slack: a smaller step of temperature can be forecast.")
        moved = moved.with_head(name, tension=tension)
        words.append(f"{name} head {head.tension:.0f} -> {tension:.0f} N/m {_mount(rim, known)}")
    words.append("not known: humidity's pull on a wood shell, creep of a collar, and how long the shell takes to follow the air")
    return moved, tuple(words)


def _mount(rim: Rim, known: float | None) -> str:
    if rim == "rigid":
        return "if nothing gave way (rigid rim, the upper bound)"
    if known is None:
        return f"with a {rim} rim whose hoop and collar give way as usual ({TENSION_PER_TURN:.0f} N/m a turn, common practice)"
    return f"with a {rim} rim, hoop and collar giving way as this head's turns have taught ({known:.0f} N/m a turn)"


def drum_air(drum: Drum) -> str:
    """The drum's air in words."""
    return f"{drum.air.speed_of_sound:.1f} m/s, density {drum.air.density:.3f} kg/m3"
