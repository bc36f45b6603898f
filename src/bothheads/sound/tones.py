"""Lines that the stretch of the heads makes and no mode of the drum: combination tones, and what gliding lines leave.

Both are of third order in the motion: they grow like the cube of the force, modes in proportion to it.
"""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from .drives import DrivenFit

Array = NDArray[np.float64]
_PARENTS = 6
_GROWTH = 2.0  # power of the force halfway between a mode's and a third-order product's
_FAST, _GROWTH_OF_FAST = 2.0, 1.5  # what dies twice as fast as the line beside it as well
_LEAST_FORCE = np.log(2.0)  # between two strikes that shall tell it
_OUT_OF_PROPORTION = np.log(2.0)  # a strike that lands elsewhere moves a mode by less
_STRONG_DB = -15.0


def combination_tones(driven: DrivenFit) -> NDArray[np.bool_]:
    """(K,) True for partials at 3 i, 2 i +- j or i + j +- l of much stronger ones that also decay and grow like one.

    A product of three decaying partials decays with the sum of their rates and grows like the cube of the force; growth
    is asked for only where two strikes of different force show the partial above the noise.
    """
    fit = driven.fit
    amplitude = np.sqrt((driven.amplitudes() ** 2).sum(1))  # (strikes, K)
    level = driven.level()
    hard, soft = int(np.argmax(amplitude.max(1))), int(np.argmin(amplitude.max(1)))
    parents = [int(i) for i in np.argsort(-level)[:_PARENTS]]
    out = np.zeros(len(fit.f), bool)
    for k in range(len(fit.f)):
        strong = [i for i in parents if i != k and amplitude[hard, i] > 1.3 * amplitude[hard, k]]
        for trio in combinations_with_replacement(strong, 3):
            much = amplitude[hard, list(trio)].max() > 4.0 * amplitude[hard, k]
            if much and _at_sum(fit.f, trio, k) and fit.a[k] > 0.5 * fit.a[list(trio)].sum():
                growth = _growth(amplitude, trio, k, hard, soft)
                out[k] = out[k] or growth is None or growth > 1.9
    return out


def glide_products(driven: DrivenFit) -> NDArray[np.bool_]:
    """(K,) True for lines within the glide of another one that grow with more than the square of the force.

    While the tension is up a mode changes in ways its clock and swell do not follow (other modes of the same head move
    it, its shape at each microphone turns); what is left of it is read as a second, short line. It is of third order,
    i + j - j: gone after soft strikes, where the mode itself is the stronger one, and at times above it after hard ones.
    It decays with the sum of three rates: where a line dies more than twice as fast as the one beside it, a growth
    clear of a mode's is enough.
    """
    amplitude = np.sqrt((driven.amplitudes() ** 2).sum(1))  # (strikes, K)
    logs = np.log(np.maximum(amplitude, 1e-9))
    f, a, clock = driven.fit.f, driven.fit.a, driven.clock
    force = np.median(logs[:, driven.level() > 10.0 ** (_STRONG_DB / 20.0)], axis=1)
    hard, soft = int(np.argmax(force)), int(np.argmin(force))
    louder = force[hard] - force[soft]
    if louder < _LEAST_FORCE:
        return np.zeros(len(f), bool)
    gained = logs[hard] - logs[soft]
    growth = np.where(gained - louder > _OUT_OF_PROPORTION, gained / louder, 0.0)
    reach = f * (clock.shares.T @ clock.energy.T).max(axis=1)
    beside = (np.abs(f[:, None] - f) < reach[:, None]) & (amplitude[soft] > amplitude[soft][:, None])
    fast = beside & (a[:, None] > _FAST * a)
    out: NDArray[np.bool_] = ((growth > _GROWTH) & beside.any(axis=1)) | ((growth > _GROWTH_OF_FAST) & fast.any(axis=1))
    return out


def _at_sum(f: Array, trio: tuple[int, ...], k: int) -> bool:
    i, j, l = (float(f[n]) for n in trio)
    width = max(0.8, 0.006 * float(f[k]))
    sums = [i + j + l]
    for x, y, z in ((i, j, l), (i, l, j), (j, l, i)):
        if z not in (x, y):
            sums.append(abs(x + y - z))
    return any(abs(s - f[k]) < width for s in sums)


def _growth(amplitude: Array, trio: tuple[int, ...], k: int, hard: int, soft: int) -> float | None:
    """Power of the force with which partial k grows from the soft to the hard strike; None: it cannot be told."""
    force = amplitude[hard, list(trio)].mean() / max(amplitude[soft, list(trio)].mean(), 1e-9)
    if force < 1.2:
        return None
    return float(np.log(amplitude[hard, k] / max(amplitude[soft, k], 1e-9)) / np.log(force))
