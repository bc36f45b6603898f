"""The parts of a choice: front, weight and packed size, turns and weather, what is owned, and the session's answer."""

from __future__ import annotations

from dataclasses import replace
from math import log
from pathlib import Path

import numpy as np
import pytest

from bothheads import session
from bothheads.drumfile import from_dict
from bothheads.errors import InputError
from bothheads.physics.forecast import forecast
from bothheads.plan.carrying import carried, fits, shortfall_m
from bothheads.plan.choose import choose
from bothheads.plan.design import Setting, build, figures_of, loud_db, place_of, set_up
from bothheads.plan.front import beats, fronts, hypervolume, order
from bothheads.plan.job import parse_job
from bothheads.plan.owned import Owned, losses, nearest, set_for
from bothheads.plan.portrait import portrait, room_words
from bothheads.plan.robust import robust
from bothheads.plan.surface import NAMES, Surface, note_window
from evidence import assert_canary, assert_published

PART = parse_job({"use": "tom", "note": 80}).parts[0]
TOM = set_up(build(16, 12, 10, 10, 0), Setting(7.7, 0.3), PART)


def test_fronts_by_definition() -> None:
    rng = np.random.default_rng(4)
    rows = rng.random((60, 3)) * 4.0
    numbers = fronts(rows, alike=0.0, better=0.0)
    for i, a in enumerate(rows):
        beaten_by = [j for j, b in enumerate(rows) if beats(b, a, alike=0.0, better=0.0)]
        assert (numbers[i] == 1) == (not beaten_by)
        assert all(numbers[j] < numbers[i] for j in beaten_by)
    assert order([2, 1, 1], [0.1, 3.0, 2.0]) == [2, 1, 0]


def _check_hypervolume() -> None:
    got = hypervolume(np.array([[0.5, 0.0], [0.0, 0.5]]), np.array([1.0, 1.0]), samples=40000)
    assert_published(got, 0.75, 0.01, source="two half squares, less the quarter they share", kind="closed form")
    got = hypervolume(np.array([[0.5, 0.5]]), np.array([1.0, 1.0]), samples=40000)
    assert_published(got, 0.25, 0.01, source="a quarter of the square", kind="closed form")


def test_hypervolume_of_boxes() -> None:
    _check_hypervolume()
    assert_canary(_check_hypervolume)


def _check_loudness() -> None:
    """One mode: mean square over 125 ms of A exp(-t/tau) cos wt, w tau >> 1, is A^2 tau (1 - exp(-2 T/tau)) / (4 T)."""
    tau, amplitude, w = 0.2, 0.5, 2 * np.pi * 100.0
    got = float(loud_db(np.array([-1 / tau + 1j * w]), np.array([[amplitude + 0j]]))[0])
    square = amplitude**2 * tau * (1 - np.exp(-2 * 0.125 / tau)) / (4 * 0.125)
    assert_published(got, 10 * np.log10(square / 20e-6**2), 0.02, source="integral of a decaying cosine", kind="closed form")


def test_loudness_of_one_mode_and_of_two_that_cancel() -> None:
    _check_loudness()
    assert_canary(_check_loudness)
    s = np.array([-10 + 600j, -10.1 + 600j])
    assert loud_db(s, np.array([[1.0 + 0j], [-1.0 + 0j]]))[0] < loud_db(s[:1], np.array([[1.0 + 0j]]))[0] - 30.0


def _check_weight() -> None:
    """A marching bass drum weighs 13 to 27 lb."""
    for size in ((22, 14), (24, 14), (26, 14)):
        assert_published(carried(build(*size, 10, 10, 0).drum, "bass").weight_kg, 9.1, 3.2, source="13 to 27 lb, carrier apart",
                         kind="common practice")


def test_weight_and_packed_size() -> None:
    _check_weight()
    assert_canary(_check_weight)
    load = carried(build(22, 16, 10, 10, 0).drum, "bass")
    assert load.across > 0.5588 and load.long > 0.4064 and load.weight_sd_kg == pytest.approx(0.15 * load.weight_kg)
    assert fits(load, (0.5, 0.8, 0.8)) and fits(load, (0.8, 0.5, 0.8)) and not fits(load, (0.6, 0.6, 0.6))
    assert shortfall_m(load, (0.6, 0.6, 0.6)) == pytest.approx(load.across - 0.6)


def test_turns_and_weather_are_the_exact_model_s_within_a_cent_or_two() -> None:
    found = robust(TOM)
    assert TOM.batter.tension is not None and found.batter_eighth[0] is not None and found.warmer is not None
    tighter = forecast(TOM.with_head("batter", tension=TOM.batter.tension + 300.0 / 8.0)).note.frequency_hz
    now = forecast(TOM).note.frequency_hz
    assert tighter is not None and now is not None
    assert found.batter_eighth[0].note_cents == pytest.approx(1731.2 * log(tighter / now), abs=1.0)
    assert found.batter_eighth[1] is not None and found.batter_eighth[1].note_cents < 0 < found.batter_eighth[0].note_cents
    assert found.rigid_cents[0] is not None and found.rigid_cents[0] < found.warmer.note_cents
    assert found.tail_low < 1.0 < found.tail_high
    given = TOM.with_head("batter", resistance=5.0).with_head("resonant", resistance=5.0)
    assert robust(given).tail_low == pytest.approx(1.0)


def test_slack_heads_are_said_to_go_slack() -> None:
    loose = TOM.with_head("batter", tension=30.0)
    found = robust(loose)
    assert found.batter_eighth[1] is None and any("slack" in words for words in found.words)


def test_the_surface_is_the_exact_model_where_it_was_solved() -> None:
    made = build(16, 12, 10, 10, 0)
    surface = Surface(made, PART, note_window(made, PART, 70.0, 95.0, (6.4, 9.6)), ("front",))
    setting = Setting(7.8, -0.4, "ring", 0.03)
    exact = figures_of(set_up(made, setting, PART)).values

    def there() -> dict[str, float]:
        found = surface.at(np.array([7.8]), np.array([-0.4]), np.array([NAMES.index("ring")]), np.array([0.03]))
        return {k: float(v[0]) for k, v in found.items()}

    before = there()
    assert before["note"] == pytest.approx(exact["note"], abs=0.003) and before["tail"] == pytest.approx(exact["tail"], abs=0.05)
    surface.learn("ring", 0.03, 7.8, -0.4, exact)
    after = there()
    assert all(after[k] == pytest.approx(exact[k], abs=1e-6) for k in ("note", "tail", "front"))


def test_a_portrait_agrees_with_the_forecast() -> None:
    figures = figures_of(TOM)
    shown, exact = portrait(figures), forecast(TOM)
    assert shown.head_pitch_hz["batter"] == pytest.approx(exact.head_pitch_hz["batter"], rel=1e-3)
    assert exact.note.frequency_hz is not None and figures.values["note"] == pytest.approx(log(exact.note.frequency_hz), abs=1e-4)
    assert shown.feel.contact_ms is not None and 3.0 < shown.feel.contact_ms < 60.0


def test_room_words_name_the_box_s_own_modes() -> None:
    assert "does not carry" in room_words((3.0, 2.5, 2.4), 40.0)[0]
    assert "falls on the room's own 57 Hz" in room_words((3.0, 2.5, 2.4), 57.5)[0]


def test_an_owned_drum_is_set_for_the_job_and_says_what_to_turn() -> None:
    job = {"use": "tom", "note": "85Hz", "diameters_in": 16, "depths_in": 12, "films_mil": 10, "resonant_films_mil": 10,
           "muffling": False}
    choice = choose(job)
    mine = replace(TOM, name="Mine", microphones=())
    near = set_for(choice.job, [Owned(mine, 7, None), Owned(replace(mine, resonant=None), 8, None)], choice.scale)
    assert len(near) == 1 and near[0].owned.drum_id == 7
    found = nearest(choice.designs[0], near)
    assert found is not None
    assert np.exp(found.design.settings[0].figures.values["note"]) == pytest.approx(85.0, rel=0.01)
    target, now = found.design.settings[0].figures.drum, mine
    for head in ("batter", "resonant"):
        change = (target.head(head).tension or 0.0) - (now.head(head).tension or 0.0)  # type: ignore[arg-type]
        assert found.turns[0][head] == pytest.approx(8.0 * change / 300.0, abs=0.26)  # type: ignore[index]
    assert any("common practice" in words for words in found.words)
    assert losses([]) == (None, 0)
    assert place_of(mine) == pytest.approx((7.7, 0.3))


def test_the_session_answers_in_the_contract_s_keys_and_its_sound_is_a_wav(tmp_path: Path) -> None:
    log = session.open_log(tmp_path / "log.db", create=True)
    shares: list[float] = []
    answer, lines = session.choose(
        ["use=tom", "note=85Hz", "tail_s=1.0", "diameters_in=16", "depths_in=12", "films_mil=10", "resonant_films_mil=10",
         "muffling=false"], log=log, progress=lambda share, words: shares.append(share))
    log.close()
    assert answer["schema"] == "bothheads.choice/1" and answer["refused"] is None and shares[-1] == 1.0
    option = answer["options"][0]
    assert {"rank", "front", "name", "label", "drum_file", "cost", "parts", "note_hz", "t60_s", "tension", "weight_kg", "packed_cm",
            "settings", "between", "nearest_owned", "reasons", "against"} <= set(option)
    assert option["cost"] == pytest.approx(sum(p["miss"] for p in option["parts"]))
    assert {p["key"] for p in option["parts"]} == {c["key"] for c in answer["criteria"]}
    drum, _ = from_dict(option["settings"][0]["drum_file"])
    hertz = forecast(drum).note.frequency_hz
    assert hertz is not None and option["note_hz"] == pytest.approx(hertz, rel=2e-4)
    figures = option["settings"][0]["figures"]
    assert figures["tail"]["low"] < figures["tail"]["value"] < figures["tail"]["high"] and figures["tail"]["assumed"]
    assert any("loss assumed" in text for text in answer["assumed"]) and answer["disagreements"] and answer["not_tested"]
    assert any(line.startswith("1. 16 x 12 in") for line in lines)
    assert session.sound_of(option)[:4] == b"RIFF"


def test_what_nothing_fits_is_in_the_answer() -> None:
    answer, lines = session.choose({"use": "tom", "note": "85Hz", "weight_kg": 1})
    assert "weight limit" in answer["refused"] and answer["blocked"][0]["limit"] == "weight" and answer["nearest_miss"]
    assert any(line.startswith("Nothing fits") for line in lines)
    with pytest.raises(InputError, match="is not KEY=VALUE"):
        session.choose(["loud"])
