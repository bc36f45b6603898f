"""What a reader found in a take, in one form for every reader, and its way into records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..constants import ONSET_TO_LEVEL
from ..records import Partial, Remainder

Array = NDArray[np.float64]
LOWEST_LEVEL_DB = -60.0  # a channel whose partial lies lower than this below its strongest does not show it


@dataclass(frozen=True)
class Found:
    """Partials of a take: one column per partial (K), one row per strike (S) and channel (C).

    ``amplitude`` (S, C, K) at the onset in full scale, NaN where not measured; ``heard`` (S, C, K) where it stands
    above the noise. ``glide_cents`` (S,) is None for strikes that were not read.
    """

    frequency_hz: Array
    frequency_sd_hz: Array
    rate: Array  # 1/s
    rate_sd: Array
    amplitude: Array
    heard: NDArray[np.bool_]
    glide_cents: tuple[float | None, ...]
    explained_db: float | None
    settled: bool = True
    reasons: tuple[str, ...] = ()
    remarks: tuple[str | None, ...] = ()
    remainder: tuple[Remainder, ...] = ()
    warnings: tuple[str, ...] = ()
    explained_late_db: float | None = None  # from 150 ms on

    def levels(self) -> Array:
        """Amplitude (S, C, K) 6 ms after the onset, NaN where not heard."""
        out: Array = np.where(self.heard, self.amplitude, np.nan) * np.exp(-self.rate * ONSET_TO_LEVEL)
        return out


def partials_of(found: Found, strikes: Sequence[int] | None = None) -> tuple[Partial, ...]:
    """Records sorted by frequency, of the whole take or of the ``strikes`` named.

    ``level_dbfs`` is the loudest strike's, ``level_db`` the mean over strikes below the channel's strongest.
    """
    level = found.levels()
    if strikes is not None:
        level = level[list(strikes)]
    with np.errstate(divide="ignore", invalid="ignore"):
        decibel = 20.0 * np.log10(level)
        top = np.where(np.isfinite(decibel), decibel, -np.inf).max(axis=2, keepdims=True, initial=-np.inf)
        below = decibel - top
    below[~(below >= LOWEST_LEVEL_DB)] = np.nan
    out = []
    for k in np.argsort(found.frequency_hz):
        seen = np.isfinite(below[:, :, k])
        if not seen.any():
            continue
        relative = [_mean(below[seen[:, c], c, k]) for c in range(level.shape[1])]
        loudest = [_largest(decibel[seen[:, c], c, k]) for c in range(level.shape[1])]
        a = float(found.rate[k])
        out.append(Partial(
            float(found.frequency_hz[k]), float(found.frequency_sd_hz[k]), 1.0 / a, float(found.rate_sd[k]) / a**2,
            tuple(relative), tuple(loudest), int(seen.any(axis=1).sum()),
            found.remarks[k] if found.remarks else None,
        ))
    return _at_zero(out) if out else ()


def _mean(values: Array) -> float | None:
    return float(values.mean()) if values.size else None


def _largest(values: Array) -> float | None:
    return float(values.max()) if values.size else None


def _at_zero(partials: list[Partial]) -> tuple[Partial, ...]:
    """Levels shifted so that each channel's strongest partial stands at 0 dB."""
    from dataclasses import replace

    top = [max((v for p in partials if (v := p.level_db[c]) is not None), default=0.0)
           for c in range(len(partials[0].level_db))]
    return tuple(
        replace(p, level_db=tuple(None if v is None else v - t for v, t in zip(p.level_db, top, strict=True)))
        for p in partials
    )


def joined(fits: Sequence[Found]) -> Found:
    """One take from readings of single strikes: partials that agree within 3 sd or 6 cents are one.

    Means are weighted with 1/sd^2; the bar is the larger of the weighted one and the scatter over strikes.
    """
    entries = sorted((float(f), s, k) for s, found in enumerate(fits) for k, f in enumerate(found.frequency_hz))
    groups: list[list[tuple[int, int]]] = []
    for f, s, k in entries:
        if groups and _agrees(fits, groups[-1], s, k, f):
            groups[-1].append((s, k))
        else:
            groups.append([(s, k)])
    S, C, K = len(fits), fits[0].amplitude.shape[1], len(groups)
    amplitude, heard = np.full((S, C, K), np.nan), np.zeros((S, C, K), bool)
    rows = np.empty((4, K))
    for j, group in enumerate(groups):
        rows[:2, j] = _weighted([(fits[s].frequency_hz[k], fits[s].frequency_sd_hz[k]) for s, k in group])
        rows[2:, j] = _weighted([(fits[s].rate[k], fits[s].rate_sd[k]) for s, k in group])
        for s, k in group:
            amplitude[s, :, j], heard[s, :, j] = fits[s].amplitude[0, :, k], fits[s].heard[0, :, k]
    known = [f.explained_db for f in fits if f.explained_db is not None]
    late = [f.explained_late_db for f in fits if f.explained_late_db is not None]
    return Found(rows[0], rows[1], rows[2], rows[3], amplitude, heard, tuple(f.glide_cents[0] for f in fits),
                 float(np.median(known)) if known else None, all(f.settled for f in fits),
                 tuple(dict.fromkeys(r for f in fits for r in f.reasons)), (), _mean_shares(fits),
                 tuple(dict.fromkeys(w for f in fits for w in f.warnings)),
                 float(np.median(late)) if late else None)


def _mean_shares(fits: Sequence[Found]) -> tuple[Remainder, ...]:
    """Remainder of several strikes: the mean share of every cause."""
    read = [f for f in fits if f.remainder]
    causes = dict.fromkeys(r.cause for f in read for r in f.remainder)
    mean = [Remainder(c, sum(r.share for f in read for r in f.remainder if r.cause == c) / len(read)) for c in causes]
    return tuple(sorted(mean, key=lambda r: -r.share))


def _agrees(fits: Sequence[Found], group: list[tuple[int, int]], s: int, k: int, f: float) -> bool:
    if any(i == s for i, _ in group):
        return False
    others = [fits[i].frequency_hz[j] for i, j in group]
    sd = max([fits[i].frequency_sd_hz[j] for i, j in group] + [fits[s].frequency_sd_hz[k]])
    return bool(f - np.mean(others) < max(3.0 * np.sqrt(2.0) * sd, 0.0035 * f))


def _weighted(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    value, sd = np.array(pairs).T
    weight = 1.0 / np.clip(sd, 1e-9, 1e9) ** 2  # nothing known of any of them: their plain mean
    mean = float(weight @ value / weight.sum())
    if len(value) == 1:
        return mean, float(sd[0])
    scatter = weight @ (value - mean) ** 2 / weight.sum() / (len(value) - 1)
    return mean, float(np.sqrt(max(1.0 / weight.sum(), scatter)))
