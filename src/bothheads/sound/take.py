"""A whole take, or one strike, in one fit: two heads with their own tension histories. The best of a few ways into it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .drives import DrivenFit
from .entering import SMALL_GLIDE, Plan, Start, planned
from .growing import Density, TakeFit, deeper, grown
from .noise import over_median
from .partials import explained
from .remainder import explained_late_db
from .varpro import JointFit
from .window import Window

_DRIVES = 4
_STARTS = (Start(SMALL_GLIDE, _DRIVES), Start(SMALL_GLIDE, 6, held=False, multiples=True))
_ALONE = (Start(SMALL_GLIDE, _DRIVES, multiples=True), Start(SMALL_GLIDE, 2, 0.1, multiples=True),
          Start(1.0, _DRIVES, 0.1, multiples=True))
_DEEPER = (0.3, 0.1)
_WELL = 0.5  # mean log of residual over noise: no other start is tried
_WELL_DB = 25.0  # of the ring from 150 ms on explained: the same for a strike alone
_POOR_DB = 20.0
_FLAT = 1.3  # rms over that of white noise with the same median spectrum


def fit_alone(window: Window, density: Density = None) -> TakeFit | None:
    """The fit of a strike with no pause before it: of up to three starts the one that explains most.

    Without a pause the unit of the samples is the level at the end of the window, where a cut recording still rings: a
    second start lets the weights follow the residual to a tenth of it, and the best goes on from where it is to less.
    Explained energy of the whole and from 150 ms on decide, less what a line must pay.
    """
    best: tuple[float, TakeFit] | None = None
    for start, enough in zip(_ALONE, (_WELL_DB, _POOR_DB, np.inf), strict=True):
        found = _tried([window], density, start, planned([window], start))
        if found is not None:
            score = _score(found.driven)
            if best is None or score > best[0]:
                best = score, found
        if best is not None and ((explained_late_db(best[1].driven.fit) or 0.0) > enough or _flat(best[1].driven.fit)):
            break
    if best is None:
        return None
    for least in _DEEPER:
        found = deeper(best[1], least)
        if found is None or (score := _score(found.driven)) <= best[0]:
            break
        best = score, found
    return best[1]


def _score(driven: DrivenFit) -> float:
    """Energy explained [dB] of the whole and from 150 ms on, less what the partials must pay."""
    fit = driven.fit
    late = explained_late_db(fit) or 0.0
    return float(explained(fit) + late - 20.0 / np.log(10.0) * driven.limits.threshold / fit.size * len(fit.f))


def _flat(fit: JointFit) -> bool:
    """Whether what a fit leaves after its first 130 ms is noise alike at every frequency."""
    window, part = fit.windows[0], fit.state.parts[0]
    left = (part.residual / window.weight)[:, int(0.13 * window.rate_hz) :]
    return bool(left.shape[1] > 64 and over_median(left, window.rate_hz).max() < _FLAT)


def fit_take(windows: Sequence[Window], density: Density = None) -> TakeFit | None:
    """The fit of a take in stages; while much is left the better of that and one that goes freely, with more drives."""
    best: TakeFit | None = None
    plan = planned(windows, _STARTS[0])
    for start in _STARTS:
        found = _tried(windows, density, start, plan)
        if found is not None and (best is None or found.quality < best.quality - 0.02):
            best = found
        if best is not None and best.quality < _WELL:
            break
    return best


def _tried(windows: Sequence[Window], density: Density, start: Start, plan: Plan) -> TakeFit | None:
    try:
        return grown(windows, density, start, plan)
    except np.linalg.LinAlgError:
        return None
