"""Modes of a drum whose orders m are joined by an opening or by a thing that touches the film off its axis.

Heavy pads shift modes by more than their spacing, so starts come from the linear problem with all mass and loss in
it; the exact frequency-dependent air then enters by residual iteration, and by full Newton steps where that is slow.
"""

from __future__ import annotations

from math import ceil, pi

import numpy as np

from ..records import Drum
from .coupled import build, resolution
from .group import Group, reach
from .mixture import groups
from .mixture import join as join
from .system import DEFAULT, ModeSet, Options

ORDERS = 13  # m = 0..12: pads and openings need them for the film, whatever the strike
MOST_FILMS = 20


def solve_mixed(drum: Drum, fmax_hz: float, options: Options = DEFAULT) -> ModeSet:
    """All modes of ``drum`` up to ``fmax_hz`` [Hz], orders joined; ``order`` is -1 throughout."""
    films = min(max(resolution(drum, fmax_hz)[0], ceil(reach(drum, fmax_hz) / pi)) + 1, MOST_FILMS)
    wanted = Options(options.wall_loss, options.film_grid, options.films or films, options.orders or ORDERS)
    system = build(drum, fmax_hz, wanted)
    mixture = join(system)
    solved = [Group(system, mixture, members, fmax_hz).modes() for members in groups(mixture)]
    s = np.concatenate([x[0] for x in solved])
    vectors = np.concatenate([x[1] for x in solved])
    norms = np.concatenate([x[2] for x in solved])
    order = np.argsort(s.imag)
    return ModeSet(drum, system, s[order], np.full(len(s), -1), vectors[order], norms[order], mixture)
