"""Maps over diameter and depth, and their object."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal

from .. import __version__, wire
from ..errors import InputError
from ..units import note_frequency

if TYPE_CHECKING:
    from ..plan.maps import Maps


def maps(*, use: Literal["bass", "tom"] = "bass", note: str | None = None, tension: float | None = None, film_mil: float = 10.0,
         diameters_in: str | None = None, depths_in: str | None = None, progress: Callable[[int, int], None] | None = None) -> Maps:
    """Figures over sizes at one note (``50Hz``, ``G1``) or one tension [N/m]; see ``plan.maps.maps``. Sizes are
    written in inches with commas.

    Raises
    ------
    InputError
        Neither or both, or values that no drum has.
    """
    from ..plan.maps import maps as over_sizes

    if note is not None and tension is not None:
        raise InputError("maps are drawn at one note or at one tension: give --note or --tension, not both.")
    return over_sizes(use=use, note_hz=None if note is None else note_frequency(note), tension=tension, film_mil=film_mil,
                      diameters_in=_inches("--diameters", diameters_in), depths_in=_inches("--depths", depths_in),
                      progress=progress)


def _inches(option: str, text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        found = sorted({float(part) for part in text.split(",")})
    except ValueError:
        raise InputError(f"'{text}' is no list of sizes: write {option} 18,20,22 in inches.") from None
    if not all(4.0 <= v <= 48.0 for v in found):
        raise InputError(f"{option} must lie from 4 to 48 inches.")
    return tuple(found)


def maps_json(found: Maps) -> dict[str, Any]:
    """``bothheads.maps/1``: ``values`` by name, rows = depths, columns = diameters; null out of reach."""
    from ..plan.maps import UNITS

    cleaned: dict[str, Any] = wire.clean({
        "schema": "bothheads.maps/1", "version": __version__, "use": found.use, "fixed": found.fixed, "value": found.value,
        "film_mil": found.film_mil, "diameters_in": found.diameters_in, "depths_in": found.depths_in,
        "units": {name: UNITS[name] for name in found.values},
        "values": {name: grid.tolist() for name, grid in found.values.items()},
        "slack": found.slack.tolist(), "tight": found.tight.tolist(),
    })
    return cleaned
