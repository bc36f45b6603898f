"""The eight reference drums (3-D wave equation, see data/SOURCES.md) and how the model is compared with them.

Counted are levels within 25 dB of a partial's loudest of seat, front, side, top and within 40 dB of the drum's
loudest partial; of m >= 4, and of pairs that the square grid splits, the frequency only.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from math import pi
from pathlib import Path
from typing import Any

import numpy as np

from bothheads.physics.coupled import solve
from bothheads.physics.response import pressures
from bothheads.physics.system import ModeSet, Options
from bothheads.records import Drum, Head, Microphone, Muffling, Opening, Strike, reference_places

DATA = json.loads((Path(__file__).parent / "data/reference/drums.json").read_text(encoding="utf-8"))
PLAIN = ("bass24x14-equal", "bass22x18", "tom14x14", "bass26x14", "bass24x14-rings")
PLACES = ("seat", "front", "side", "top")


@dataclass(frozen=True)
class Row:
    """One reference partial beside the model's: ``levels`` are model minus reference [dB], None = does not count."""

    reference_hz: float
    reference_decay_s: float
    hz: float
    decay_s: float
    m: int
    decay_counts: bool
    levels: dict[str, float | None]

    @property
    def percent(self) -> float:
        return 100.0 * (self.hz / self.reference_hz - 1.0)

    @property
    def cents(self) -> float:
        return float(1200.0 * np.log2(self.reference_hz / self.hz))

    @property
    def decay_percent(self) -> float:
        return 100.0 * (self.decay_s / self.reference_decay_s - 1.0)


def drum(name: str) -> Drum:
    d = DATA[name]
    hole = Opening(2 * d["opening_radius_m"], d["opening_x_m"]) if "opening_radius_m" in d else None
    heads = [
        Head(d[f"{h}_surface_density"], tension=d[f"{h}_tension"], resistance=d[f"{h}_resistance"],
             stiffness_loss=d["stiffness_loss_s"], opening=hole if h == "resonant" else None)
        for h in ("batter", "resonant")
    ]
    strike = Strike(d["strike_x_m"], d["strike_y_m"], d["strike_peak_N"], d["strike_s"], d["strike_radius_sd_m"])
    return Drum(name, 2 * d["radius_m"], d["depth_m"], heads[0], heads[1], _muffling(d), strike)


def _muffling(d: dict[str, Any]) -> tuple[Muffling, ...]:
    if "pad_mass_kg" in d:
        both = ("batter", "resonant") if d["pad_on_both_heads"] else ("batter",)
        return (Muffling("pad", both, 0.0, d["pad_y_m"], radius=d["pad_radius_m"], mass=d["pad_mass_kg"],
                         resistance=d["pad_resistance"]),)
    if "ring_width_m" in d:
        a = d["radius_m"]
        mass = d["muffler_surface_density"] * pi * (a**2 - (a - d["ring_width_m"]) ** 2)
        return (Muffling("ring", ("batter", "resonant"), width=d["ring_width_m"], mass=mass,
                         resistance=d["muffler_resistance"]),)
    return ()


def places(name: str) -> list[Microphone]:
    """The four reference places, in front of the opening's plane, and near the batter."""
    depth = DATA[name]["depth_m"]
    return [*reference_places(depth), Microphone("at_opening", DATA[name].get("opening_x_m", 0.0), 0.0, depth + 0.05),
            Microphone("near_batter", 0.0, 0.0, -0.5)]


@lru_cache(maxsize=32)
def rows(name: str, with_grid: bool, highest_hz: float = 280.0) -> tuple[Row, ...]:
    """Every reference partial that counts, beside its mode; ``with_grid`` puts the reference's film grid in."""
    options = Options(film_grid=DATA[name]["grid_m"] if with_grid else None)
    modes = solve(drum(name), fmax_hz=1.3 * highest_hz, options=options)
    spots = places(name)
    level = 20 * np.log10(np.abs(pressures(modes, modes.drum.strike, spots)) / 20e-6 + 1e-30)
    partials = DATA[name]["partials"]
    names = [p.name for p in spots]
    loudest = max(p["level_db"][x] for p in partials for x in PLACES)
    found = []
    for p in partials:
        here = np.array([p["level_db"][x] for x in names])
        counts = (here > here[:4].max() - 25) & (here > loudest - 40)
        if p["frequency_hz"] < highest_hz and counts[:4].any():
            j = partner(modes, level[:, :4], p["frequency_hz"], p["decay_s"], here[:4])
            found.append((p, j, here, counts))
    return tuple(
        _row(modes, level, p, j, here, counts, names, sum(other == j for _, other, _, _ in found) > 1)
        for p, j, here, counts in found
    )


def partner(modes: ModeSet, level: np.ndarray, hz: float, decay: float, here: np.ndarray) -> int:
    """The mode nearest in complex frequency, pattern over the places and loudness.

    Grid noise lends a pattern to modes that have none (m = 8 seen as m = 0): more than 1 % off, frequency decides.
    """
    s = -1 / decay + 2j * pi * hz
    a, b = 10 ** (level / 20), 10 ** (here / 20)
    cosine = (a @ b) / np.linalg.norm(a, axis=1) / np.linalg.norm(b)
    loud = np.abs(np.log(np.linalg.norm(a, axis=1) / np.linalg.norm(b)))
    off = np.abs(modes.s - s) / abs(s)
    best = int(np.argmin(off + 0.03 * (1 - cosine) + 0.006 * loud))
    return best if off[best] < 0.01 or modes.order[best] < 0 else int(np.argmin(off))


def _row(modes, level, p, j, here, counts, names, twice) -> Row:  # type: ignore[no-untyped-def]
    m = int(modes.order[j])
    full = m < 4 and not twice
    levels = {x: float(level[j, i] - here[i]) if full and counts[i] else None for i, x in enumerate(names)}
    return Row(p["frequency_hz"], p["decay_s"], float(modes.frequency_hz[j]), float(modes.decay_s[j]), m, full, levels)


def rms(values: Any) -> float:
    return float(np.sqrt(np.mean(np.square(list(values)))))
