"""Resonances of the duct that lie close together: the linear reading of such a band fails and is taken in parts."""

from __future__ import annotations

import numpy as np

from bothheads.physics.coupled import solve
from bothheads.records import Drum, Head, Opening

FILM = Head(0.353, 10, tension=900.0)
DRUM = Drum("24 x 18", 0.6096, 0.4572, FILM, Head(0.353, 10, tension=700.0))
HIGHEST = 400.0  # past 330 Hz (across) and 375 Hz (along), which are less than 15 % apart


def test_an_opened_drum_is_solved_past_two_close_resonances() -> None:
    """A pinhole changes nothing: every mode of the closed drum is found again to 0.5 %, pairs as pairs."""
    closed = solve(DRUM, fmax_hz=HIGHEST)
    pinhole = solve(DRUM.with_head("resonant", opening=Opening(0.004, 0.1, 0.02)), fmax_hz=HIGHEST)
    expected = np.sort(np.repeat(closed.frequency_hz, np.where(closed.order > 0, 2, 1)))
    found = np.sort(pinhole.frequency_hz[pinhole.frequency_hz > 10.0])  # below: the air that leaks
    assert len(found) == len(expected)
    nearest = np.abs(found[:, None] / expected[None] - 1.0)
    assert nearest.min(0).max() < 0.005
    assert nearest.min(1).max() < 0.005
