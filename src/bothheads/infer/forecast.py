"""Forecasts with spread: a drum whose tensions are known so-so, and a drum after turns.

After turns nothing absolute is trusted: the model says by what factor each partial changes, and that factor
is applied to what was READ in the last state, so that film mass, room and the model's own bias cancel.
First order throughout: var(ln f) = s' C s with the exact slopes s = d ln f / d ln T and the covariance C.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from .. import units
from ..constants import ASSUMED_RESISTANCE_FACTOR
from ..errors import CannotAnswer
from ..records import HEADS, Drum, HeadName, ModelPartial, Note, Prediction, State, Turn
from . import ladder
from .anchors import Anchor, anchors, pair_rungs
from .ladder import Key, Rung
from .turns import After, HeadsModel, learn_heads

Array = NDArray[np.float64]

MODEL_SD = 0.0025  # ln f, the model against drums that are not described to the last gram
FILM_SHARE = 0.1  # of the variance that all states share: a fit's tension makes up for a wrong film in most partials
MODEL_DECAY_SD = 0.10  # ln tau, likewise
CHANGE_SD = 0.0006  # ln f of a change, whatever its size
CHANGE_SHARE = 0.02  # sd of a change as part of the change itself
DECAY_CHANGE_SHARE = 0.25
DECAY_CHANGE_SD = 0.05


def loss_sd(drum: Drum) -> tuple[float, float]:
    """Sd of ln R of each head: 0 where the drum file gives a resistance, else the width of the assumed one."""
    heads = (drum.batter, drum.resonant)
    found = [0.0 if h is None or h.resistance is not None else log(ASSUMED_RESISTANCE_FACTOR) for h in heads]
    return found[0], found[1]


def _covariance(drum: Drum, tensions: Mapping[HeadName, tuple[float, float]] | Array) -> tuple[Drum, Array]:
    if not isinstance(tensions, Mapping):
        return drum, np.asarray(tensions, dtype=float)
    variance = [0.0, 0.0]
    for name, (mean, sd) in tensions.items():
        drum = ladder.with_tension(drum, name, mean)
        variance[HEADS.index(name)] = (sd / mean) ** 2
    return drum, np.diag(variance)


def predict_drum(drum: Drum, fmax_hz: float | None) -> Prediction:
    """The physical model's forecast of a drum to ``fmax_hz`` [Hz] (None: its own highest)."""
    from ..physics.forecast import forecast

    return forecast(drum, fmax_hz=fmax_hz)


def forecast_spread(
    drum: Drum,
    tensions: Mapping[HeadName, tuple[float, float]] | Array,
    *,
    loss_sds: tuple[float, float] | None = None,
    model_sd: float = MODEL_SD,
    fmax_hz: float | None = None,
) -> Prediction:
    """Prediction of ``drum`` with one standard deviation on every figure.

    ``tensions`` is {head: (mean, sd)} [N/m], or the covariance (2, 2) of (ln T_batter, ln T_resonant) about the
    drum's own tensions. ``loss_sds`` is the sd of ln R per head (default: 0 where given in the drum file, else
    ln 2.5), ``model_sd`` the model's own in ln f.
    """
    drum, cov = _covariance(drum, tensions)
    losses = loss_sd(drum) if loss_sds is None else loss_sds
    base = predict_drum(drum, fmax_hz)
    rungs = ladder.rungs(drum, fmax_hz=fmax_hz)
    partials = []
    for p, rung in zip(base.partials, pair_rungs(base, rungs), strict=True):
        if rung is None:
            partials.append(p)
            continue
        s, t, r = (np.array(x) for x in (rung.pitch_slope, rung.decay_slope, rung.loss_slope))
        f_sd = p.frequency_hz * sqrt(float(s @ cov @ s) + model_sd**2)
        d_sd = p.decay_s * sqrt(float(t @ cov @ t) + float((r * np.array(losses)) @ (r * np.array(losses)))
                                + MODEL_DECAY_SD**2)
        partials.append(replace(p, frequency_sd_hz=f_sd, decay_sd_s=d_sd))
    note = _note_with_sd(base.note, partials)
    return replace(base, partials=tuple(partials), note=note)


def _note_with_sd(note: Note, partials: Sequence[ModelPartial]) -> Note:
    if note.frequency_hz is None:
        return note
    own = min(partials, key=lambda p: abs(p.frequency_hz - (note.frequency_hz or 0.0)), default=None)
    return replace(note, sd_hz=own.frequency_sd_hz if own else None)


# ------------------------------------------------------------------ matching what was read to modes
@dataclass(frozen=True)
class Change:
    """One partial carried from now to after: ratios and their variances in logarithms."""

    log_f: float
    var_f: float
    log_tau: float
    var_tau: float


def change(now: Rung, then: Rung, after: After, common_var: Array) -> Change:
    """Change of one mode between two tensions with its first-order variance.

    ln f ratio has the slopes -s(now), s(then) in (ln T now, ln T then); what both fits share (film mass)
    enters only through the difference of the two slopes.
    """
    scale = np.concatenate([1.0 / after.now, 1.0 / after.then])
    cov = after.cov * np.outer(scale, scale)

    def spread(a: tuple[float, float], b: tuple[float, float]) -> float:
        slope = np.concatenate([-np.array(a), np.array(b)])
        both = np.array(b) - np.array(a)
        return float(slope @ cov @ slope + both**2 @ common_var)

    log_f, log_tau = log(then.frequency_hz / now.frequency_hz), log(then.decay_s / now.decay_s)
    return Change(
        log_f, spread(now.pitch_slope, then.pitch_slope) + CHANGE_SD**2 + (CHANGE_SHARE * log_f) ** 2,
        log_tau, spread(now.decay_slope, then.decay_slope) + DECAY_CHANGE_SD**2 + (DECAY_CHANGE_SHARE * log_tau) ** 2,
    )


def _carried(p: ModelPartial, rung: Rung, before: Rung | None, anchor: Anchor | None, after: After,
             common: Array) -> tuple[ModelPartial, bool]:
    """One partial of the forecast, anchored on its reading where there is one."""
    if anchor is None or before is None:
        slope = np.array(rung.pitch_slope)
        cov = after.log_then_cov + FILM_SHARE * np.diag(common)
        sd = p.frequency_hz * sqrt(float(slope @ cov @ slope) + MODEL_SD**2)
        return replace(p, frequency_sd_hz=sd, decay_sd_s=0.5 * p.decay_s), False
    move = change(before, rung, after, common)
    frequency, decay = anchor.frequency_hz * np.exp(move.log_f), anchor.decay_s * np.exp(move.log_tau)
    f_sd = frequency * sqrt(move.var_f + (anchor.frequency_sd_hz / anchor.frequency_hz) ** 2)
    d_sd = decay * sqrt(move.var_tau + (anchor.decay_sd_s / anchor.decay_s) ** 2)
    return replace(p, frequency_hz=float(frequency), frequency_sd_hz=float(f_sd), decay_s=float(decay),
                   decay_sd_s=float(d_sd)), True


def forecast_after(
    states: Sequence[State],
    turns: Sequence[Turn] | Mapping[HeadName, float],
    *,
    others: Sequence[Sequence[State]] = (),
    learned: HeadsModel | None = None,
    fmax_hz: float | None = None,
) -> tuple[Drum, Prediction]:
    """The drum after further turns and its prediction, every figure with its sd.

    ``states`` is the log of one drum, ``turns`` what would be done to its last state. Tensions come from all
    states together, partials from the last reading times the model's change. ``learned`` saves learning again.

    Raises
    ------
    CannotAnswer
        When the log holds neither a fit nor a tension.
    """
    return carry(states, turns, learned=learned or learn_heads(states, others=others), fmax_hz=fmax_hz)[:2]


def carry(
    states: Sequence[State], turns: Sequence[Turn] | Mapping[HeadName, float], *, learned: HeadsModel,
    fmax_hz: float | None = None,
) -> tuple[Drum, Prediction, tuple[Key | None, ...]]:
    """As ``forecast_after``, with the key of the mode behind every partial of the prediction."""
    last = max(states, key=lambda s: s.number)
    after = learned.after(turns)
    now, then = (ladder.with_tensions(last.drum, *map(float, t)) for t in (after.now, after.then))
    before = {r.key: r for r in ladder.rungs(now, fmax_hz=fmax_hz)}
    rungs = ladder.rungs(then, fmax_hz=fmax_hz)
    read = anchors(last, predict_drum(now, fmax_hz), list(before.values()))
    base = predict_drum(then, fmax_hz)
    rows: list[tuple[ModelPartial, Key | None]] = []
    note, hits = base.note, 0
    for p, rung in zip(base.partials, pair_rungs(base, rungs), strict=True):
        if rung is None:
            rows.append((p, None))
            continue
        q, read_here = _carried(p, rung, before.get(rung.key), read.get(rung.key), after, learned.common_var)
        hits += read_here
        rows.append((q, rung.key))
        if note.frequency_hz is not None and p.frequency_hz == base.note.frequency_hz:
            note = replace(note, frequency_hz=q.frequency_hz, sd_hz=q.frequency_sd_hz, decay_s=q.decay_s,
                           t60_s=q.t60_s, name=units.note_name(q.frequency_hz))
    rows.sort(key=lambda row: row[0].frequency_hz)
    partials, keys = tuple(p for p, _ in rows), tuple(k for _, k in rows)
    return then, replace(base, partials=partials, note=note, warnings=base.warnings + _warnings(after, hits)), keys


def _warnings(after: After, hits: int) -> tuple[str, ...]:
    out = []
    for name, far in zip(HEADS, after.extrapolated, strict=True):
        if far:
            out.append(f"the {name} head goes further than its log has been: extrapolated")
    if not hits:
        out.append("no partial was read in the last state: the forecast is the model's alone")
    return tuple(out)


def forecast_from_file(
    drum: Drum, turns: Mapping[HeadName, float], *, fmax_hz: float | None = None
) -> tuple[Drum, Prediction]:
    """As ``forecast_after`` for a drum file with tensions and no log: the slope is the wide prior's.

    Raises
    ------
    CannotAnswer
        When the drum file gives no tension.
    """
    if ladder.known_tensions(drum) is None:
        raise CannotAnswer("no tension and no history: give batter.tension and resonant.tension, or log a take.")
    state = State(0, 1, "", drum)
    then, prediction = forecast_after([state], turns, fmax_hz=fmax_hz)
    warned = tuple(w for w in prediction.warnings if "was read" not in w)
    return then, replace(prediction, warnings=(*warned, "learned from no turns yet: a turn's effect is a wide guess"))
