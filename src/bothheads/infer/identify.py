"""Names for what was found: which mode a measured partial is, and how well sum and ratio of the tensions are known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..records import Fit, FitPair
from ..units import cents
from .model import DrumModel
from .scoring import Heard, Weighed

Array = NDArray[np.float64]


def mode_numbers(model: DrumModel, x: Array) -> list[tuple[int | None, int | None]]:
    """(m, n) of every followed mode of one state (7,): n - 1 = nodal circles inside the edge of its largest part."""
    modes = model.batch.modes(model.rows(x[None, :]))
    size = model.batch.films
    motion = np.abs(modes.vectors[0]) ** 2
    each = motion[:, :size] + (0.0 if model.batch.open_end else motion[:, size:])
    return [(int(m), int(n) + 1) for m, n in zip(model.batch.order, each.argmax(1), strict=True)]


def ceiling_hz(best: Weighed) -> float:
    """Highest frequency [Hz] to which all m = 0 modes of a round drum are followed."""
    return float(np.exp(best.log_f[best.order == 0].max(initial=-np.inf))) if (best.order == 0).any() else np.inf


def fit_pairs(heard: Heard, best: Weighed, numbers: list[tuple[int | None, int | None]]) -> tuple[FitPair, ...]:
    """Every measured partial beside the mode that explains it; foreign ones with None.

    Partials above ``ceiling_hz`` that no mode explains are left out: nobody looked for their modes.
    """
    top = ceiling_hz(best)
    mode_of = dict(zip(best.rows.tolist(), best.columns.tolist(), strict=True))
    out = []
    for i, log_f in enumerate(heard.log_f):
        measured = float(np.exp(log_f))
        j = mode_of.get(i)
        if j is None and measured > top:
            continue
        if j is None:
            out.append(FitPair(measured, None, None, None))
            continue
        model_hz = float(np.exp(best.log_f[j]))
        m, n = numbers[j]
        out.append(FitPair(measured, model_hz, cents(measured, model_hz), m, n))
    return tuple(out)


def loudest_is_foreign(heard: Heard, best: Weighed) -> bool:
    """True when in every channel with levels the loudest partial is explained by no mode."""
    explained = set(best.rows.tolist())
    loudest = [int(np.nanargmax(heard.level[:, c])) for c in range(heard.level.shape[1]) if heard.has[:, c].any()]
    return bool(loudest) and not any(i in explained for i in loudest)


def sum_and_ratio_sd(fit: Fit) -> tuple[float, float] | None:
    """Relative sd of the tensions' sum and of their ratio; None without a two-headed answer."""
    if fit.log_cov is None or fit.batter is None or fit.resonant is None:
        return None
    cov = np.array(fit.log_cov)
    share = fit.batter.tension / (fit.batter.tension + fit.resonant.tension)
    along = np.array([1.0, share - 0.5])  # d ln(Tb + Tr) along (u, d)
    return float(np.sqrt(along @ cov @ along)), float(np.sqrt(cov[1, 1]))


def spread_words(fit: Fit) -> str:
    """How well sum, ratio and change are known, in one sentence; empty without an answer."""
    if fit.batter is None:
        return ""
    known = sum_and_ratio_sd(fit)
    parts = [f"tension known to {fit.batter.tension_sd / fit.batter.tension:.1%}"] if known is None else [
        f"the sum of the tensions is known to {known[0]:.1%}, their ratio to {known[1]:.1%}"]
    if fit.change_sd is not None:
        parts.append(f"a change since last time to {fit.change_sd:.1%}")
    return ", ".join(parts)

