"""Sweeps small enough for a test."""

from __future__ import annotations

from bothheads.records import Drum, Head
from bothheads.runs.spec import Spec, parse_spec

HEAD = Head(0.353, tension=600.0, resistance=3.0, stiffness_loss=2e-6)
BASS = Drum("bass", 0.5588, 0.4064, HEAD, Head(0.353, tension=500.0, resistance=3.0, stiffness_loss=2e-6))

SMALL = """
[drum]
file = "bass.toml"
[grid]
diameter_in = [20, 22]
[random]
count = 12
seed = 4
batter.tension = {from = 400, to = 1500, distribution = "log-uniform"}
resonant.tension = {from = 0.7, to = 1.4, times = "batter.tension"}
[strikes.centre]
x_radii = 0.05
[strikes.off]
x_radii = 0.3
[output]
partials = 4
"""

TINY = SMALL.replace("[20, 22]", "[22]").replace("[strikes.off]\nx_radii = 0.3\n", "")  # 12 points, one shape


def parsed(text: str, drum: Drum = BASS) -> Spec:
    """The spec of a text in which every drum file is ``drum``."""
    return parse_spec(text, drum_of=lambda ref: drum)
