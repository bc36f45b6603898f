"""Wishes and a drum in, turns for two hands out: small equal steps, each with its forecast and its band.

The search runs over whole eighths of both heads on the drum's sheet (``plan.sheet``), with exact solves where
it wants to end up. Tensions after turns, and how sure they are, come from what the log has taught
(``infer.turns``); the note is anchored on what was read last. Planned again after every reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import units
from ..errors import CannotAnswer, InputError
from ..infer import ladder
from ..infer.history import new_heads
from ..infer.turns import After, HeadsModel, learn_heads, of_head
from ..records import HEADS, Drum, HeadName, Plan, PlanStep, RodTurn, State
from . import safety, wish
from .order import cross_order
from .sheet import Model, Sheet, sheet_of
from .wish import FIGURES, Goal, Wish

Array = NDArray[np.float64]
NOTE, TAIL, BATTER = FIGURES.index("note"), FIGURES.index("tail"), FIGURES.index("batter")

REACH = 16  # eighths either way in one plan: two turns
TURN_COST = 0.004  # per eighth of one head: of two equal answers take the one with less turning
DRIFT_COST = 0.03  # weight that holds what nobody asked about where it is
OVERSHOOT_COST = 0.15  # share of the cost beyond a goal that is met
REFINEMENTS = 5
MOST_STEPS = 8  # passes in one plan; after that many the log knows better, so plan again


@dataclass
class Task:
    """Everything one plan needs: the drum now, what was learned, the goals and the bounds."""

    drum: Drum
    learned: HeadsModel
    sheet: Sheet
    now: Array  # figures (8,) of the model at the present tensions
    offset: Array  # figures (8,) read minus figures of the model, where something was read
    goals: list[Goal]
    heads: tuple[HeadName, ...]
    limits: dict[HeadName, safety.Bounds]
    minutes: float | None
    states: Sequence[State]
    cannot: list[str] = field(default_factory=list)

    @property
    def log_now(self) -> Array:
        """ln T (2,) at present."""
        return self.now[BATTER:]


# ------------------------------------------------------------------ the drum as it stands
def _history(drum: Drum, states: Sequence[State]) -> Sequence[State]:
    return states if states else [State(0, 1, "", drum)]


def _stands(drum: Drum, learned: HeadsModel) -> Drum:
    now, _ = learned.now()
    return ladder.with_tensions(drum, float(now[0]), float(now[1]))


def _read_offset(states: Sequence[State], now: Array) -> Array:
    """ln(read / model) of note and tail from the last reading, zero where nothing was read."""
    offset = np.zeros(len(FIGURES))
    last = max(states, key=lambda s: s.number) if states else None
    note: Mapping[str, Any] = (last.reading or {}).get("note", {}) if last else {}
    if note.get("frequency_hz"):
        off = log(note["frequency_hz"]) - now[NOTE]
        if abs(off) < 0.12:  # two semitones: further off it is not the same partial
            offset[NOTE] = off
            if note.get("t60_s"):
                offset[TAIL] = log(note["t60_s"]) - now[TAIL]
    return offset


def _state_goals(target: State, task_drum: Drum, now: Array, cannot: list[str]) -> list[Goal]:
    """Goals of 'back to state N': its tensions when the films are the same, else its note and head relation."""
    drum = target.drum
    tension = ladder.known_tensions(drum)
    note = (target.reading or {}).get("note", {}) if target.reading else {}
    goals: list[Goal] = []
    same = all(
        a is not None and b is not None and abs(a.surface_density / b.surface_density - 1.0) < 0.1
        for a, b in ((drum.batter, task_drum.batter), (drum.resonant, task_drum.resonant)) if a or b)
    label = f"state {target.number}"
    if tension is not None and same:
        goals += [Goal(f, log(t), 0.02, 0, label) for f, t in zip(HEADS, tension, strict=True)
                  if f == "batter" or drum.resonant is not None]
    elif tension is not None and drum.resonant is not None and task_drum.resonant is not None:
        ratio = log(tension[0] / drum.batter.surface_density) - log(tension[1] / drum.resonant.surface_density)
        films = log(task_drum.batter.surface_density / task_drum.resonant.surface_density)
        goals.append(Goal("relation", ratio + films, 0.05, 0, label))
        cannot.append(f"a head is another film than in {label}: its note and the relation of the heads can come back, "
                      "its colour may not")
    if note.get("frequency_hz"):
        goals.append(Goal("note", log(note["frequency_hz"]), wish.SEMITONE / 10, 0, label))
    if not goals:
        raise CannotAnswer(f"{label} has neither a fit nor a note: pick a state that was read.")
    if drum.muffling != task_drum.muffling:
        cannot.append(f"the muffling differs from {label}: put it as it was first")
    if (drum.strike.x, drum.strike.y) != (task_drum.strike.x, task_drum.strike.y):
        cannot.append(f"the strike point differs from {label}")
    return goals


def _task(drum: Drum, states: Sequence[State], wishes: Sequence[Wish], note_hz: float | None,
          target_state: State | None, only: HeadName | None, minutes: float | None, model: Model | None,
          others: Sequence[Sequence[State]], learned: HeadsModel | None) -> Task:
    safety.check_minutes(minutes)
    if only == "resonant" and drum.resonant is None:
        raise InputError("this drum has no resonant head: only the batter can be turned.")
    history = _history(drum, states)
    learned = learned or learn_heads(history, others=others)
    stands = _stands(drum, learned)
    sheet = sheet_of(stands, model)
    log_t = np.log(ladder.known_tensions(stands) or (1.0, 1.0))
    now = sheet.exact(log_t)
    now = np.concatenate([now[:BATTER], log_t])
    if np.isnan(now[NOTE]):
        raise CannotAnswer("the model finds no drum note here: turn by the readings of single heads instead.")
    offset = _read_offset(states, now)
    cannot: list[str] = []
    heard = dict(zip(FIGURES, np.nan_to_num(now + offset), strict=True))
    goals = wish.goals_of(wishes, heard, note_hz=note_hz)
    if target_state is not None:
        goals += _state_goals(target_state, stands, now, cannot)
    if not goals:
        raise InputError(f"nothing to plan for: give a note, a state or a wish ({', '.join(wish.known_wishes())}).")
    heads = tuple(h for h in HEADS if (only in (None, h)) and (h == "batter" or drum.resonant is not None))
    limits = {h: safety.bounds(stands, h, states) for h in heads}
    return Task(stands, learned, sheet, now, offset, goals, heads, limits, minutes, states, cannot)


# ------------------------------------------------------------------ search
def _candidates(task: Task) -> tuple[Array, Array]:
    """Whole eighths (n, 2) within bounds, time and reach, and their ln tensions (n, 2)."""
    lines = [np.arange(-REACH, REACH + 1) if h in task.heads else np.array([0]) for h in HEADS]
    grid = np.array(np.meshgrid(*lines, indexing="ij")).reshape(2, -1).T
    mean_slope = task.learned.weights @ np.exp(task.learned.log_slopes)
    tension = np.exp(task.log_now) + mean_slope * grid / 8.0
    ok = np.ones(len(grid), dtype=bool)
    for head in task.heads:
        i, limit = HEADS.index(head), task.limits[head]
        low = min(limit.lowest, exp(task.log_now[i]))
        inside = (tension[:, i] >= low) & (tension[:, i] <= max(limit.highest, exp(task.log_now[i])))
        ok &= inside | (grid[:, i] == 0)
    ok &= np.ceil(np.abs(grid) / safety.LARGEST_STEP).sum(axis=1) <= MOST_STEPS
    if task.minutes is not None:
        ok &= _minutes(grid, task.learned.rods) <= task.minutes + 1e-9
    grid = grid[ok]
    return grid, np.log(np.maximum(tension[ok], 15.0))


def _minutes(eighths: Array, rods: tuple[int, int]) -> Array:
    passes = np.ceil(np.abs(eighths) / safety.LARGEST_STEP)
    return np.asarray((passes * (safety.SECONDS_A_ROD * np.array(rods) + safety.SECONDS_A_READING)).sum(axis=-1) / 60.0)


def _column(goal: Goal, values: Array) -> Array:
    if goal.figure == "relation":
        return np.asarray(values[:, BATTER] - values[:, BATTER + 1])
    return np.asarray(values[:, FIGURES.index(goal.figure)])


def _cost(task: Task, eighths: Array, log_t: Array) -> Array:
    """Cost of each candidate: goals missed, turning, and drift of what nobody asked about."""
    values = task.sheet.at_many(log_t) + task.offset
    values[:, BATTER:] = log_t
    cost = TURN_COST * np.abs(eighths).sum(axis=1)
    for goal in task.goals:
        off = (_column(goal, values) - goal.target) / goal.tolerance
        if goal.direction:
            off = np.where(off * goal.direction > 0, off * OVERSHOOT_COST, off)
        cost = cost + goal.weight * off**2
    asked = {g.figure for g in task.goals}
    base = task.now + task.offset
    for figure, width in (("note", wish.SEMITONE), ("tail", 0.3), ("response", 0.1), ("roundness", 3.0)):
        if figure not in asked:
            i = FIGURES.index(figure)
            cost = cost + DRIFT_COST * ((values[:, i] - np.nan_to_num(base[i])) / width) ** 2
    return np.asarray(cost)


def _search(task: Task) -> tuple[Array, Array]:
    """Eighths (2,) and ln tensions of the best candidate; only candidates solved exactly may win."""
    eighths, log_t = _candidates(task)
    low, high = log_t.min(axis=0), log_t.max(axis=0)
    spread = np.array([0.45, 0.45])
    task.sheet.cover(np.maximum(low, task.log_now - spread), np.minimum(high, task.log_now + spread))
    tried = [int(np.flatnonzero(~eighths.any(axis=1))[0])]  # no turn is always a candidate
    for _ in range(REFINEMENTS):
        found = int(np.argmin(_cost(task, eighths, log_t)))
        if found in tried:
            break
        task.sheet.exact(log_t[found])
        tried.append(found)
    best = tried[int(np.argmin(_cost(task, eighths[tried], log_t[tried])))]
    return eighths[best], log_t[best]


# ------------------------------------------------------------------ the plan in steps
def _interleaved(eighths: Array, heads: Sequence[HeadName]) -> list[tuple[HeadName, int]]:
    """Passes of both heads in turn, the head that slackens first so that no note runs up in between."""
    queues = {h: safety.split(int(eighths[HEADS.index(h)])) for h in heads}
    out: list[tuple[HeadName, int]] = []
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
    anchored = bool(task.offset[NOTE])
    out: dict[str, Any] = {}
    for name, i, floor in (("note", NOTE, 0.002 if anchored else 0.004), ("tail", TAIL, 0.08 if anchored else 0.25)):
        lever = np.concatenate([-slope_now[i] if anchored else np.zeros(2), slope[i]])
        common = (slope[i] - (slope_now[i] if anchored else 0.0)) ** 2 @ task.learned.common_var
        sd = sqrt(float(lever @ cov @ lever) + float(common) + floor**2)
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


def _steps(task: Task, passes: Sequence[tuple[HeadName, int]]) -> list[PlanStep]:
    steps, total = [], {h: 0.0 for h in HEADS}
    for head, eighths in passes:
        total[head] += eighths / 8.0
        forecast = expected(task, task.learned.after({h: t for h, t in total.items() if t}))
        low, high = (forecast["note_hz"] + z * 1.96 * forecast["note_sd_hz"] for z in (-1, 1))
        forecast["note_band_hz"] = [low, high]
        rods = task.drum.head(head).rods
        steps.append(PlanStep(head, tuple(RodTurn(r, float(eighths)) for r in range(1, rods + 1)),
                              tuple(cross_order(rods)), "read", forecast))
    return steps


def _learned_words(task: Task, eighths: Array) -> dict[str, str]:
    return {h: of_head(task.learned, h).words(float(eighths[HEADS.index(h)]) / 8.0) for h in task.heads}


def _cautions(task: Task, eighths: Array, log_t: Array) -> list[str]:
    turned = [(h, int(eighths[HEADS.index(h)])) for h in task.heads if eighths[HEADS.index(h)]]
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


def _unmet(task: Task, log_t: Array) -> tuple[list[str], bool]:
    """Goals that the plan's end misses, in words, and whether any goal comes nearer at all."""
    end = task.sheet.exact(log_t)
    values = np.concatenate([end[:BATTER] + task.offset[:BATTER], log_t])[None]
    start = (np.nan_to_num(task.now) + task.offset)[None]
    words, nearer = [], False
    for goal in task.goals:
        was, value = float(_column(goal, start)[0]), float(_column(goal, values)[0])
        nearer |= abs(value - goal.target) < abs(was - goal.target) - 0.1 * goal.tolerance
        if wish.shortfall(goal, value) > 0:
            words.append(f"{goal.wish}: {wish.in_words(goal, was, value)}")
    return words, nearer


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
) -> Plan:
    """Turns that bring a drum nearer to what is wished, in steps for two hands.

    Parameters
    ----------
    drum : the drum as it stands; its tensions are used when ``states`` holds none.
    states : its log, oldest first or in any order; the last one is where it stands now.
    wishes, note_hz, target_state : what is wanted (``plan.wish``), a drum note [Hz], a state to come back to.
    only : the one head that can be reached. minutes : the time there is.
    others : other drums' logs, which teach what a turn does. learned : what was learned already.
    model : another forecast function, for trials.

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
    task = _task(drum, states, wishes, note_hz, target_state, only, minutes, model, others, learned)
    eighths, log_t = _search(task)
    unmet, nearer = _unmet(task, log_t)
    done = not _unmet(task, task.log_now)[0]
    now = expected(task, task.learned.after({}))
    now["learned"] = _learned_words(task, eighths)
    if not eighths.any():
        reason = None if done else _why_not(task, unmet)
        return Plan((), now, (), reason, tuple(task.cannot + ([] if done else unmet)), 0.0)
    passes = _interleaved(eighths, task.heads)
    steps = _steps(task, passes)
    total = dict(steps[-1].expected)
    total["learned"] = now["learned"]
    total["turns"] = {h: float(eighths[HEADS.index(h)]) / 8.0 for h in task.heads}
    spent = float(_minutes(eighths.astype(float), task.learned.rods))
    cannot = task.cannot + unmet + ([] if nearer else ["no part of the wish comes clearly nearer"])
    return Plan(tuple(steps), total, tuple(_cautions(task, eighths, log_t)), None, tuple(cannot), spent)


def _why_not(task: Task, unmet: Sequence[str]) -> str:
    """The sentence that refuses a plan without a turn."""
    reach = " and ".join(task.heads)
    if task.minutes is not None and task.minutes < min(
            safety.minutes_for(task.drum.head(h).rods, 1) for h in task.heads):
        need = min(safety.minutes_for(task.drum.head(h).rods, 1) for h in task.heads)
        return (f"one round over the {reach} head takes about {need:.0f} minutes: "
                f"{task.minutes:g} minutes are not enough to turn all its rods once.")
    detail = f" ({unmet[0]})" if unmet else ""
    return f"no turn of the {reach} head within its bounds brings the wish nearer{detail}."
