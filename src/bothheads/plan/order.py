"""The order in which the rods of a head are turned: opposite rods in turn, a cross and then the next."""

from __future__ import annotations


def cross_order(rods: int, start: int = 1) -> tuple[int, ...]:
    """Rods 1..``rods`` in cross order from ``start``: each next rod lies (nearly) opposite the one before.

    Even counts go pair by pair over the half round in steps of two; odd counts step by half the count.
    """
    if rods % 2:
        steps = [i * (rods // 2) % rods for i in range(rods)]
    else:
        half = rods // 2
        pairs = [*range(0, half, 2), *range(1, half, 2)]
        steps = [rod for first in pairs for rod in (first, first + half)]
    return tuple((start - 1 + s) % rods + 1 for s in steps)
