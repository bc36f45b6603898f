"""The parts of a drum file: head, opening, muffling, strike, microphone, air, floor, each checked by name."""

from __future__ import annotations

import math
from typing import Literal, cast

from .. import units
from ..constants import ASSUMED_FILM_MIL
from ..errors import DrumFileError
from ..records import HEADS, Air, Floor, Head, HeadName, Microphone, Muffling, Opening, Strike
from .table import Table


def head_of(table: Table, which: HeadName, diameter: float, warnings: list[str]) -> Head | None:
    if table.flag("absent"):
        return None
    film_mil = table.number("film_mil")
    density = table.number("surface_density")
    if film_mil is not None and density is not None:
        raise DrumFileError(f"{which} has both film_mil and surface_density: keep one of them.")
    if film_mil is not None:
        density = units.surface_density_from_mil(film_mil)
    if density is None:
        density = units.surface_density_from_mil(ASSUMED_FILM_MIL)
        warnings.append(f"film of the {which} head assumed {ASSUMED_FILM_MIL:g} mil")
    head = Head(
        surface_density=density,
        rods=table.whole("rods", 3, 24) or 8,
        first_rod_deg=table.number("first_rod_deg") or 0.0,
        tension=table.number("tension"),
        resistance=table.number("resistance"),
        stiffness_loss=table.number("stiffness_loss"),
        plies=table.whole("plies", 1, 3) or 1,
        opening=opening_of(table, which, diameter),
    )
    table.finish()
    return head


def opening_of(table: Table, which: HeadName, diameter: float) -> Opening | None:
    reach = diameter / 2
    size = table.length("opening_diameter", 0.005, diameter)
    x = table.length("opening_x", -reach, reach)
    offset = table.length("opening_offset", -reach, reach)
    y = table.length("opening_y", -reach, reach)
    if size is None:
        if x is not None or y is not None or offset is not None:
            raise DrumFileError(f"{which}.opening_diameter_in is missing: an opening needs its diameter.")
        return None
    if which == "batter":
        raise DrumFileError("batter.opening_diameter_in: only the resonant head may have an opening.")
    if x is not None and offset is not None:
        raise DrumFileError("resonant.opening_offset means opening_x: keep one of them.")
    x = x if x is not None else offset or 0.0
    y = y or 0.0
    if size > diameter / 2:
        raise DrumFileError(
            "resonant.opening_diameter_in is more than half the head: "
            f"up to {diameter / 2 / 0.0254:.1f} in is modelled."
        )
    if math.hypot(x, y) + size / 2 > 0.99 * reach:
        raise DrumFileError("resonant.opening reaches over the edge: move it in or make it smaller.")
    return Opening(size, x, y)


def muffling_of(table: Table, diameter: float, has_resonant: bool) -> Muffling:
    reach = diameter / 2
    kind = table.text("kind")
    if kind not in ("pad", "patch", "strip", "ring", "filling"):
        raise DrumFileError(f"{table.name('kind')} must be pad, patch, strip, ring or filling.")
    heads = table.get("heads") or ["batter"]
    if not isinstance(heads, list) or not heads or any(h not in HEADS for h in heads):
        raise DrumFileError(f"{table.name('heads')} must be a list of batter and resonant.")
    if "resonant" in heads and not has_resonant:
        raise DrumFileError(f"{table.name('heads')} names the resonant head, but this drum has none.")
    item = Muffling(
        kind=cast(Literal["pad", "patch", "strip", "ring", "filling"], kind),
        heads=tuple(dict.fromkeys(cast(list[HeadName], heads))),
        x=table.length("x", -reach, reach) or 0.0,
        y=table.length("y", -reach, reach) or 0.0,
        radius=table.length("radius", 0.005, reach),
        width=table.length("width", 0.002, reach),
        mass=table.number("mass_kg") or 0.0,
        resistance=table.number("resistance") or 0.0,
        stiffness=table.number("stiffness") or 0.0,
    )
    table.finish()
    if kind in ("pad", "patch"):
        if item.radius is None:
            raise DrumFileError(f"{table.name('radius_m')} is missing: a {kind} needs its radius.")
        if math.hypot(item.x, item.y) + item.radius > reach * 1.0001:
            raise DrumFileError(f"{table.where} reaches over the edge: move it in or make it smaller.")
    if kind in ("strip", "ring") and item.width is None:
        raise DrumFileError(f"{table.name('width_m')} is missing: a {kind} needs its width.")
    if kind == "strip" and item.width is not None and abs(item.y) + item.width / 2 > reach:
        raise DrumFileError(f"{table.where} reaches over the edge: move it in or make it narrower.")
    return item


def strike_of(table: Table | None, diameter: float) -> Strike:
    if table is None:
        return Strike(x=min(0.03, diameter / 8))
    reach = diameter / 2
    base = Strike(x=min(0.03, diameter / 8))
    x = table.length("x", -reach, reach)
    y = table.length("y", -reach, reach)
    strike = Strike(
        x=base.x if x is None else x,
        y=0.0 if y is None else y,
        force=table.number("force_n") or base.force,
        duration=table.number("duration_s") or base.duration,
        radius_sd=table.length("radius_sd", 0.001, reach) or base.radius_sd,
    )
    table.finish()
    if math.hypot(strike.x, strike.y) >= reach:
        raise DrumFileError("strike lies outside the batter head: give x and y from its centre.")
    return strike


def microphone_of(table: Table) -> Microphone:
    name = table.text("name")
    values = [table.length(axis, -50.0, 50.0) for axis in "xyz"]
    if name is None or any(value is None for value in values):
        raise DrumFileError(f"{table.where} needs a name and x_m, y_m and z_m.")
    table.finish()
    x, y, z = cast(list[float], values)
    return Microphone(name, x, y, z)


def air_of(table: Table | None) -> Air:
    if table is None:
        return Air()
    base = Air()
    air = Air(
        speed_of_sound=table.number("speed_of_sound") or base.speed_of_sound,
        density=table.number("density") or base.density,
        temperature_c=table.number("temperature_c"),
        humidity_percent=table.number("humidity_percent"),
        pressure_hpa=table.number("pressure_hpa"),
    )
    table.finish()
    return air


def floor_of(table: Table | None) -> Floor | None:
    if table is None:
        return None
    gap = table.length("gap", 0.0, 10.0)
    if gap is None:
        raise DrumFileError("floor.gap_m is missing: give the distance from the drum's nearest point to the floor.")
    reflection = table.number("reflection", (0.0, 1.0, "(1 = rigid)"))
    floor = Floor(gap, 0.9 if reflection is None else reflection, table.flag("upright"))
    table.finish()
    return floor
