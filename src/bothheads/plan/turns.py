"""Wishes and a drum in, turns for two hands out: small equal steps, each with its forecast and its band.

The search runs over whole eighths of both heads on the drum's sheet (``plan.sheet``), with exact solves where
it wants to end up. Tensions after turns, and how sure they are, come from what the log has taught
(``infer.turns``); the note is anchored on what was read last. Planned again after every reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import exp, log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import units
from ..errors import CannotAnswer
from ..infer import ladder
from ..infer.history import new_heads
from ..infer.turns import After, HeadsModel, of_head
from ..records import HEADS, Drum, HeadName, Plan, PlanStep, Reading, RodTurn, State
from . import muffling, safety, wish
from .order import cross_order
from .search import MOST_STEPS, NEAR_CENTS, column, far_off, minutes_of, search
from .sheet import Model, figures
from .task import BATTER, NOTE, TAIL, Task, make_task
from .wish import FIGURES, Goal, Wish

Array = NDArray[np.float64]


def _interleaved(eighths: Array, heads: Sequence[HeadName]) -> list[tuple[HeadName, float]]:
    """Passes of both heads in turn, the head that slackens first so that no note runs up in between."""
    queues = {h: safety.split(float(eighths[HEADS.index(h)])) for h in heads}
    out: list[tuple[HeadName, float]] = []
    order = sorted(queues, key=lambda h: (eighths[HEADS.index(h)] > 0, -len(queues[h])))
    while any(queues.values()):
        for head in order:
            if queues[head]:
                out.append((head, queues[head].pop(0)))
    return out


def expected(task: Task, after: After) -> dict[str, Any]:
    """Forecast after some turns in contract keys: note, tail and tensions, each with its sd."""
    log_t = np.log(after.then)
    value = task.sheet.at_many(log_t[None])[0] + task.offset
    slope, slope_now = task.sheet.slopes(log_t), task.sheet.slopes(task.log_now)
    scale = np.concatenate([1.0 / after.now, 1.0 / after.then])
    cov = after.cov * np.outer(scale, scale)
    anchored = task.anchored
    out: dict[str, Any] = {}
    for name, i, floor in (("note", NOTE, 0.002 if anchored else 0.004), ("tail", TAIL, 0.08 if anchored else 0.25)):
        lever = np.concatenate([-slope_now[i] if anchored else np.zeros(2), slope[i]])
        common = (slope[i] - (slope_now[i] if anchored else 0.0)) ** 2 @ task.learned.common_var
        felt = task.felt / 3.0 if name == "tail" else 0.0  # what felt does is known to a third of the change
        sd = sqrt(float(lever @ cov @ lever) + float(common) + floor**2 + felt**2)
        mean = exp(float(value[i]))
        unit = "hz" if name == "note" else "s"
        out[f"{name}_{unit}"], out[f"{name}_sd_{unit}"] = mean, mean * sd
    out["note"] = units.note_name(out["note_hz"])
    for i, head in enumerate(HEADS):
        if head == "batter" or task.drum.resonant is not None:
            out[f"{head}_tension"] = float(after.then[i])
            out[f"{head}_tension_sd"] = sqrt(float(after.cov[2 + i, 2 + i]) + float(
                task.learned.common_var[i]) * float(after.then[i]) ** 2)
    return out


def _steps(task: Task, passes: Sequence[tuple[HeadName, float]]) -> list[PlanStep]:
    steps, total = [], {h: 0.0 for h in HEADS}
    for head, eighths in passes:
        total[head] += eighths / 8.0
        forecast = expected(task, task.learned.after({h: t for h, t in total.items() if t}))
        low, high = (forecast["note_hz"] + z * 1.96 * forecast["note_sd_hz"] for z in (-1, 1))
        forecast["note_band_hz"] = [low, high]
        rods = task.drum.head(head).rods
        steps.append(PlanStep(head, tuple(RodTurn(r, eighths) for r in range(1, rods + 1)),
                              tuple(cross_order(rods)), "read", forecast))
    return steps


def _learned_words(task: Task, eighths: Array) -> dict[str, str]:
    return {h: of_head(task.learned, h).words(float(eighths[HEADS.index(h)]) / 8.0) for h in task.heads}


def _cautions(task: Task, eighths: Array, log_t: Array) -> list[str]:
    turned = [(h, float(eighths[HEADS.index(h)])) for h in task.heads if eighths[HEADS.index(h)]]
    far, low, high = [], [], []
    after = task.learned.after({h: e / 8.0 for h, e in turned})
    for head, e in turned:
        i, limit = HEADS.index(head), task.limits[head]
        tension = exp(log_t[i])
        if task.learned.steps_learned[i] == 0:
            model = of_head(task.learned, head)
            far.append(f"What a turn does on the {head} head is {model.words().split(':')[0]}: the first step may be "
                       f"off by a factor of {model.slope_factor:.1f}, so read after it and plan again.")
        elif after.extrapolated[i]:
            far.append(f"The {head} head goes further than its log has been: extrapolated, read after each step.")
        if tension > 0.85 * limit.highest:
            high.append(head)
        if tension < 1.15 * limit.lowest and e < 0:
            low.append(head)
    last = max(task.states, key=lambda s: s.number, default=None)
    new = [h for h, is_new in zip(HEADS, new_heads(last) if last else (False, False), strict=True) if is_new]
    return safety.turning_cautions(turned, near_low=low, near_high=high, extrapolated=far, drum=task.drum,
                                   hurried=task.minutes is not None and task.minutes <= 15.0, new=new)


def _missed(task: Task, values: Array) -> list[tuple[Goal, str]]:
    """Goals that figures ``values`` (8,) miss, each with what it comes to in words."""
    start = task.heard[None]
    out = []
    for goal in task.goals:
        was, value = float(column(goal, start)[0]), float(column(goal, values[None])[0])
        if wish.shortfall(goal, value) > 0:
            out.append((goal, f"{goal.wish}: {wish.in_words(goal, was, value)}"))
    return out


def _end(task: Task, log_t: Array) -> Array:
    """Figures (8,) at the end of the turns, solved exactly and anchored on the reading."""
    values = np.nan_to_num(task.sheet.exact(log_t)) + task.offset
    values[BATTER:] = log_t
    return values


def _lay_on(task: Task, values: Array) -> PlanStep | None:
    """A step of muffling where turning leaves tail or attack open; shifts the task's figures by what it does."""
    open_goals = {g.figure: g for g, _ in _missed(task, values)}
    if "tail" in open_goals:
        ratio = exp(open_goals["tail"].target - values[TAIL])
    elif "attack" in open_goals:
        ratio = 0.65 if open_goals["attack"].direction > 0 else 1.5
    else:
        return None
    offer = muffling.suggest(task.drum, tail_ratio=ratio, head=task.heads[0])
    if offer is None or (offer.tail_ratio < 1.0) != (ratio < 1.0):
        return None
    shift = figures(replace(task.drum, muffling=offer.muffling), offer.after) - figures(task.drum, offer.before)
    shift = np.nan_to_num(shift)
    shift[FIGURES.index("roundness")] = 0.0
    task.offset = task.offset + shift
    task.felt = log(offer.tail_ratio)
    forecast = expected(task, task.learned.after({}))
    return PlanStep(offer.head, (), (), "read", forecast, offer.words)


def _far_partials(task: Task, log_t: Array) -> list[str]:
    """Partials of the wished recording that no partial of the drum comes near, in words."""
    if not len(task.target_partials):
        return []
    off = far_off(task, log_t[None])[0]
    return [f"nearer: nothing comes within {NEAR_CENTS:.0f} cents of the partial at {exp(f):.0f} Hz"
            for f, cents in zip(task.target_partials, off, strict=True) if cents > NEAR_CENTS]


def plan_turns(
    drum: Drum,
    *,
    states: Sequence[State] = (),
    wishes: Sequence[Wish] = (),
    note_hz: float | None = None,
    target_state: State | None = None,
    only: HeadName | None = None,
    minutes: float | None = None,
    others: Sequence[Sequence[State]] = (),
    learned: HeadsModel | None = None,
    model: Model | None = None,
    nearer_to: Reading | None = None,
) -> Plan:
    """Turns that bring a drum nearer to what is wished, in steps for two hands.

    Parameters
    ----------
    drum : the drum as it stands; its tensions are used when ``states`` holds none.
    states : its log, oldest first or in any order; the last one is where it stands now.
    wishes, note_hz, target_state : what is wanted (``plan.wish``), a drum note [Hz], a state to come back to.
    only : the one head that can be reached. minutes : the time there is.
    others : other drums' logs, which teach what a turn does. learned : what was learned already.
    model : another forecast function, for trials. nearer_to : a reading to come nearer to.

    Returns
    -------
    Plan with steps, ``expected`` at the end (note, tail, tensions with sds), ``cautions``, ``cannot`` (what of
    the wish stays open, in words), or ``refused`` with the reason and no steps.

    Raises
    ------
    InputError, CannotAnswer
        When there is nothing to plan for, or neither a tension nor a log to plan from.
    """
    if not states and ladder.known_tensions(drum) is None:
        raise CannotAnswer("no tension and no history: give batter.tension and resonant.tension, or log a take.")
    task = make_task(drum, states, wishes=wishes, note_hz=note_hz, target_state=target_state, nearer_to=nearer_to,
                     only=only, minutes=minutes, model=model, others=others, learned=learned)
    now = expected(task, task.learned.after({}))
    if not _missed(task, task.heard) and not len(task.target_partials):  # all within tolerance: leave it alone
        return Plan((), now | {"learned": _learned_words(task, np.zeros(2))}, (), None, tuple(task.cannot), 0.0)
    eighths, log_t = search(task)
    laid = _lay_on(task, _end(task, log_t))
    if laid is not None:
        eighths, log_t = search(task)
    steps = ([laid] if laid else []) + _steps(task, _interleaved(eighths, task.heads))
    missed = _missed(task, _end(task, log_t))
    unmet = [words for _, words in missed] + _far_partials(task, log_t)
    if missed and sum(not s.muffling for s in steps) >= MOST_STEPS:
        unmet.append(f"this is as far as {MOST_STEPS} rounds go: read, then plan again from there")
    learned_words = _learned_words(task, eighths)
    if not steps:
        return Plan((), now | {"learned": learned_words}, (), _why_not(task, missed) if missed else None,
                    tuple(task.cannot + unmet), 0.0)
    turned = {h: float(eighths[HEADS.index(h)]) / 8.0 for h in task.heads}
    total = steps[-1].expected | {"learned": learned_words, "turns": turned}
    spent = float(minutes_of(eighths.astype(float), task.learned.rods)) + sum(s.muffling is not None for s in steps)
    cautions = _cautions(task, eighths, log_t)
    if any(s.muffling for s in steps):
        cautions.append("How much a thing laid on film takes away differs from cloth to cloth: begin smaller.")
    return Plan(tuple(steps), total, tuple(cautions), None, tuple(task.cannot + unmet), spent)


def _why_not(task: Task, missed: Sequence[tuple[Goal, str]]) -> str:
    """The sentence that refuses a plan without a step."""
    reach = " and ".join(task.heads)
    need = min(safety.minutes_for(task.drum.head(h).rods, 1) for h in task.heads)
    if task.minutes is not None and task.minutes < need:
        return (f"one round over the {reach} head takes about {need:.0f} minutes: "
                f"{task.minutes:g} minutes are not enough to turn all its rods once.")
    return f"no turn of the {reach} head within its bounds brings the wish nearer ({missed[0][1]})."
