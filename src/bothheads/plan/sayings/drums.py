"""The drums on which sayings are tested: a declared, seeded set, the same for every saying.

Sizes, films, relation of the heads, losses and strike are drawn independently; each drum's note is drawn within what
common practice takes for the range of its size, and a drum whose films would lie below their creases or above their
working stress is drawn again. Losses are prior draws: nobody measured them, so a saying that hangs on them shows it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from typing import Literal

import numpy as np

from ... import units
from ...constants import ASSUMED_RESISTANCE, ASSUMED_RESISTANCE_FACTOR
from ...records import Air, Drum, Head, Strike
from ..kit import good_range
from ..safety import film_bounds
from .model import Model

Use = Literal["bass", "tom"]
SEED = 20
BASSES, TOMS = 32, 16
DIAMETERS: dict[str, tuple[float, ...]] = {"bass": (18, 20, 22, 24, 26), "tom": (10, 12, 13, 14, 16)}
DEPTHS: dict[str, tuple[float, ...]] = {"bass": (12, 14, 16, 18), "tom": (8, 9, 10, 12, 14, 16)}
BATTER_MIL: dict[str, tuple[float, ...]] = {"bass": (10, 12, 14), "tom": (7, 10, 14)}
RESONANT_MIL: dict[str, tuple[float, ...]] = {"bass": (7, 10), "tom": (7, 10)}
RATIO_SD = 0.35  # of ln (resonant over batter tension per film mass), cut at a factor of two
OFF_CENTRE_M = 0.05  # strikes up to this far from the middle
DECLARED = (
    f"bass drums {DIAMETERS['bass'][0]:g} to {DIAMETERS['bass'][-1]:g} in by {DEPTHS['bass'][0]:g} to {DEPTHS['bass'][-1]:g} in "
    f"and toms {DIAMETERS['tom'][0]:g} to {DIAMETERS['tom'][-1]:g} in by {DEPTHS['tom'][0]:g} to {DEPTHS['tom'][-1]:g} in "
    "(never deeper than wide), single-ply films of 7 to 14 mil, notes within the range of their size (common practice), the "
    f"resonant head half to twice as tight per film mass as the batter, losses about {ASSUMED_RESISTANCE:g} N s/m3 within a factor "
    f"of {ASSUMED_RESISTANCE_FACTOR:g} (one standard deviation; a prior, not measured), struck up to {100 * OFF_CENTRE_M:g} cm off "
    "centre, unmuffled, closed, in the free field unless the saying says otherwise"
)


@dataclass(frozen=True)
class Specimen:
    """One drum of the set; ``half`` 0 finds conditions, ``half`` 1 confirms them."""

    drum: Drum
    use: Use
    half: int
    note_hz: float

    @property
    def features(self) -> dict[str, float]:
        """What a condition may be about, see ``rule.FEATURES``."""
        d = self.drum
        known = (d.batter.tension or 0.0) / d.batter.surface_density
        other = 0.0 if d.resonant is None else (d.resonant.tension or 0.0) / d.resonant.surface_density
        return {
            "diameter_in": units.inches_from_metres(d.diameter), "depth_in": units.inches_from_metres(d.depth),
            "shape": d.depth / d.diameter, "note_hz": self.note_hz, "tension": d.batter.tension or 0.0,
            "relation": other / known, "film_mil": units.mil_from_surface_density(d.batter.surface_density),
            "loss": (d.batter.resistance_used + (d.resonant or d.batter).resistance_used) / 2,
            "bass": 1.0 if self.use == "bass" else 0.0,
        }


def drum_set(model: Model, *, seed: int = SEED, basses: int = BASSES, toms: int = TOMS, air: Air | None = None
             ) -> tuple[Specimen, ...]:
    """The set; the same seed and counts give the same drums. ``air`` is for asking what another air would change."""
    rng = np.random.default_rng(seed)
    out = []
    uses: tuple[tuple[Use, int], ...] = (("bass", basses), ("tom", toms))
    for use, count in uses:
        for i in range(count):
            drum, note = _drawn(model, rng, use, f"{use} {i + 1}", air or Air())
            out.append(Specimen(drum, use, i % 2, note))
    return tuple(out)


def _drawn(model: Model, rng: np.random.Generator, use: Use, name: str, air: Air) -> tuple[Drum, float]:
    for _ in range(200):
        diameter = float(rng.choice(DIAMETERS[use]))
        depth = float(rng.choice([d for d in DEPTHS[use] if d <= diameter]))
        heads = [Head(units.surface_density_from_mil(float(rng.choice(films[use]))), 8, tension=600.0, resistance=_loss(rng))
                 for films in (BATTER_MIL, RESONANT_MIL)]
        ratio = exp(float(np.clip(rng.normal(0.0, RATIO_SD), -log(2.0), log(2.0))))
        strike = Strike(x=float(rng.uniform(0.0, OFF_CENTRE_M)))
        low, high = good_range(units.metres_from_inches(diameter), use)
        hertz = exp(float(rng.uniform(log(low), log(high))))
        bare = Drum(f"{name}: {diameter:g} x {depth:g} in", units.metres_from_inches(diameter), units.metres_from_inches(depth),
                    heads[0], heads[1], strike=strike, air=air)
        drum = model.at_note(bare, hertz, ratio=ratio)
        if drum is not None and all(_in_bounds(h) for h in (drum.batter, drum.resonant) if h is not None):
            return drum, hertz
    raise ValueError("no drum of the declared set stays within its films")


def _loss(rng: np.random.Generator) -> float:
    return ASSUMED_RESISTANCE * exp(float(np.clip(rng.normal(), -2.0, 2.0)) * log(ASSUMED_RESISTANCE_FACTOR))


def _in_bounds(head: Head) -> bool:
    low, high = film_bounds(head.surface_density)
    return low <= (head.tension or 0.0) <= high
