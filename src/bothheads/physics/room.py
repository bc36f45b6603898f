"""The floor near a drum, and with it the room's first reflection: a mirror image.

The pressure at a place above a plane is the drum's own there plus ``reflection`` times the drum's own at the place
mirrored in the plane. Exact for a rigid plane as far as the drum itself does not notice its image: what the floor
does to the drum's own frequencies and decays (a lying drum radiates up to twice as much, so rings shorter) is left out,
and so is every later reflection.
"""

from __future__ import annotations

from dataclasses import replace

from ..records import Drum, Microphone


def mirrored(drum: Drum, places: tuple[Microphone, ...]) -> tuple[tuple[Microphone, ...], tuple[float, ...]]:
    """The places mirrored in the drum's floor, and the reflection heard at each; 0 where a place lies under it.

    Of the reference places only an upright drum's front lies there. ValueError when the drum has no floor.
    """
    if drum.floor is None:
        raise ValueError("this drum stands in the free field")
    if drum.floor.upright:
        plane = drum.depth + drum.floor.gap
        images = tuple(replace(p, z=2 * plane - p.z) for p in places)
        above = (p.z <= plane for p in places)
    else:
        plane = -(drum.radius + drum.floor.gap)
        images = tuple(replace(p, y=2 * plane - p.y) for p in places)
        above = (p.y >= plane for p in places)
    return images, tuple(drum.floor.reflection if ok else 0.0 for ok in above)
