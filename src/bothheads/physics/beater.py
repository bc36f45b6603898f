"""A beater meeting a head: contact time, force, rebound; buried or let off.

The head answers at the struck spot as a sum of decaying modes, a_k' = s_k a_k + r_k F, w = Re sum a_k,
plus a quasi-static remainder for the modes left out. The beater is a mass with a soft face (Hunt & Crossley
1975, J. Appl. Mech. 42:440) and, when it is buried, a foot that goes on pressing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gamma, pi, sqrt

import numpy as np
from numpy.typing import NDArray

_STEP = 1.0 / 192000.0  # s: a hundredth of the shortest contact that a drum sees
_APART = 768  # steps, 4 ms: the head may come back and touch again; apart for longer, the beater has left
_LONGEST = 0.08  # s; a beater that has not left by then counts as buried


@dataclass(frozen=True)
class Beater:
    """A beater. Every default is common practice without a source; a wood face is about ten times as stiff."""

    mass: float = 0.11  # kg, effective at the face (head and part of the shaft)
    speed: float = 3.0  # m/s on arrival
    stiffness: float = 4.0e7  # N/m^exponent, felt face: about 7 mm deep at 100 N
    exponent: float = 2.5  # 1; 3/2 is a Hertz sphere, felt 2.3-3.6 (Russell & Rossing 1998, as quoted elsewhere)
    loss: float = 0.1  # s/m, Hunt-Crossley: F = K d^p (1 + 3/2 loss dd/dt)
    foot_force: float = 0.0  # N pressing on after the touch; 0 = let off, 30-80 = buried


FELT = Beater()
WOOD = replace(FELT, mass=0.1, stiffness=5.0e6, exponent=1.5, loss=0.05)


@dataclass(frozen=True)
class Contact:
    """What happened while the beater was on the head; a hard face may touch several times."""

    contact_s: float  # s from the first touch to the last
    peak_force: float  # N
    rebound: float  # speed leaving over speed arriving; 0 when it stays
    impulse: float  # N s
    force: NDArray[np.float64]  # N, shape (n,), one value a step
    step_s: float  # s
    stayed: bool  # still on the head after 80 ms


def strike(
    poles: NDArray[np.complex128], residues: NDArray[np.complex128], *,
    beater: Beater = FELT, remainder_compliance: float = 0.0,
) -> Contact:
    """First contact of ``beater`` with a head whose driving-point modes are given.

    Parameters
    ----------
    poles : complex, shape (K,)
        s_k [1/s]; may be empty for a rigid wall.
    residues : complex, shape (K,)
        r_k [m/(N s)]: the spot's displacement after an impulse J is Re sum r_k J exp(s_k t).
    remainder_compliance : m/N
        Static give of the modes that are left out.

    Returns
    -------
    Contact

    Notes
    -----
    Left out: the shaft's bending, friction. The force is held over a step; the modes are
    carried exactly between steps.
    """
    decay = np.exp(poles * _STEP)
    drive = residues * (decay - 1) / poles
    a = np.zeros_like(poles)
    x, v = 0.0, beater.speed
    forces: list[float] = []
    w = film = 0.0
    touched = 0
    for _ in range(int(_LONGEST / _STEP)):
        held = _meet(x - w, v - film, remainder_compliance, beater)
        forces.append(held)
        a = decay * a + drive * held
        w, film = float(a.real.sum()), float((a * poles).real.sum())
        v += (beater.foot_force - held) / beater.mass * _STEP
        x += v * _STEP
        touched = len(forces) if held > 0.0 else touched
        if touched and len(forces) - touched > _APART:
            break
    force = np.array(forces[: max(touched, 1)])
    stayed = len(forces) - touched <= _APART
    return Contact(
        contact_s=len(force) * _STEP, peak_force=float(force.max()),
        rebound=0.0 if stayed else max(0.0, -v) / beater.speed,
        impulse=float(force.sum() * _STEP), force=force, step_s=_STEP, stayed=stayed,
    )


def _meet(gap: float, rate: float, give: float, beater: Beater) -> float:
    """Force [N] where the face's law meets the static give of the head, depth = gap - give F, closing at ``rate``.

    The law falls as the give takes depth away, so the one root is found by bisection and Newton's step in turn.
    """
    if gap <= 0.0:
        return 0.0
    if give <= 0.0:
        return _face_force(gap, rate, beater)
    low, high = 0.0, gap / give
    force: float = min(_face_force(gap, rate, beater), 0.5 * high)
    for _ in range(200):
        depth = gap - give * force
        law = _face_force(depth, rate, beater)
        low, high = (force, high) if law > force else (low, force)
        slope = -give * beater.exponent * law / depth - 1.0 if depth > 0.0 else -1.0
        force = float(force - (law - force) / slope)
        if not low < force < high:
            force = 0.5 * (low + high)
        if abs(law - force) < 1e-10 * (1.0 + force) or high - low < 1e-12 * (1.0 + high):
            break
    return force


def _face_force(depth: float, rate: float, beater: Beater) -> float:
    """Force [N] of the face pressed in by ``depth`` [m]; a face cannot pull."""
    if depth <= 0.0:
        return 0.0
    force = beater.stiffness * depth**beater.exponent * (1 + 1.5 * beater.loss * rate)
    return float(max(0.0, force))


def wall_contact_time(beater: Beater) -> float:
    """Contact time [s] on a rigid wall without loss: 2 sqrt(pi) G(1 + 1/(p+1)) / G(1/2 + 1/(p+1)) d_max / v.

    d_max = ((p + 1) m v^2 / (2 K))^(1/(p+1)). Closed form of the power-law contact.
    """
    p = beater.exponent
    deepest = ((p + 1) * beater.mass * beater.speed**2 / (2 * beater.stiffness)) ** (1 / (p + 1))
    return float(2 * sqrt(pi) * gamma(1 + 1 / (p + 1)) / gamma(0.5 + 1 / (p + 1)) * deepest / beater.speed)


def force_spectrum(contact: Contact, frequencies: NDArray[np.float64]) -> NDArray[np.float64]:
    """Magnitude of the force's spectrum [dB re its value at 0 Hz] at ``frequencies`` [Hz]; shape as given."""
    t = np.arange(len(contact.force)) * contact.step_s
    at = np.abs(np.exp(-2j * np.pi * np.outer(frequencies, t)) @ contact.force)
    answer: NDArray[np.float64] = 20 * np.log10(np.maximum(at, 1e-12) / contact.force.sum())
    return answer
