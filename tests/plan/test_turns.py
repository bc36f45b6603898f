"""Plans: what is wished comes true in the model, within bounds and time, by small equal steps."""

from __future__ import annotations

from dataclasses import replace
from math import log, log2

import numpy as np
import pytest

from bothheads import wire
from bothheads.errors import CannotAnswer, InputError
from bothheads.infer import ladder
from bothheads.infer.turns import learn_heads
from bothheads.physics.forecast import forecast
from bothheads.plan import safety
from bothheads.plan.order import cross_order
from bothheads.plan.turns import plan_turns
from bothheads.plan.wish import parse_wish
from bothheads.records import Drum, Fit, Head, HeadFit, Note, Partial, Plan, Reading, State, Turn

DRUM = Drum("Street bass", 0.66, 0.305, Head(0.353, 10, tension=620.0), Head(0.353, 10, tension=470.0))
TOM = Drum("Low tom", 0.4064, 0.4064, Head(0.353, 8, tension=700.0), Head(0.265, 8, tension=520.0))


def note_of(drum: Drum) -> float:
    found = forecast(drum).note.frequency_hz
    assert found is not None
    return found


def logged(pairs: list[tuple[float, float]], moves: list[tuple[float, float]], drum: Drum = DRUM,
           sharp: float = 1.0) -> list[State]:
    out = []
    for n, (pair, move) in enumerate(zip(pairs, moves, strict=True), 1):
        stands = ladder.with_tensions(drum, *pair)
        note = forecast(stands).note
        reading = Reading(48000, ("front",), (), (Partial((note.frequency_hz or 0) * sharp, 0.02, note.decay_s or 0,
                                                          0.02, (0.0,), (-20.0,)),),
                          Note((note.frequency_hz or 0) * sharp, 0.02, note.decay_s, note.t60_s))
        fit = Fit(HeadFit(pair[0], 0.03 * pair[0]), HeadFit(pair[1], 0.03 * pair[1]), 0.97, (), (), True, None,
                  ((0.0005, 0.0), (0.0, 0.002)))
        done = tuple(t for t in (Turn("batter", move[0]), Turn("resonant", move[1])) if t.turns)
        out.append(State(1, n, f"2026-03-{n:02d}T18:00:00Z", stands, done, wire.reading(reading), wire.fit(fit)))
    return out


def end_of(plan: Plan, drum: Drum, slope: tuple[float, float]) -> Drum:
    """The drum after the plan's turns when one turn does ``slope`` N/m."""
    now = ladder.known_tensions(drum)
    assert now is not None
    turned = [sum(s.rods[0].eighths for s in plan.steps if s.head == h and s.rods) / 8 for h in ("batter", "resonant")]
    return ladder.with_tensions(drum, now[0] + slope[0] * turned[0], now[1] + slope[1] * turned[1])


@pytest.mark.parametrize("cents", [-180, -100, -50, 60, 150, 200])
@pytest.mark.parametrize("drum", [DRUM, TOM])
def test_a_note_is_reached_on_a_known_drum(drum: Drum, cents: float) -> None:
    now = ladder.known_tensions(drum)
    assert now is not None
    pairs = [(now[0] - 100, now[1] - 80), (now[0] - 50, now[1] - 40), now]
    states = logged(pairs, [(0, 0), (0.25, 0.25), (0.25, 0.25)], drum)
    target = note_of(drum) * 2 ** (cents / 1200)
    plan = plan_turns(drum, states=states, note_hz=target)
    assert plan.refused is None and plan.cannot == ()
    assert abs(1200 * log2(note_of(end_of(plan, drum, (200, 160))) / target)) < 14
    assert plan.expected["note_hz"] == pytest.approx(target, rel=0.01)
    assert 0 < plan.expected["note_sd_hz"] < 0.06 * target


def test_steps_are_small_equal_crossed_and_each_is_read() -> None:
    plan = plan_turns(DRUM, note_hz=note_of(DRUM) * 1.12)
    assert len(plan.steps) > 1
    for step in plan.steps:
        assert [r.rod for r in step.rods] == list(range(1, 11))
        assert len({r.eighths for r in step.rods}) == 1 and 0 < abs(step.rods[0].eighths) <= 2
        assert step.order == cross_order(10)
        assert step.then == "read"
        low, high = step.expected["note_band_hz"]
        assert low < step.expected["note_hz"] < high
        assert set(step.expected) >= {"note_hz", "note_sd_hz", "tail_s", "batter_tension", "resonant_tension"}
    sds = [s.expected["note_sd_hz"] for s in plan.steps]
    assert sds == sorted(sds)


def test_without_a_log_it_says_that_nothing_was_learned() -> None:
    plan = plan_turns(DRUM, wishes=parse_wish("lower-note"))
    assert any("learned from no turns yet" in c for c in plan.cautions)
    assert "learned from no turns yet" in plan.expected["learned"]["batter"]


def test_with_a_log_it_uses_what_was_learned() -> None:
    soft = logged([(600, 470), (620, 470), (640, 470)], [(0, 0), (0.25, 0), (0.25, 0)])
    stiff = logged([(360, 470), (500, 470), (640, 470)], [(0, 0), (0.25, 0), (0.25, 0)])
    target = note_of(soft[-1].drum) * 1.03
    turned = [sum(r.rods[0].eighths for r in plan_turns(DRUM, states=s, note_hz=target, only="batter").steps)
              for s in (soft, stiff)]
    assert turned[0] > 2 * turned[1] > 0


def test_the_note_is_anchored_on_what_was_read() -> None:
    states = logged([(520, 390), (570, 430), (620, 470)], [(0, 0), (0.25, 0.25), (0.25, 0.25)], sharp=1.02)
    plan = plan_turns(DRUM, states=states, wishes=parse_wish("same-note-tighter-head"))
    assert plan.expected["note_hz"] == pytest.approx(1.02 * note_of(DRUM), rel=0.01)
    assert plan.expected["batter_tension"] > 1.08 * 620
    assert plan.expected["resonant_tension"] < 470


def test_deeper_at_the_same_feel_leaves_the_batter_alone() -> None:
    plan = plan_turns(DRUM, wishes=parse_wish("lower-note,same-feel"))
    assert all(s.head == "resonant" for s in plan.steps)
    assert log(plan.expected["note_hz"] / note_of(DRUM)) < -0.8 * log(2) / 12


@pytest.mark.parametrize("only", ["batter", "resonant"])
def test_only_one_head_is_turned(only: str) -> None:
    plan = plan_turns(DRUM, note_hz=note_of(DRUM) * 1.05, only=only)  # type: ignore[arg-type]
    assert {s.head for s in plan.steps} == {only}


def test_ten_minutes_hold() -> None:
    free = plan_turns(DRUM, note_hz=note_of(DRUM) * 1.25)
    hurried = plan_turns(DRUM, note_hz=note_of(DRUM) * 1.25, minutes=10)
    assert free.minutes is not None and hurried.minutes is not None
    assert free.minutes > 10 >= hurried.minutes
    assert hurried.cannot and "wanted" in hurried.cannot[0]
    assert any("ask first" in c for c in hurried.cautions)


def test_too_little_time_is_refused_with_the_time_it_takes() -> None:
    plan = plan_turns(DRUM, note_hz=note_of(DRUM) * 1.1, minutes=2)
    assert plan.steps == () and plan.refused is not None
    assert "about 5 minutes" in plan.refused and "2 minutes are not enough" in plan.refused


def test_bounds_hold_and_what_is_out_of_reach_is_said() -> None:
    low = ladder.with_tensions(DRUM, 230.0, 220.0)
    plan = plan_turns(low, note_hz=note_of(low) * 0.7)
    assert plan.refused or all(
        s.expected[f"{s.head}_tension"] >= 0.95 * safety.film_bounds(0.353)[0] for s in plan.steps)
    assert plan.cannot
    mean = end_of(plan, low, (360, 360))
    assert ladder.known_tensions(mean) is not None and min(ladder.known_tensions(mean)) >= 190  # type: ignore[type-var]


def test_a_wish_already_met_needs_no_turn() -> None:
    plan = plan_turns(DRUM, wishes=parse_wish("same-note"))
    assert plan.steps == () and plan.refused is None and plan.cannot == ()


def test_back_to_a_state() -> None:
    states = logged([(520, 390), (570, 430), (670, 510)], [(0, 0), (0.25, 0.25), (0.5, 0.5)])
    plan = plan_turns(states[-1].drum, states=states, target_state=states[0])
    assert plan.refused is None
    end = end_of(plan, states[-1].drum, (200, 160))
    assert np.allclose(ladder.known_tensions(end), (520, 390), rtol=0.04)
    assert plan.expected["turns"]["batter"] == pytest.approx(-0.75, abs=0.13)


def test_after_a_new_head_the_note_comes_back_and_the_rest_is_named() -> None:
    old = logged([(620, 470)], [(0, 0)])[0]
    other = replace(DRUM, batter=replace(DRUM.batter, surface_density=0.494, tension=600.0))
    plan = plan_turns(other, target_state=old)
    assert any("another film" in c for c in plan.cannot)
    assert plan.expected["note_hz"] == pytest.approx(note_of(old.drum), rel=0.012)


def test_nearer_to_a_recording_names_what_cannot_be_matched() -> None:
    wanted = ladder.with_tensions(DRUM, 710.0, 560.0)
    p = forecast(wanted)
    loud = sorted(p.partials, key=lambda q: -max(q.level_db.values()))[:6]
    hum = Partial(187.0, 0.1, 0.4, 0.1, (-3.0,), (-20.0,))
    reading = Reading(48000, ("front",), (), (*(Partial(q.frequency_hz, 0.1, q.decay_s, 0.1, (0.0,), (-20.0,))
                                                for q in loud[:5]), hum), p.note)
    plan = plan_turns(DRUM, nearer_to=reading, wishes=parse_wish("nearer"))
    assert plan.steps
    end = end_of(plan, DRUM, (359, 359))
    assert abs(1200 * log2(note_of(end) / note_of(wanted))) < 40
    assert any("not in the heads" in c for c in plan.cannot)


def test_felt_where_turning_does_not_shorten() -> None:
    plan = plan_turns(DRUM, wishes=parse_wish("shorter-tail,same-note"))
    laid = [s for s in plan.steps if s.muffling]
    assert len(laid) == 1 and laid[0].rods == () and "batter head" in (laid[0].muffling or "")
    tail = forecast(DRUM).note.t60_s
    assert tail is not None
    assert plan.expected["tail_s"] < 0.85 * tail
    assert any("begin smaller" in c for c in plan.cautions)


def test_a_drum_without_resonant_head() -> None:
    alone = replace(TOM, resonant=None)
    plan = plan_turns(alone, note_hz=note_of(alone) * 1.06)
    assert {s.head for s in plan.steps} == {"batter"}
    assert "resonant_tension" not in plan.expected
    with pytest.raises(InputError, match="no resonant head"):
        plan_turns(alone, note_hz=100.0, only="resonant")


def test_planned_again_after_a_reading_from_what_was_learned() -> None:
    states = logged([(520, 390), (570, 430), (620, 470)], [(0, 0), (0.25, 0.25), (0.25, 0.25)])
    target = note_of(DRUM) * 1.08
    learned = learn_heads(states)
    first = plan_turns(DRUM, states=states, note_hz=target, learned=learned)
    done = end_of(Plan(first.steps[:1], {}, ()), DRUM, (240, 200))
    pair = ladder.known_tensions(done)
    assert pair is not None
    move = first.steps[0].rods[0].eighths / 8
    moves = (move, 0.0) if first.steps[0].head == "batter" else (0.0, move)
    later = logged([(520, 390), (570, 430), (620, 470), pair],
                   [(0, 0), (0.25, 0.25), (0.25, 0.25), moves])
    again = plan_turns(later[-1].drum, states=later, note_hz=target)
    assert sum(abs(s.rods[0].eighths) for s in again.steps) < sum(abs(s.rods[0].eighths) for s in first.steps)


def test_what_cannot_be_planned_is_refused() -> None:
    with pytest.raises(CannotAnswer, match="no tension and no history"):
        plan_turns(DRUM.with_head("batter", tension=None), note_hz=60.0)
    with pytest.raises(InputError, match="nothing to plan for"):
        plan_turns(DRUM)
    with pytest.raises(InputError, match="needs a recording"):
        plan_turns(DRUM, wishes=parse_wish("nearer"))
    with pytest.raises(CannotAnswer, match="neither a fit nor a note"):
        empty = State(1, 1, "", DRUM.with_head("batter", tension=None))
        plan_turns(DRUM, target_state=empty)


def test_plans_go_over_the_wire() -> None:
    data = wire.plan(plan_turns(DRUM, wishes=parse_wish("shorter-tail,lower-note")))
    assert data["schema"] == "bothheads.plan/1"
    assert data["steps"] and data["expected"]["note_hz"] > 0
