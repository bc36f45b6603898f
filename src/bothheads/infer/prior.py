"""What a drum's history says before its next take is read: its films, its tensions, and what turns did since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..records import State, Turn
from .heads import HeadsPrior
from .history import fit_of, new_heads
from .turns import learn_heads

TO_SUM_AND_RATIO = np.array([[0.5, 0.5], [1.0, -1.0]])  # (ln Tb, ln Tr) -> (u, d)


def prior_from_history(
    states: Sequence[State], turns: Sequence[Turn], *, new: tuple[bool, bool] = (False, False)
) -> HeadsPrior | None:
    """Prior of the next state's heads after ``turns``; None when no fit stands, or a head is new.

    The last fit is moved by the change that the log has taught for these turns, (u, d) by its mean and widened by
    its covariance; what that fit says of the films is kept.
    """
    fitted = [s for s in states if (fit := fit_of(s)) is not None and not fit.refused and fit.log_cov is not None]
    if not fitted or any(new):
        return None
    last = fitted[-1]
    later = [s for s in states if s.number > last.number]
    if any(any(new_heads(s)) for s in later):
        return None
    fit = fit_of(last)
    if fit is None or fit.batter is None:
        return None
    base = HeadsPrior.of_fit(fit, last.drum)
    done = [turn for s in later for turn in s.turns] + list(turns)
    after = learn_heads(states[: list(states).index(last) + 1]).after(done)
    mean, cov = np.array(base.mean), np.array(base.cov)
    mean[:2] += TO_SUM_AND_RATIO @ after.log_change
    cov[:2, :2] += TO_SUM_AND_RATIO @ after.log_change_cov @ TO_SUM_AND_RATIO.T
    rows = tuple(tuple(map(float, row)) for row in cov)
    return replace(base, mean=(float(mean[0]), float(mean[1]), float(mean[2]), float(mean[3])), cov=rows)
