"""The points of a sweep, in the order in which they are worked out: designs of one shape next to each other.

Point number = design number x strikes + strike; design number = (drum x grid point) x count + draw. The numbers and the
cut into chunks depend on the sweep alone, never on how many processes work on it, so that a run can be taken up again
anywhere and ends in the same rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..physics.coupled import is_mixed
from .axes import Value
from .spec import Spec, own_value

Index = NDArray[np.int64]

PLAIN_CHUNK, MIXED_CHUNK = 512, 32  # designs: a few seconds of work either way
FEWEST_CHUNKS = 16  # a small sweep still keeps several processes busy
_FILM_KEYS = ("tension", "surface_density", "film_mil", "resistance", "stiffness_loss", "rods", "first_rod_deg", "plies")


@dataclass(frozen=True)
class Chunk:
    """Designs worked out together: their numbers, drums, and what each sets of the drum file."""

    number: int
    designs: tuple[int, ...]
    bases: tuple[int, ...]
    sets: dict[str, list[Value]]  # key -> one value a design

    def __len__(self) -> int:
        return len(self.designs)

    def changes(self, index: int) -> dict[str, Value]:
        """What one design of the chunk sets."""
        return {key: values[index] for key, values in self.sets.items()}


class Design:
    """All designs of a ``Spec``; holds one number a design and drawn key."""

    def __init__(self, spec: Spec) -> None:
        self.spec = spec
        self.sizes = [len(values) for _, values in spec.grid]
        self.cells = int(np.prod(self.sizes, dtype=np.int64)) if self.sizes else 1
        self.designs = len(spec.bases) * self.cells * spec.count
        self.drawn: dict[str, Any] = {}
        for draw in spec.draws:
            values = draw.sample(spec.seed, self.designs)
            if draw.times is not None:
                values = np.asarray(values, dtype=float) * self._numbers(draw.times)
            self.drawn[draw.key] = values

    @property
    def points(self) -> int:
        """Rows of the sweep."""
        return self.designs * max(1, len(self.spec.strikes))

    @cached_property
    def mixes(self) -> bool:
        """Whether openings or muffling off the axis may occur, whose designs are solved one by one."""
        keys = any(key.startswith(("muffling.", "resonant.opening")) for key in self.spec.keys)
        return keys or any(is_mixed(base.drum) for base in self.spec.bases)

    @cached_property
    def chunk_size(self) -> int:
        """Designs a chunk."""
        most = MIXED_CHUNK if self.mixes else PLAIN_CHUNK
        return max(1, min(most, ceil(self.designs / FEWEST_CHUNKS)))

    @property
    def chunk_count(self) -> int:
        """Chunks of the sweep."""
        return ceil(self.designs / self.chunk_size)

    def chunks(self, done: frozenset[int] | set[int] = frozenset()) -> Iterator[Chunk]:
        """The chunks that are not ``done``, one after the other."""
        for number in range(self.chunk_count):
            if number in done:
                continue
            at = self.order[number * self.chunk_size: (number + 1) * self.chunk_size]
            sets = {key: self._pick(key, at) for key in self.spec.keys}
            yield Chunk(number, tuple(at.tolist()), tuple(self._base_of(at).tolist()), sets)

    @cached_property
    def order(self) -> Index:
        """Design numbers with like shapes together, which share the tables of their air; the shapes are shuffled.

        In order of size a run would grow with its drums: shuffled, its speed and memory are much the same all along.
        """
        shape = self._base_of(np.arange(self.designs, dtype=np.int64))
        for key in self.spec.keys:
            if is_shape(key):
                codes = self._codes(key)
                shape = np.unique(shape * (int(codes.max()) + 1) + codes, return_inverse=True)[1].ravel()
        place = np.random.default_rng(0).permutation(int(shape.max()) + 1)
        return np.asarray(np.argsort(place[shape], kind="stable"), dtype=np.int64)

    def _base_of(self, design: Index) -> Index:
        return np.asarray(design // (self.cells * self.spec.count))

    def _axis(self, key: str, design: Index) -> Index:
        """Place of designs along a grid axis."""
        cell = (design // self.spec.count) % self.cells
        place = [k for k, _ in self.spec.grid].index(key)
        later = int(np.prod(self.sizes[place + 1:], dtype=np.int64))
        return np.asarray((cell // later) % self.sizes[place])

    def _pick(self, key: str, design: Index) -> list[Value]:
        if key in self.drawn:
            values = self.drawn[key]
            return values[design].tolist() if isinstance(values, np.ndarray) else [values[i] for i in design]
        line = dict(self.spec.grid)[key]
        return [line[i] for i in self._axis(key, design)]

    def _codes(self, key: str) -> Index:
        """A number for every design that is the same where the key's value is."""
        if key in self.drawn:
            return np.asarray(np.unique(np.asarray(self.drawn[key]), return_inverse=True)[1].ravel())
        return self._axis(key, np.arange(self.designs, dtype=np.int64))

    def _numbers(self, key: str) -> NDArray[np.float64]:
        """Values of a key as numbers, (designs,): drawn, along the grid, or the drums' own."""
        everyone = np.arange(self.designs, dtype=np.int64)
        try:
            if key in self.spec.keys:
                return np.array(self._pick(key, everyone), dtype=float)
            own = np.array([own_value(base.drum, key) for base in self.spec.bases], dtype=float)
        except (TypeError, ValueError):
            own = np.array([np.nan])
        if not np.isfinite(own).all():
            raise InputError(f"[random] times = '{key}': that is no number of every drum of the sweep.")
        return np.asarray(own[self._base_of(everyone)])


def is_shape(key: str) -> bool:
    """Whether a key changes more than films, tensions and the strike."""
    head, _, last = key.partition(".")
    return not (head == "strike" or (head in ("batter", "resonant") and last in _FILM_KEYS))
