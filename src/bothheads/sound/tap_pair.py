"""The (1,1) pair among the lines of a round of taps: by place among the families, not by loudness.

Families of a film in air lie at j_mn sqrt(1 / (1 + 2 mu c_mn)), mu = rho a / sigma; near the rim (1,1) is the weakest but
(0,1). Of the lines about (1,1) the pair is the two whose levels round the head complement each other as 1 +- cos 2 theta.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from .tap_lines import Lines

Array = NDArray[np.float64]

# (m, n): j_mn, baffled added mass of one side in rho a, usual level 28 mm inside the rim relative to (1,1)
FAMILIES: dict[tuple[int, int], tuple[float, float, float]] = {
    (1, 1): (3.83171, 0.3301, 1.0), (2, 1): (5.13562, 0.2258, 1.6), (0, 2): (5.52008, 0.2616, 0.9),
    (3, 1): (6.38016, 0.1747, 2.2), (1, 2): (7.01559, 0.1703, 2.2), (4, 1): (7.58834, 0.1436, 2.7),
    (2, 2): (8.41724, 0.1341, 2.5),
}
_LOADINGS = np.linspace(0.08, 1.98, 20)  # rho a / sigma of everything from a small thick to a wide thin head
_FREQUENCY_SD = 0.014  # ln f of a family's middle against the template
_LEVEL_SD = 0.9
_WORST = 9.0
_PATTERN = 0.04  # share of levels unexplained that costs 1
_NEAR = 0.07  # ln f: a line further from every family is a stranger
_CLEAR = 5.0  # cost by which the next best answer must be worse


@dataclass(frozen=True)
class Pair:
    """Indices of the (1,1) lines (one when they cannot be told apart), the answer's cost, and the next best (1,1) [Hz]."""

    lines: tuple[int, ...]
    cost: float
    rival_hz: float | None
    families: dict[tuple[int, int], tuple[int, ...]]


def find_pair(lines: Lines, *, expected_hz: float | None = None, expected_sd: float = 0.2, loading: float | None = None,
              stood: bool = False) -> Pair | None:
    """The (1,1) pair, or None when no line can be it. ``stood``: levels between families mean nothing.

    ``expected_hz``: (1,1) as foretold, with ``expected_sd`` in ln f; ``loading`` = rho a / sigma where the film is known.
    """
    level = _relative(lines.amplitude)
    f = lines.frequency_hz
    loud = level.mean(0) > 0.004 * level.mean(0).max()
    some = f[loud]
    starts = list(some) + [float(np.sqrt(a * b)) for i in (1, 2) for a, b in zip(some, some[i:], strict=False) if b / a < 1.13]
    loadings = _LOADINGS if loading is None else loading * np.array([0.85, 0.92, 1.0, 1.08, 1.15])
    best: list[tuple[float, float, float]] = []
    for start in starts:
        cost, mu = min((_cost(start, mu, f[loud], level[:, loud], stood), mu) for mu in loadings)
        if expected_hz is not None:
            cost += min((np.log(start / expected_hz) / expected_sd) ** 2, 40.0)
        best.append((cost, start, float(mu)))
    if not best:
        return None
    best.sort()
    cost, hertz, mu = best[0]
    rivals = [b for b in best if abs(np.log(b[1] / hertz)) > 0.1 and b[0] < cost + _CLEAR]
    chosen = _complementary(hertz, f, level, loud)
    middle = float(np.sqrt(f[chosen[0]] * f[chosen[-1]])) if chosen else hertz
    return Pair(chosen, cost, rivals[0][1] if rivals else None, _owned(middle, mu, f, loud, chosen)) if chosen else None


def _relative(amplitude: Array) -> Array:
    """Levels over each tap's sum (taps, K): how hard it was drops out."""
    return np.asarray(amplitude / np.maximum(amplitude.sum(1, keepdims=True), 1e-30))


def places(hertz: float, loading: float) -> Array:
    """Frequencies [Hz] of ``FAMILIES`` in order when (1,1) stands at ``hertz`` [Hz]."""
    j, c, _ = np.array(list(FAMILIES.values())).T
    return np.asarray(hertz * j / j[0] * np.sqrt((1.0 + 2.0 * loading * c[0]) / (1.0 + 2.0 * loading * c)))


def _cost(hertz: float, loading: float, f: Array, level: Array, stood: bool = False) -> float:
    """Misfit of the lines to the template with (1,1) at ``hertz``."""
    place = places(hertz, loading)
    away = np.log(f[:, None] / place)
    owner = np.abs(away).argmin(1)
    own = np.abs(away[np.arange(len(f)), owner]) < _NEAR
    mean = level.mean(0)
    top = place[-1] * 1.03
    usual = np.array([v[2] for v in FAMILIES.values()])
    first = mean[own & (owner == 0)].sum()
    if first <= 0:
        return 1e3
    cost = 0.0
    for g in range(len(place)):
        mine = own & (owner == g)
        if not mine.any():
            cost += 4.0 if g in (2, 6) else _WORST
            continue
        centre = float(mean[mine] @ away[mine, g] / mean[mine].sum())
        cost += min((centre / _FREQUENCY_SD) ** 2, _WORST)
        if not stood:
            cost += min((np.log(mean[mine].sum() / first / usual[g]) / _LEVEL_SD) ** 2, 6.0)
    cost += sum(_pattern_cost(level, np.nonzero(own & (owner == g))[0], m) for g, m in ((0, 1), (1, 2)))
    below = ~own & (f < hertz)
    cost += 6.0 * max(int((below & (mean > 0.1 * first)).sum()) - 1, 0)  # one line may be (0,1)
    strangers = ~own & (f > hertz) & (f < min(top, place[3] * 1.03)) & (mean > 0.2 * first)
    return cost + 4.0 * float(strangers.sum())


def _pattern_cost(level: Array, lines: NDArray[np.intp], m: int) -> float:
    """What speaks against lines being a family of order m: levels round the head that do not make up a pair."""
    if len(lines) == 1:  # not split: then its level is nearly the same all round
        return float(min(_unlike_one(level[:, lines[0]]) / _PATTERN, _WORST))
    if len(lines) != 2:
        return 0.0
    return float(min(_unlike_two(level[:, lines[0]], level[:, lines[1]], m) / _PATTERN, _WORST))


def _complementary(hertz: float, f: Array, level: Array, loud: NDArray[np.bool_]) -> tuple[int, ...]:
    """One or two lines about ``hertz`` whose levels round the head make (1,1)."""
    near = [k for k in range(len(f)) if abs(np.log(f[k] / hertz)) < _NEAR and (loud[k] or level[:, k].max() > 0.01)]
    if not near:
        return ()
    options: list[tuple[float, tuple[int, ...]]] = []
    for k in near:
        options.append((_unlike_one(level[:, k]) + 0.3 * abs(np.log(f[k] / hertz)), (k,)))
    for i, k in combinations(near, 2):
        options.append((_unlike_two(level[:, i], level[:, k]), (i, k)))
    strength = {o: level[:, list(o)].sum() for _, o in options}
    most = max(strength.values())
    return min((cost + 0.5 * (1.0 - strength[o] / most), o) for cost, o in options)[1]


def _unlike_one(a: Array) -> float:
    """Share of a line's level round the head that an unsplit pair, equal all round, does not explain."""
    return float(((a - a.mean()) ** 2).sum() / max((a**2).sum(), 1e-30))


def _unlike_two(a: Array, b: Array, m: int = 1) -> float:
    """Share of two lines' levels round the head that g (1 +- c cos 2 m theta +- s sin 2 m theta) does not explain."""
    N = len(a)
    angle = 4.0 * np.pi * m * np.arange(N) / N
    basis = np.stack([np.ones(N), np.cos(angle), np.sin(angle)], 1)
    M = np.vstack([basis, basis * [1.0, -1.0, -1.0]])
    y = np.r_[a, b]
    left = y - M @ np.linalg.lstsq(M, y, rcond=None)[0]
    return float((left**2).sum() / max((y**2).sum(), 1e-30))


def _owned(hertz: float, loading: float, f: Array, loud: NDArray[np.bool_], pair: tuple[int, ...]
           ) -> dict[tuple[int, int], tuple[int, ...]]:
    """Lines of the other families by place: the two nearest each (one for m = 0)."""
    names = list(FAMILIES)
    away = np.abs(np.log(f[:, None] / places(hertz, loading)))
    out: dict[tuple[int, int], tuple[int, ...]] = {(1, 1): pair}
    for g, name in enumerate(names[1:], 1):
        mine = [k for k in range(len(f)) if loud[k] and k not in pair and away[k].argmin() == g and away[k, g] < _NEAR]
        mine = sorted(sorted(mine, key=lambda k: away[k, g])[: 2 if name[0] else 1])
        if mine:
            out[name] = tuple(mine)
    return out


# ------------------------------------------------------------------ rod pitch and its bar
def rod_pitch(lines: Lines, pair: tuple[int, ...], *, stood: bool = False) -> tuple[Array, Array]:
    """(F, sd) [Hz] (taps,): frequencies of the pair weighted with their levels at the tap.

    sd from the information of all taps on (f, a) of the pair and of the tap itself on its amplitudes; the lines about
    them are taken as known.
    """
    which = list(pair)
    f, a = lines.frequency_hz[which], lines.rate[which]
    amplitude = lines.amplitude[:, which]
    total = np.maximum(amplitude.sum(1), 1e-30)
    pitch = amplitude @ f / total
    t = np.arange(int(lines.length_s * lines.rate_hz)) / lines.rate_hz
    E = np.exp((-a[:, None] + 2j * np.pi * f[:, None]) * t)
    D = np.concatenate([2j * np.pi * t * E, -t * E])  # d/df, d/da per unit amplitude
    m = len(which)
    jacobians = []
    for C in lines.own[:, which]:
        jacobians.append(np.concatenate([np.r_[C, C][:, None] * D, E, 1j * E]).T)
    weight = 1.0 / (2.0 * lines.noise**2)  # a real sample carries half of what the analytic one does
    whole = [(J.conj().T @ J).real * weight for J in jacobians]
    shared = np.zeros((2 * m, 2 * m))
    for H in whole:
        B = H[: 2 * m, 2 * m :]
        shared += H[: 2 * m, : 2 * m] - B @ np.linalg.pinv(H[2 * m :, 2 * m :]) @ B.T
    sd = np.empty(len(pitch))
    for i, H in enumerate(whole):
        B = H[: 2 * m, 2 * m :]
        mine = H[: 2 * m, : 2 * m] - B @ np.linalg.pinv(H[2 * m :, 2 * m :]) @ B.T
        full = H.copy()
        full[: 2 * m, : 2 * m] += shared - mine
        C = lines.own[i, which]
        size = np.maximum(np.abs(C), 1e-30)
        share = amplitude[i] / total[i]
        slope = (2.0 if stood else 1.0) * (f - pitch[i]) * share / size  # levels go with |C|, or with its square
        grad = np.concatenate([share, np.zeros(m), slope * C.real / size, slope * C.imag / size])
        sd[i] = np.sqrt(max(float(grad @ np.linalg.pinv(full, rcond=1e-13, hermitian=True) @ grad), 0.0))
    return pitch, sd
