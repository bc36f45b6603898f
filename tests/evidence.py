"""One helper for every expected number, and its canary.

Each expectation carries its kind. ``snapshot`` proves nothing and is counted as such.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

Kind = Literal["published", "closed form", "independent code", "measured recording", "common practice", "snapshot"]

_perturb = 0.0  # the canary adds this many tolerances to every expectation
_seen: list[bool] = []


def assert_published(
    got: float, expected: float, tol: float, *, source: str, kind: Kind = "published", relative: bool = False
) -> None:
    """Assert |got - expected| <= tol (times |expected| when ``relative``); ``source`` says where it stands."""
    if not source.strip():
        raise ValueError("say where the number comes from")
    if tol <= 0 or not math.isfinite(tol):
        raise ValueError("a tolerance must be positive and finite")
    width = tol * abs(expected) if relative else tol
    want = expected + _perturb * width
    ok = math.isfinite(got) and abs(got - want) <= width
    if _perturb:
        _seen.append(ok)
        return
    assert ok, f"{kind}: got {got!r}, expected {expected!r} +- {width:.3g} ({source})"


@contextmanager
def canary(tolerances: float = 10.0) -> Iterator[list[bool]]:
    """Within, every expectation is off by ``tolerances`` tolerances; yields the list of what still passed."""
    global _perturb
    _seen.clear()
    _perturb = tolerances
    try:
        yield _seen
    finally:
        _perturb = 0.0


def assert_canary(check: object, *args: object) -> None:
    """Run ``check(*args)`` with every expectation perturbed both ways; each one must then fail."""
    for side in (10.0, -10.0):
        with canary(side) as seen:
            check(*args)  # type: ignore[operator]
            assert seen, "the check compares nothing"
            assert not any(seen), f"{sum(seen)} of {len(seen)} expectations pass although off by {side:g} tolerances"
