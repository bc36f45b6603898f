"""What is not known about a take: where the microphones stood, where the head was struck, what floor lay below.

A reading's levels are judged against many drawn scenes instead of one. A floor is exact as an image: the pressure
of the real drum at the microphone mirrored in the floor. Draws have a fixed seed: the same drum, the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from ..constants import INCH, ONSET_TO_LEVEL
from ..physics.batch import BatchDrum, BatchModes
from ..physics.batch_levels import BatchPlaces, loudness
from ..records import Drum, Microphone, Strike

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

SCENES = 20
PLACE_M = 0.10  # microphones stand within this of where they are said to be, each axis
STRIKE_M = 0.03  # strikes land within this of where they are meant
REFLECTION = (0.4, 0.95)  # of the floor, where there is one
FLOOR_GAP_M = (0.02, 0.5)  # floor below a lying drum
STANDING_GAP_M = (0.7, 1.3)  # floor below a standing one
STANDING_BELOW = 18 * INCH  # drums smaller than this may stand on end
SOMEWHERE_M = (0.15, 2.0)  # distance of a microphone nobody placed from the drum's surface
CLEAR_M = 0.03  # no microphone nearer to the drum than this


@dataclass(frozen=True, eq=False)
class Scenes:
    """Drawn scenes: K of them, C channels.

    ``points`` (K C + images, 3) [m]: microphone c of scene k at row k C + c, then the images of the scenes
    ``floored`` in their order; ``hits`` (K, 2) [m]; ``reflection`` (K,).
    """

    points: Array
    hits: Array
    reflection: Array
    channels: int

    @property
    def count(self) -> int:
        """Number of scenes."""
        return len(self.hits)

    @property
    def floored(self) -> NDArray[np.int_]:
        """Scenes with a floor."""
        return np.flatnonzero(self.reflection > 0)

    @property
    def scene_of(self) -> NDArray[np.int_]:
        """Scene of every point."""
        c = self.channels
        return np.concatenate([np.repeat(np.arange(self.count), c), np.repeat(self.floored, c)])

    def mixed(self, amplitudes: Complex, count: int) -> Complex:
        """Amplitudes (..., points) of the first ``count`` scenes and their images as heard, (..., count, C)."""
        c = self.channels
        out = amplitudes[..., : count * c].reshape(*amplitudes.shape[:-1], count, c).copy()
        for i, k in enumerate(self.floored[self.floored < count]):
            out[..., k, :] += self.reflection[k] * amplitudes[..., (count + i) * c: (count + i + 1) * c]
        return out

    def strikes(self, strike: Strike) -> list[Strike]:
        """The drum's strike at every scene's spot."""
        return [replace(strike, x=float(x), y=float(y)) for x, y in self.hits]


def draw(
    drum: Drum, places: Sequence[Microphone | None], *, count: int = SCENES, seed: int = 1, place_m: float = PLACE_M,
    strike_m: float = STRIKE_M, floors: bool = True,
) -> Scenes:
    """Scenes about the said places; None stands for a microphone that may be anywhere round the drum."""
    rng = np.random.default_rng(seed)
    channels = len(places)
    points = np.empty((count, channels, 3))
    for c, place in enumerate(places):
        if place is None:
            points[:, c] = _somewhere(rng, drum, count)
        else:
            points[:, c] = np.array([place.x, place.y, place.z]) + rng.uniform(-place_m, place_m, (count, 3))
    points = _outside(drum, points.reshape(-1, 3)).reshape(points.shape)
    hits = np.array([drum.strike.x, drum.strike.y]) + rng.uniform(-strike_m, strike_m, (count, 2))
    far = np.hypot(hits[:, 0], hits[:, 1]) / (0.95 * drum.radius)
    hits /= np.maximum(far, 1.0)[:, None]
    reflection = np.where(rng.random(count) < 0.5, rng.uniform(*REFLECTION, count), 0.0) * floors
    lying, standing = rng.uniform(*FLOOR_GAP_M, count), rng.uniform(*STANDING_GAP_M, count)
    on_end = (rng.random(count) < 0.5) & (drum.diameter < STANDING_BELOW)
    image = points.copy()
    image[..., 1] = np.where(on_end[:, None], points[..., 1], -2 * (drum.radius + lying)[:, None] - points[..., 1])
    image[..., 2] = np.where(on_end[:, None], 2 * (drum.depth + standing)[:, None] - points[..., 2], points[..., 2])
    mirrored = _outside(drum, image[reflection > 0].reshape(-1, 3))
    return Scenes(np.concatenate([points.reshape(-1, 3), mirrored]), hits, reflection, channels)


def _somewhere(rng: np.random.Generator, drum: Drum, count: int) -> Array:
    """Points in any direction from the drum, at a distance from its surface even in its logarithm."""
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    across, along = np.hypot(direction[:, 0], direction[:, 1]), np.abs(direction[:, 2])
    surface = np.minimum(drum.radius / np.maximum(across, 1e-9), drum.depth / 2 / np.maximum(along, 1e-9))
    low, high = np.log(SOMEWHERE_M)
    out = direction * (surface + np.exp(rng.uniform(low, high, count)))[:, None]
    return np.asarray(out + np.array([0.0, 0.0, drum.depth / 2]))


def _outside(drum: Drum, points: Array) -> Array:
    """Points with those in or on the drum moved off its nearer end or its shell."""
    out = points.copy()
    for p in out:
        beyond_end, beyond_shell = abs(p[2] - drum.depth / 2) - drum.depth / 2, hypot(p[0], p[1]) - drum.radius
        if beyond_end >= CLEAR_M or beyond_shell >= CLEAR_M:
            continue
        if beyond_end >= beyond_shell:
            p[2] = drum.depth + CLEAR_M if p[2] > drum.depth / 2 else -CLEAR_M
        else:
            p[:2] *= (drum.radius + CLEAR_M) / max(hypot(p[0], p[1]), 1e-9)
    return out


class Hearing:
    """Levels of a batch of states in every scene and channel."""

    def __init__(self, drum: Drum, batch: BatchDrum, scenes: Scenes, travel: Array, table: Array) -> None:
        self.scenes, self.batch = scenes, batch
        self.places = BatchPlaces(drum, batch, scenes.points, travel=travel, table=table,
                                  strikes=scenes.strikes(drum.strike), strike_of=scenes.scene_of)
        self.wait_s = ONSET_TO_LEVEL - drum.strike.duration

    def levels(self, modes: BatchModes, *, scenes: int | None = None) -> Array:
        """dB up to a constant, (B, J, K, C), of the first ``scenes`` scenes."""
        sc = self.scenes
        k, c, total = scenes or sc.count, sc.channels, sc.count * sc.channels
        images = [total + i * c + np.arange(c) for i in range(int((sc.floored < k).sum()))]
        chosen = np.concatenate([np.arange(k * c), *images]).astype(int)
        a = self.places.amplitudes(modes, chosen, wait_s=self.wait_s)
        return loudness(sc.mixed(a, k), modes.frequency_hz, self.batch.order)
