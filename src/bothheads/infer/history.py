"""A drum's states as the learner of turns sees them: what was done before each, what was then found.

Each figure of scatter stands here with its reason, and none is a truth: they are editable defaults.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import wire
from ..records import HEADS, Fit, Head, HeadName, State, Turn

Array = NDArray[np.float64]

HANDS_SD = 0.15  # relative, one rod's turn as done against as meant; from trials of the rods' planner, no source
HANDS_FLOOR = 1.0 / 64.0  # turns, 'even careful hands miss by about 1/64 turn', common practice
FILM_COMMON_SD = 0.045  # part of ln T that every fit of one head shares: its film mass is known to 5 %
COMMON_SHARE = 0.92  # at most this share of a fit's variance is taken for common to all states
ASSUMED_TENSION_SD = 0.10  # ln T, a tension written into a drum file by hand
NOTHING = 1e4  # variance of ln T where nothing is known


@dataclass(frozen=True)
class Answer:
    """One explanation by a fit: odds, ln T (2,) and its covariance (2, 2) independent from state to state."""

    odds: float
    log_tension: Array
    log_cov: Array


@dataclass(frozen=True)
class Visit:
    """One state: turns since the state before (mean over the rods) and what was found, batter first."""

    number: int
    moved: Array  # (2,) turns, plus = tighter
    moved_var: Array  # (2,) turns^2, the hands' scatter
    days: float  # since the state before
    warmer: float  # K since the state before; 0 when not noted
    warmer_known: bool
    new: tuple[bool, bool]  # a new head was put on before this state
    answers: tuple[Answer, ...]  # what the fit says, rivals included; empty = nothing found
    common_var: Array  # (2,) shared by all states of a head
    film: Array  # (2,) kg/m2


def head_or_none(state: State, name: HeadName) -> Head | None:
    """That head of the state's drum, None when the drum has none."""
    return state.drum.batter if name == "batter" else state.drum.resonant


def even_turns(turns: Sequence[Turn], name: HeadName, rods: int) -> tuple[float, float]:
    """Mean turns over all rods of one head and the variance [turns^2] that hands put on it.

    One rod of N counts 1/N of an even turn; each rod turned scatters by ``HANDS_SD`` of its turn on its own.
    """
    mean = variance = 0.0
    for turn in turns:
        if turn.head != name or turn.turns == 0.0:
            continue
        each = (HANDS_SD * turn.turns) ** 2 + HANDS_FLOOR**2
        mean += turn.turns if turn.rod is None else turn.turns / rods
        variance += each / rods if turn.rod is None else each / rods**2
    return mean, variance


def new_heads(state: State) -> tuple[bool, bool]:
    """Whether the state's settings or remark say that a head was replaced.

    ``new_head = batter`` (or ``resonant``, ``both``) as a setting, or 'new batter head' in the remark;
    'new head' alone means the batter.
    """
    said = state.settings.get("new_head", "").lower()
    remark = state.remark.lower()
    found = []
    for name in HEADS:
        by_setting = said in (name, "both", "all") or name in said
        found.append(by_setting or f"new {name}" in remark or "new heads" in remark)
    if ("new head" in remark or said in ("yes", "true", "1")) and not any(found):
        found[0] = True
    return found[0], found[1]


def _when(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError:
        return None
    return moment.replace(tzinfo=None)


def _temperature(state: State) -> float | None:
    if state.drum.air.temperature_c is not None:
        return state.drum.air.temperature_c
    try:
        return float(state.settings["temperature_c"])
    except (KeyError, ValueError):
        return None


def fit_of(state: State) -> Fit | None:
    """The state's fit when there is one that was not refused and names the batter's tension."""
    if not state.fit:
        return None
    fit = wire.fit_from(state.fit)
    return fit if fit.batter is not None and fit.refused is None else None


def _inner_cov(fit: Fit) -> Array:
    """Covariance (2, 2) of (ln T_batter, ln T_resonant) of a fit's main answer."""
    if fit.log_cov is not None:
        to_heads = np.array([[1.0, 0.5], [1.0, -0.5]])
        return np.asarray(to_heads @ np.array(fit.log_cov) @ to_heads.T)
    heads = (fit.batter, fit.resonant)
    return np.diag([(h.tension_sd / h.tension) ** 2 if h else 0.0 for h in heads])


def _split(cov: Array, change_sd: float | None) -> tuple[Array, Array]:
    """Independent covariance and common variance of a fit: film mass is wrong alike in every state."""
    variance = np.diag(cov)
    common = np.minimum(COMMON_SHARE * variance, FILM_COMMON_SD**2)
    if change_sd is not None:  # said by the fit itself: a change's sd is sqrt 2 of one state's own part
        common = np.clip(variance - change_sd**2 / 2.0, 0.0, 0.995 * variance)
    keep = np.sqrt(1.0 - common / variance)
    return cov * np.outer(keep, keep), common


def _found(state: State, first: bool) -> tuple[tuple[Answer, ...], Array]:
    """The answers of one state's fit and the variance (2,) of ln T that all states share."""
    fit = fit_of(state)
    if fit is not None and fit.batter is not None:
        cov = _inner_cov(fit) + 1e-6 * np.eye(2)
        if fit.resonant is None:
            cov = np.diag([cov[0, 0], NOTHING])
        own, common = _split(cov, fit.change_sd)
        pairs = [(fit.odds, fit.batter, fit.resonant)] + [(a.odds, a.batter, a.resonant) for a in fit.alternatives]
        return tuple(
            Answer(max(odds, 1e-3), np.log([b.tension, r.tension if r else 500.0]), own) for odds, b, r in pairs
        ), common
    heads = [head_or_none(state, name) for name in HEADS]
    if not first or all(h is None or h.tension is None for h in heads):
        return (), np.zeros(2)
    mean = np.log([h.tension if h and h.tension else 500.0 for h in heads])
    own = np.diag([ASSUMED_TENSION_SD**2 if h and h.tension else NOTHING for h in heads])
    return (Answer(1.0, mean, own),), np.zeros(2)


def visits(states: Sequence[State]) -> tuple[Visit, ...]:
    """The states of ONE drum in order of their numbers, as the learner sees them."""
    out: list[Visit] = []
    before: State | None = None
    for state in sorted(states, key=lambda s: s.number):
        rods = [h.rods if h else 8 for h in (head_or_none(state, name) for name in HEADS)]
        moved = [even_turns(state.turns, name, n) for name, n in zip(HEADS, rods, strict=True)]
        answers, common = _found(state, before is None)
        then, now = (_when(before.made_at) if before else None), _when(state.made_at)
        days = max((now - then).total_seconds() / 86400.0, 0.0) if then and now else 0.0
        t0, t1 = (_temperature(before) if before else None), _temperature(state)
        film = np.array([h.surface_density if h else np.nan for h in (head_or_none(state, n) for n in HEADS)])
        new = new_heads(state) if before else (False, False)
        if out:  # another film is another head, said or not
            changed = np.abs(film / out[-1].film - 1.0) > 0.15
            new = (new[0] or bool(changed[0]), new[1] or bool(changed[1]))
        known = t0 is not None and t1 is not None
        out.append(Visit(state.number, np.array([m[0] for m in moved]), np.array([m[1] for m in moved]), days,
                         (t1 - t0) if t0 is not None and t1 is not None else 0.0, known, new, answers, common, film))
        before = state
    return tuple(out)


def measured_partials(state: State) -> list[dict[str, Any]]:
    """The partials of the state's reading as contract JSON, empty when nothing was read."""
    return list(state.reading.get("partials", ())) if state.reading else []
