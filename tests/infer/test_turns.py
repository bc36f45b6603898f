"""What a turn does, learned from states: invented heads that obey the line, hands that miss, fits that err."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest

from bothheads import wire
from bothheads.constants import FILM_DENSITY, INCH
from bothheads.errors import CannotAnswer
from bothheads.infer import slopes, turns
from bothheads.physics.hoop import slope_bound
from bothheads.records import Alternative, Drum, Fit, Head, HeadFit, State, Turn
from evidence import assert_canary, assert_published


def drum(batter: float | None = 600.0, resonant: float | None = 500.0, film: float = 0.353, rods: int = 10) -> Drum:
    return Drum("Street bass", 0.6, 0.35, Head(film, rods, tension=batter), Head(0.353, rods, tension=resonant))


def fit(batter: float, resonant: float, sd: float = 0.03, own: float = 0.008, odds: float = 0.95,
        rivals: tuple[Alternative, ...] = ()) -> dict[str, object]:
    cov = ((sd**2 / 2 + own**2, 0.0), (0.0, 2 * sd**2 + own**2))
    return wire.fit(Fit(HeadFit(batter, batter * sd), HeadFit(resonant, resonant * sd), odds, rivals, (), True, None,
                        cov))


def log_of(tensions: list[tuple[float, float] | None], moves: list[tuple[float, float]], **known: object) -> list[State]:
    states = []
    for n, (pair, (tb, tr)) in enumerate(zip(tensions, moves, strict=True), 1):
        done = tuple(t for t in (Turn("batter", tb), Turn("resonant", tr)) if t.turns)
        states.append(State(1, n, f"2026-03-{n:02d}T18:00:00Z", drum(*(pair or (None, None))), done,
                            fit=fit(*pair) if pair else None))
    return states


def check_bound() -> None:
    film = 0.254e-3 * FILM_DENSITY
    quarter = slope_bound(film, 11 * INCH) / 4
    assert_published(quarter, 1862.0, 5.0, source="stretch of a 0.254 mm film under rigid hardware, quarter turn 12-24",
                     kind="closed form")
    assert_published(slope_bound(film, 11 * INCH, thread_pitch=1e-3) / 4, 1760.0, 5.0,
                     source="the same with 1.0 mm pitch", kind="closed form")


def test_rigid_film_bounds_the_slope() -> None:
    check_bound()
    assert_canary(check_bound)


def test_a_straight_line_is_found_and_continued() -> None:
    states = log_of([(500, 400), (575, 400), (650, 460)], [(0, 0), (0.25, 0), (0.25, 0.25)])
    model = turns.learn(states, "batter")
    assert model.steps_learned == 2
    assert abs(model.slope / 300 - 1) < 0.06
    mean, sd = model.tension_after(0.25)
    assert abs(mean - 725) < 12
    assert 3 < sd < 30
    assert abs(turns.learn(states, "resonant").slope / 240 - 1) < 0.15


def test_more_states_know_the_slope_better() -> None:
    few = turns.learn(log_of([(500, 400), (575, 400)], [(0, 0), (0.25, 0)]), "batter")
    many = turns.learn(log_of([(500 + 75 * i, 400) for i in range(6)], [(0.25 * (i > 0), 0) for i in range(6)]), "batter")
    assert many.slope_factor < few.slope_factor < exp(slopes.SLOPE_SD)


def test_no_turn_yet_says_so_and_stays_wide() -> None:
    model = turns.learn([State(1, 1, "", drum())], "batter")
    assert model.steps_learned == 0
    assert "learned from no turns yet" in model.words()
    mean, sd = model.tension_after(0.5)
    assert mean > 600 and sd > 60


def test_spread_grows_with_the_turn_and_beyond_the_log() -> None:
    model = turns.learn(log_of([(500, 400), (575, 400), (500, 400)], [(0, 0), (0.25, 0), (-0.25, 0)]), "batter")
    sds = [model.tension_after(t)[1] for t in (0.0, 0.125, 0.25, 0.5, 1.0)]
    assert sds == sorted(sds)
    assert "extrapolated" not in model.words(0.25)
    assert "extrapolated" in model.words(0.5)


def test_one_rod_counts_its_share() -> None:
    states = log_of([(500, 400), (575, 400), (650, 400)], [(0, 0), (0.25, 0), (0.25, 0)])
    both = turns.learn_heads(states)
    one = both.after([Turn("batter", 0.5, rod=3)])
    even = both.after([Turn("batter", 0.05)])
    assert one.then[0] == pytest.approx(even.then[0], rel=1e-9)
    assert one.then[0] - one.now[0] == pytest.approx(0.05 * 300, rel=0.1)


def test_order_of_states_does_not_matter() -> None:
    states = log_of([(500, 400), (575, 400), (650, 460)], [(0, 0), (0.25, 0), (0.25, 0.25)])
    assert turns.learn(states[::-1], "batter").slope == turns.learn(states, "batter").slope


def test_states_without_fit_carry_their_turns() -> None:
    states = log_of([(500, 400), None, (650, 400)], [(0, 0), (0.25, 0), (0.25, 0)])
    model = turns.learn(states, "batter")
    assert abs(model.slope / 300 - 1) < 0.07
    assert model.steps_learned == 1


def test_last_state_unread_is_carried_by_its_turns() -> None:
    states = log_of([(500, 400), (575, 400), (650, 400), None], [(0, 0), (0.25, 0), (0.25, 0), (-0.25, 0)])
    model = turns.learn(states, "batter")
    assert abs(model.tension - 575) < 12
    read = turns.learn(states[:3], "batter")
    assert model.tension_sd > read.tension_sd


def test_a_swapped_fit_is_seen_through() -> None:
    states = log_of([(700, 400), (775, 400), (850, 400)], [(0, 0), (0.25, 0), (0.25, 0)])
    rival = Alternative(HeadFit(850, 25), HeadFit(400, 12), 0.4)
    swapped = State(1, 3, states[2].made_at, states[2].drum, states[2].turns,
                    fit=fit(400, 850, odds=0.6, rivals=(rival,)))
    model = turns.learn([*states[:2], swapped], "batter")
    assert abs(model.tension - 850) < 20
    assert abs(model.slope / 300 - 1) < 0.12


def test_a_lone_wrong_fit_does_not_drag_the_slope() -> None:
    good = [(500 + 40 * i, 400) for i in range(6)]
    moves = [(0.125 * (i > 0), 0.0) for i in range(6)]
    wrong = list(good)
    wrong[3] = (990, 400)
    assert abs(turns.learn(log_of(wrong, moves), "batter").slope / turns.learn(log_of(good, moves), "batter").slope
               - 1) < 0.2


def test_a_new_head_starts_over_and_its_partner_remembers() -> None:
    pairs = [(500, 400), (575, 460), (650, 520), (400, 520)]
    states = log_of(pairs, [(0, 0), (0.25, 0.25), (0.25, 0.25), (0, 0)])
    renewed = State(1, 4, states[3].made_at, states[3].drum, (), fit=states[3].fit, settings={"new_head": "batter"})
    model = turns.learn_heads([*states[:3], renewed])
    batter, resonant = turns.of_head(model, "batter"), turns.of_head(model, "resonant")
    assert batter.steps_learned == 0 and resonant.steps_learned == 2
    assert batter.slope_factor > 1.5 > resonant.slope_factor
    assert abs(batter.tension - 400) < 12
    assert abs(resonant.slope / 240 - 1) < 0.12


def test_another_film_is_another_head() -> None:
    states = log_of([(500, 400), (575, 400)], [(0, 0), (0.25, 0)])
    other = State(1, 3, "2026-03-03T18:00:00Z", drum(450, 400, film=0.494), (), fit=fit(450, 400))
    assert turns.learn([*states, other], "batter").steps_learned == 0


def test_remark_names_the_new_head() -> None:
    states = log_of([(500, 400), (575, 400)], [(0, 0), (0.25, 0)])
    other = State(1, 3, "2026-03-03T18:00:00Z", drum(450, 400), (), fit=fit(450, 400), remark="New resonant head on")
    model = turns.learn_heads([*states, other])
    assert model.steps_learned == (1, 0)


def test_other_drums_teach_the_prior() -> None:
    soft = log_of([(500, 400), (530, 424), (560, 448), (590, 472)], [(0, 0), *[(0.25, 0.25)] * 3])
    fresh = [State(2, 1, "", drum())]
    alone, taught = turns.learn(fresh, "batter"), turns.learn(fresh, "batter", others=[soft, soft])
    assert taught.slope < 0.75 * alone.slope
    assert taught.slope_factor < alone.slope_factor
    assert "2 other drums" in taught.words()


def test_refused_fits_are_not_used() -> None:
    states = log_of([(500, 400), (575, 400)], [(0, 0), (0.25, 0)])
    refused = wire.fit(Fit(HeadFit(2000, 10), HeadFit(300, 10), 0.4, (), (), False, "fewer than four partials", None))
    extra = State(1, 3, "2026-03-03T18:00:00Z", drum(), (), fit=refused)
    assert abs(turns.learn([*states, extra], "batter").tension - 575) < 15


def test_nothing_known_is_refused() -> None:
    with pytest.raises(CannotAnswer, match="take a recording"):
        turns.learn([State(1, 1, "", drum(None, None))], "batter")
    alone = Drum("One head", 0.3, 0.2, Head(0.353, 6, tension=800.0), None)
    with pytest.raises(CannotAnswer, match="no resonant head"):
        turns.learn([State(1, 1, "", alone)], "resonant")
    assert turns.learn([State(1, 1, "", alone)], "batter").tension_after(0.25)[0] > 800


def test_warmth_slackens_by_the_collars_share() -> None:
    states = log_of([(500, 400), (575, 400), (650, 400)], [(0, 0), (0.25, 0), (0.25, 0)])
    cold = [State(1, s.number, s.made_at, s.drum, s.turns, fit=s.fit, settings={"temperature_c": "20"}) for s in states]
    hot = State(1, 4, "2026-03-04T18:00:00Z", drum(), (), settings={"temperature_c": "35"})
    now = turns.learn([*cold, hot], "batter").tension
    rigid = 33.4 * 15 * 300 / slope_bound(0.353, 0.3)
    assert 0.5 * rigid < 650 - now < 1.6 * rigid


def test_bands_cover_what_hands_and_fits_do() -> None:
    """Sixty invented logs: the 95 % interval of a change after a further turn covers 88-100 % of them."""
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        slope = np.exp(rng.normal(log(300), 0.45, 2))
        tension, bias, pairs, moves = np.exp(rng.normal(np.log([650, 520]), 0.2)), np.exp(rng.normal(0, 0.04, 2)), [], []
        truth = []
        for k in range(4):
            move = rng.choice([-0.25, 0.125, 0.25, 0.5], 2) if k else np.zeros(2)
            tension = np.maximum(tension + slope * move * (1 + rng.normal(0, 0.05, 2)), 120) * np.exp(
                rng.normal(0, 0.004, 2))
            truth.append(tension)
            moves.append((float(move[0]), float(move[1])))
            pairs.append(tuple(float(x) for x in tension * bias * np.exp(rng.normal(0, 0.008, 2))))
        model = turns.learn_heads(log_of(pairs[:3], moves[:3]))
        after = model.after({"batter": moves[3][0], "resonant": moves[3][1]})
        z = (after.log_change - np.log(truth[3] / truth[2])) / np.sqrt(np.diag(after.log_change_cov))
        inside += list(np.abs(z) < 1.96)
    assert 0.88 <= np.mean(inside) <= 1.0
