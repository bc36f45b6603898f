"""A stroke as sound: the force of a beater on the head, and how every mode carries it to every place.

p(t) = Re sum_k A_k int_0^(t - d) F(u) exp(s_k (t - d - u)) du, F the contact's force (``beater.strike``), d the straight way
from the struck spot through air at c (no sound comes sooner), A_k the mode's pressure there after a unit impulse. A place
over a floor hears a second path, from its image. Left out: the beater's click, which is the sound of its own face and
shaft and of the film above the modes' range (600 Hz or ka = 3), for which no law of a real felt or wood face is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import dist, pi

import numpy as np
from numpy.typing import NDArray

from ..records import Drum, Microphone
from .beater import FELT, Beater, Contact
from .coupled import solve
from .feel import contact_of, highest_hz
from .response import pressures
from .room import mirrored
from .system import ModeSet

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Attack:
    """What a stroke sends to the places of a drum; several paths may end in one place."""

    poles: Complex  # (modes,) [1/s]
    pressures: Complex  # (modes, paths) [Pa/(N s)], travel taken out
    delays_s: tuple[float, ...]  # per path
    ends: tuple[int, ...]  # index of the place where each path ends
    places: int
    contact: Contact


def attack(drum: Drum, *, beater: Beater = FELT, contact: Contact | None = None) -> Attack:
    """Modes, paths and contact force of ``beater`` on the drum at its strike's spot; raises like ``solve``.

    The strike's own force and duration do not enter: speed and mass of the beater say how hard it is. With ``contact``
    that force is taken instead of the beater's.
    """
    modes = solve(drum, fmax_hz=highest_hz(drum))
    if contact is None:
        contact = contact_of(modes, beater=beater)
    responses, delays, ends = _paths(modes, drum.places)
    return Attack(modes.s, responses, delays, ends, len(drum.places), contact)


def _paths(modes: ModeSet, places: tuple[Microphone, ...]) -> tuple[Complex, tuple[float, ...], tuple[int, ...]]:
    """Pressures per impulse without their travel, travel times and ends of the direct and the mirrored paths."""
    drum = modes.drum
    heard, ends, gains = list(places), list(range(len(places))), [1.0] * len(places)
    if drum.floor is not None:
        images, reflections = mirrored(drum, places)
        for i, (image, reflection) in enumerate(zip(images, reflections, strict=True)):
            if reflection:
                heard.append(image)
                ends.append(i)
                gains.append(reflection)
    spot = (drum.strike.x, drum.strike.y, 0.0)
    delays = np.array([dist(spot, (p.x, p.y, p.z)) for p in heard]) / drum.air.speed_of_sound
    sound = pressures(modes, drum.strike, heard, with_push=False) * np.array(gains)
    return np.asarray(sound * np.exp(np.outer(modes.s, delays))), tuple(delays.tolist()), tuple(ends)


def raised_cosine(drum: Drum, *, step_s: float = 1.0 / 192000.0) -> Contact:
    """The drum file's own strike as a contact: F/2 (1 - cos 2 pi t / tc), one value a step at its middle."""
    count = max(1, round(drum.strike.duration / step_s))
    step_s = drum.strike.duration / count
    force = drum.strike.force / 2 * (1 - np.cos(2 * pi * (np.arange(count) + 0.5) / count))
    return Contact(drum.strike.duration, drum.strike.force, 0.0, float(force.sum() * step_s), force, step_s, False)
