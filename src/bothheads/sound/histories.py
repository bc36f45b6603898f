"""What stretches the heads over time: which partials drive the tension, and what a change of drives does to the shares.

Several strikes of unlike force tell the energies of several partials apart: each is a drive with its own amplitude and
twice its own decay. Where one strike is not explained so, or has no pause that tells its noise, the tension is a sum of
exponentials at fixed multiples of the rate of the partial that stretches the heads most: no other partial's uncertain
beginning can blow that up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .warp import DrivenWarp

Array = NDArray[np.float64]
_MULTIPLES = (1.0, 1.5, 3.0, 6.0)  # of twice the decay rate of the strongest drive, for one strike
_STAY = 1e-4  # weight of a share's old value against what the windows show of it


@dataclass(frozen=True)
class Drives:
    """Drives r: their ``partial`` (R,) (index, -1 = gone), ``power`` (R,) of its energy, ``energy`` (strikes, R) in units of
    ``reference`` (R,), the largest, at the reference time, and ``rate`` (R,) [1/s]."""

    partial: NDArray[np.intp]
    power: Array
    energy: Array
    reference: Array
    rate: Array

    @classmethod
    def none(cls) -> Drives:
        """No drives yet."""
        return cls(np.zeros(0, np.intp), np.zeros(0), np.zeros((1, 0)), np.ones(0), np.zeros(0))


def drives_of(amplitudes: Array, f: Array, a: Array, count: int, *, multiples: bool = False) -> Drives:
    """Up to ``count`` drives for amplitudes (strikes, channels, K) at the reference time, f [Hz] and a [1/s] (K,).

    Where fewer partials than that are known, the strongest drives with the square of its energy as well, and with the
    cube: what stretches the heads dies faster than in proportion to what is left of it late. ``multiples``: the drives of one
    strike are exponentials at fixed multiples of the strongest one's rate.
    """
    if multiples and len(amplitudes) == 1:
        power = np.array(_MULTIPLES[:count])
        partial = np.repeat(strongest_drives(amplitudes, f, a, 1), len(power))
        energy = np.ones((1, len(power)))
    else:
        chosen = strongest_drives(amplitudes, f, a, min(count if len(amplitudes) > 1 else count - 1, len(f)))
        more = np.arange(2.0, 2.0 + min(count - len(chosen), 2))
        partial, power = np.r_[chosen, np.full(len(more), chosen[0])], np.r_[np.ones(len(chosen)), more]
        energy = (amplitudes**2).sum(1)[:, partial] ** power
    reference = np.maximum(energy.max(0), 1e-30)
    return Drives(partial, power, energy / reference, reference, 2.0 * power * a[partial])


def strongest_drives(amplitudes: Array, f: Array, a: Array, count: int) -> NDArray[np.intp]:
    """Indices of ``count`` partials by stretch times duration (amplitude / f)^2 tau, decays 20 % apart where possible."""
    energy = (amplitudes**2).sum((0, 1)) / f**2 / a
    order = np.argsort(-energy)
    chosen: list[int] = []
    for k in order:
        if len(chosen) < count and energy[k] > 1e-3 * energy[order[0]] and all(
                abs(np.log(a[k] / a[i])) > 0.2 for i in chosen):
            chosen.append(int(k))
    for k in order:
        if len(chosen) < count and int(k) not in chosen:
            chosen.append(int(k))
    return np.array(chosen, np.intp)


def carried(clock: DrivenWarp, old: Drives, new: Drives, times: Sequence[Array]) -> Array:
    """Shares (R, K) >= 0 in the drives ``new`` that leave every partial's tension history as ``clock`` has it.

    As nearly as they can at ``times`` (one array a strike, [s] after the reference time); what does not show there, such
    as a drive that is over before a late window begins, stays as it was.
    """
    from scipy.optimize import nnls

    alone = len(times) == 1 and (new.partial == new.partial[0]).all()  # at multiples of one rate, whosever it is
    history = np.concatenate([clock.shares.T @ _course(clock.energy[i], clock.rate, t) for i, t in enumerate(times)], 1)
    D = np.concatenate([_course(new.energy[i], new.rate, t) for i, t in enumerate(times)], 1)
    before = np.zeros((len(new.rate), len(clock.swell)))
    for row, (partial, power) in enumerate(zip(old.partial, old.power, strict=True)):
        for k in np.nonzero((alone | (new.partial == partial)) & (new.power == power))[0]:
            before[k] += clock.shares[row] * np.clip(new.reference[k] / old.reference[row], 0.02, 50.0)
    stay = np.sqrt(_STAY * (D**2).sum() / len(D))
    Q, triangle = np.linalg.qr(np.concatenate([D.T, stay * np.eye(len(D))]))
    wanted = Q.T @ np.concatenate([history.T, stay * before])
    return np.array([nnls(triangle, column)[0] for column in wanted.T]).T


def _course(energy: Array, rate: Array, t: Array) -> Array:
    """(R, T) energy exp(-rate t) of the drives of one strike."""
    out: Array = energy[:, None] * np.exp(-rate[:, None] * t)
    return out
