"""Writes docs/plans.md: three worked plans from a synthetic log, each with forecast, band and cautions.

    PYTHONPATH=src python builders/plans.py [docs/plans.md]

The log is invented: a street-band bass drum, 26 x 12 in, whose true slopes, films and hands the program is not
told. Readings are the model's own with noise, so nothing here says how good the model is on a real drum.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: small matrices lose by threads

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from bothheads import units, wire
from bothheads.infer import ladder
from bothheads.infer.turns import learn
from bothheads.physics.forecast import forecast
from bothheads.plan.turns import plan_turns
from bothheads.plan.wish import parse_wish
from bothheads.records import HEADS, Drum, Fit, Head, HeadFit, Note, Partial, Plan, Reading, State, Turn

RNG = np.random.default_rng(26)
DRUM = Drum("Street bass", 0.6604, 0.3048, Head(0.353, 10, tension=600.0), Head(0.353, 10, tension=480.0))
SLOPE = {"batter": 260.0, "resonant": 190.0}  # N/m a turn, true
FIRST = {"batter": 560.0, "resonant": 430.0}
MOVES = (("2026-04-03", 0.0, 0.0), ("2026-04-03", 0.25, 0.0), ("2026-04-10", 0.0, 0.25), ("2026-04-17", -0.125, 0.125))


def reading(drum: Drum) -> Reading:
    """What a front microphone would read: the model's partials, 2 cents and 5 % of noise."""
    prediction = forecast(drum)
    top = max(p.level_db["front"] for p in prediction.partials)
    rows = [
        Partial(float(p.frequency_hz * np.exp(RNG.normal(0.0, 0.0012))), 0.001 * p.frequency_hz,
                float(p.decay_s * np.exp(RNG.normal(0.0, 0.05))), 0.05 * p.decay_s, (p.level_db["front"] - top,),
                (p.level_db["front"] - 120.0,))
        for p in prediction.partials if p.level_db["front"] > top - 25 and p.decay_s > 0.03
    ]
    note = min(rows, key=lambda p: abs(p.frequency_hz - (prediction.note.frequency_hz or 0.0)))
    return Reading(48000, ("front",), (), tuple(rows), Note(note.frequency_hz, 0.03, note.decay_s, note.t60_s,
                                                            units.note_name(note.frequency_hz)))


def state(number: int, day: str, drum: Drum, true: dict[str, float], moved: tuple[Turn, ...], **known: object) -> State:
    """One state: reading of the true drum, and a fit 0.8 % off."""
    stands = ladder.with_tensions(drum, true["batter"], true["resonant"])
    found = [float(true[h] * np.exp(RNG.normal(0.0, 0.008))) for h in HEADS]
    fit = Fit(HeadFit(found[0], 0.03 * found[0]), HeadFit(found[1], 0.03 * found[1]), 0.97, (), (), True, None,
              ((0.0005, 0.0), (0.0, 0.0019)))
    return State(1, number, f"{day}T18:00:00Z", ladder.with_tensions(drum, *found), moved,
                 wire.reading(reading(stands)), wire.fit(fit), **known)  # type: ignore[arg-type]


def log() -> tuple[list[State], dict[str, float]]:
    """Four states of a month, and the tensions the drum truly ends at."""
    true, states = dict(FIRST), []
    for number, (day, batter, resonant) in enumerate(MOVES, 1):
        for head, turns in (("batter", batter), ("resonant", resonant)):
            true[head] += SLOPE[head] * turns * (1.0 + float(RNG.normal(0.0, 0.05)))
        moved = tuple(Turn(h, t) for h, t in zip(HEADS, (batter, resonant), strict=True) if t)
        states.append(state(number, day, DRUM, true, moved))
    return states, true


def table(plan: Plan) -> str:
    """The plan's steps as a table."""
    rows = ["| step | head | every rod | order | then the note should be | 95 % band | tail |", "|--|--|--|--|--|--|--|"]
    for i, step in enumerate(plan.steps, 1):
        e = step.expected
        hand = step.muffling or units.turns_in_words(step.rods[0].eighths)
        order = " ".join(map(str, step.order)) or "-"
        low, high = e["note_band_hz"]
        rows.append(f"| {i} | {step.head} | {hand} | {order} | {e['note_hz']:.1f} Hz ({e['note']}) | {low:.1f}-{high:.1f} Hz "
                    f"| {e['tail_s']:.2f} s |")
    return "\n".join(rows)


def written(title: str, asked: str, plan: Plan) -> str:
    """One worked plan as text."""
    e = plan.expected
    lines = [f"## {title}", "", f"`bothheads plan {asked}`", ""]
    if plan.refused:
        return "\n".join([*lines, f"Refused: {plan.refused}", ""])
    lines += [table(plan), "", f"About {plan.minutes:.0f} minutes. At the end: note {e['note_hz']:.1f} +- "
              f"{e['note_sd_hz']:.1f} Hz, tail {e['tail_s']:.2f} +- {e['tail_sd_s']:.2f} s, batter "
              f"{e['batter_tension']:.0f} +- {e['batter_tension_sd']:.0f} N/m, resonant {e['resonant_tension']:.0f} +- "
              f"{e['resonant_tension_sd']:.0f} N/m (one standard deviation).", "", "What the log has taught:", ""]
    lines += [f"- {words}." for words in e["learned"].values()]
    lines += ["", "Cautions:", "", *(f"- {c}" for c in plan.cautions)]
    if plan.cannot:
        lines += ["", "What stays open:", "", *(f"- {c}" for c in plan.cannot)]
    return "\n".join([*lines, ""])


def replay(plan: Plan, drum: Drum, true: dict[str, float], slope: dict[str, float]) -> str:
    """What the true drum's note becomes when the plan is carried out as written."""
    end = dict(true)
    for step in plan.steps:
        if step.rods:
            end[step.head] += slope[step.head] * step.rods[0].eighths / 8.0
    note = forecast(ladder.with_tensions(drum, end["batter"], end["resonant"])).note.frequency_hz or 0.0
    low, high = plan.steps[-1].expected["note_band_hz"]
    where = "inside" if low <= note <= high else "outside"
    return f"Carried out exactly, without reading on the way, the invented drum ends at {note:.1f} Hz: {where} the band.\n"


def main(out: Path) -> None:
    states, true = log()
    last = states[-1]
    parts = ["# Three worked plans", "", __doc__.split("\n\n")[2].strip(), "",
             "Made by `builders/plans.py`; every figure below is computed, none is typed.", "", "## The log", "",
             "| state | day | turns before it | note read | batter found | resonant found |", "|--|--|--|--|--|--|"]
    for s in states:
        moved = ", ".join(f"{t.head} {t.turns:+g}" for t in s.turns) or "-"
        note = (s.reading or {})["note"]["frequency_hz"]
        parts.append(f"| {s.number} | {s.made_at[:10]} | {moved} | {note:.1f} Hz | {s.drum.batter.tension:.0f} N/m | "
                     f"{s.drum.resonant.tension if s.drum.resonant else 0:.0f} N/m |")
    parts += ["", *(f"- {learn(states, h).words()}." for h in HEADS), ""]
    deeper = plan_turns(last.drum, states=states, wishes=parse_wish("lower-note,same-feel"))
    parts += [written("1. A deeper note at the same feel", '"Street bass" --wish lower-note,same-feel', deeper),
              replay(deeper, DRUM, true, SLOPE)]
    other = replace(DRUM, batter=replace(DRUM.batter, surface_density=0.494))
    fresh = {"batter": 520.0, "resonant": true["resonant"]}
    new = state(5, "2026-05-15", other, fresh, (), settings={"new_head": "batter"},
                remark="new batter head, two plies, seated and evened by ear")
    back = plan_turns(new.drum, states=[*states, new], target_state=last)
    parts += [written("2. The same note as last month after a new head", '"Street bass" --state 4', back),
              replay(back, other, fresh, {"batter": 310.0, "resonant": SLOPE["resonant"]})]
    front = plan_turns(last.drum, states=states, wishes=parse_wish("lower-note"), only="resonant", minutes=10)
    parts += [written("3. Front head only, ten minutes", '"Street bass" --wish lower-note --only resonant --minutes 10',
                      front), replay(front, DRUM, true, SLOPE)]
    out.write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/plans.md"))
