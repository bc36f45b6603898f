"""What one plan needs to know: the drum as it stands, what turns do to it, what is wanted, and the bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import CannotAnswer, InputError
from ..infer import ladder
from ..infer.turns import HeadsModel, learn_heads
from ..records import HEADS, Drum, HeadName, Reading, State
from . import safety, wish
from .sheet import Model, Sheet, sheet_of
from .wish import FIGURES, Goal, Wish

Array = NDArray[np.float64]
NOTE, TAIL, BATTER = FIGURES.index("note"), FIGURES.index("tail"), FIGURES.index("batter")


@dataclass
class Task:
    """Everything one plan needs: the drum now, what was learned, the goals and the bounds."""

    drum: Drum
    learned: HeadsModel
    sheet: Sheet
    now: Array  # figures (8,) of the model at the present tensions
    heard: Array  # figures (8,) as read, the model's where nothing was read
    offset: Array  # figures (8,) read minus the model's, plus what a laid-on thing does
    goals: list[Goal]
    heads: tuple[HeadName, ...]
    limits: dict[HeadName, safety.Bounds]
    minutes: float | None
    states: Sequence[State]
    cannot: list[str] = field(default_factory=list)
    felt: float = 0.0  # ln of what a laid-on thing does to the tail
    anchored: bool = False  # the note was read in the last state
    target_partials: Array = field(default_factory=lambda: np.zeros(0))  # ln Hz of a recording to come nearer to

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


def _reading_goals(reading: Reading, cannot: list[str]) -> tuple[list[Goal], Array]:
    """Goals of 'nearer to a recording': its note and tail, and ln Hz of its loudest partials."""
    loud = sorted(reading.partials, key=lambda p: -max((v for v in p.level_db if v is not None), default=-99.0))[:6]
    if not loud:
        raise InputError("the recording to come nearer to has no credible partial: choose another take.")
    goals = []
    if reading.note.frequency_hz is not None:
        goals.append(Goal("note", log(reading.note.frequency_hz), wish.SEMITONE / 5, 0, "nearer"))
        if reading.note.t60_s:
            goals.append(Goal("tail", log(reading.note.t60_s), 0.15, 0, "nearer", 0.5))
    cannot.append("nearer: pitches and tails can be approached; the strike, the room, the microphone and what was "
                  "done to the recording afterwards are not in the heads")
    return goals, np.log([p.frequency_hz for p in loud])


def make_task(drum: Drum, states: Sequence[State], *, wishes: Sequence[Wish], note_hz: float | None,
              target_state: State | None, nearer_to: Reading | None, only: HeadName | None, minutes: float | None,
              model: Model | None, others: Sequence[Sequence[State]], learned: HeadsModel | None) -> Task:
    """The task of one plan; raises InputError or CannotAnswer with one sentence when there is none."""
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
    partials = np.zeros(0)
    if nearer_to is not None:
        more, partials = _reading_goals(nearer_to, cannot)
        goals += more
    elif any(w.name == "nearer" for w in wishes):
        raise InputError("nearer needs a recording to come nearer to: name its file.")
    if any(w.name == "state" for w in wishes) and target_state is None:
        raise InputError("back to a state needs that state of the log: use --state N.")
    if not goals and not len(partials):
        raise InputError(f"nothing to plan for: give a note, a state or a wish ({', '.join(wish.known_wishes())}).")
    heads = tuple(h for h in HEADS if (only in (None, h)) and (h == "batter" or drum.resonant is not None))
    limits = {h: safety.bounds(stands, h, states) for h in heads}
    return Task(stands, learned, sheet, now, np.nan_to_num(now) + offset, offset, goals, heads, limits, minutes,
                states, cannot, 0.0, bool(offset[NOTE]), partials)
