"""The floor near a drum, and with it the room's first reflection: a mirror image.

The pressure at a place above a plane is the drum's own there plus ``reflection`` times the drum's own at the place
mirrored in the plane. Exact for a rigid plane as far as the drum itself does not notice its image: what the floor
does to the drum's own frequencies and decays (a lying drum radiates up to twice as much, so rings shorter) is left out,
and so is every later reflection.
"""

from __future__ import annotations

from dataclasses import replace

from ..records import Drum, Microphone


def mirrored(drum: Drum, places: tuple[Microphone, ...]) -> tuple[Microphone, ...]:
    """The places mirrored in the drum's floor; ValueError when the drum has none or a place lies under it."""
    if drum.floor is None:
        raise ValueError("this drum stands in the free field")
    if drum.floor.upright:
        plane = drum.depth + drum.floor.gap
        if any(p.z > plane for p in places):
            raise ValueError("a microphone lies under the floor")
        return tuple(replace(p, z=2 * plane - p.z) for p in places)
    plane = -(drum.radius + drum.floor.gap)
    if any(p.y < plane for p in places):
        raise ValueError("a microphone lies under the floor")
    return tuple(replace(p, y=2 * plane - p.y) for p in places)
