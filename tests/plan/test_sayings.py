"""The sayings: verdicts are computed by the declared rule, and follow the physics when it is changed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bothheads.errors import InputError
from bothheads.physics import weather
from bothheads.plan.safety import film_bounds
from bothheads.plan.sayings import SAYINGS, report
from bothheads.plan.sayings.drums import Specimen, drum_set
from bothheads.plan.sayings.model import Model
from bothheads.plan.sayings.published import ratios
from bothheads.plan.sayings.record import Heard, Judged, Saying, Trial, alike, less, more, within
from bothheads.plan.sayings.rule import RULE, Row, find_condition, judge, settle
from bothheads.plan.sayings.run import try_saying
from bothheads.records import Air
from evidence import assert_canary, assert_published

MODEL = Model()
DRUMS = drum_set(MODEL, basses=10, toms=8)


def named(name: str) -> Saying:
    return next(s for s in SAYINGS if s.id == name)


def verdict(name: str, drums: tuple[Specimen, ...] = DRUMS, model: Model = MODEL) -> str:
    judged = try_saying(named(name), model, drums)
    assert judged is not None
    return judged.verdict


# ------------------------------------------------------------------ the collection
def test_there_are_many_sayings_each_with_its_words() -> None:
    assert len(SAYINGS) >= 28
    assert len({s.id for s in SAYINGS}) == len(SAYINGS)
    for s in SAYINGS:
        assert s.statement.endswith((".", ")."))
        assert bool(s.test) == bool(s.claim) == bool(s.how) != bool(s.untold), s.id
    assert sum("bass" in s.uses for s in SAYINGS if s.test) > 40


def test_the_drums_are_seeded_and_stay_within_their_films() -> None:
    again = drum_set(Model(), basses=10, toms=8)
    assert [s.drum for s in again] == [s.drum for s in DRUMS]
    assert [s.drum for s in drum_set(Model(), seed=21, basses=3, toms=2)] != [s.drum for s in DRUMS[:5]]
    for s in DRUMS:
        low, high = film_bounds(s.drum.batter.surface_density)
        assert low <= (s.drum.batter.tension or 0.0) <= high
        assert MODEL.hertz(s.drum) == pytest.approx(s.note_hz, rel=1e-3)
        assert s.drum.depth <= s.drum.diameter


# ------------------------------------------------------------------ the rule
def fake(effects: list[float], feature: str = "") -> list[tuple[Specimen, Trial]]:
    """Comparisons with these effects on specimens that alternate between the halves."""
    out = []
    for i, e in enumerate(effects):
        s = DRUMS[i % len(DRUMS)]
        varied = {feature: float(i)} if feature else {}
        out.append((Specimen(replace(s.drum, name=f"d{i}"), s.use, i % 2, s.note_hz), Trial(e, varied)))
    return out


def test_sides_of_a_claim() -> None:
    assert [more(10, "%").side(e) for e in (12, 5, -5, -12)] == [1, 0, 0, -1]
    assert [less(10, "%").side(e) for e in (12, 5, -5, -12)] == [-1, 0, 0, 1]
    assert [alike(10, "cents").side(e) for e in (-12, -9, 9, 12)] == [-1, 1, 1, -1]
    assert [within(1.5, 3, "semitones").side(e) for e in (1.4, 1.5, 3.0, 3.1)] == [-1, 1, 1, -1]


@pytest.mark.parametrize(("effects", "expected"), [
    ([20.0] * 16 + [0.0] * 4, "holds"), ([20.0] * 15 + [0.0] * 5, "not found"), ([-20.0] * 20, "not found"),
    ([20.0] * 7, "cannot tell"), ([20.0] * 20 + [float("nan")] * 30, "holds"),
])
def test_thresholds_of_the_rule(effects: list[float], expected: str) -> None:
    shuffled = [float(e) for e in np.random.default_rng(3).permutation(effects)]
    assert judge(more(10, "%"), fake(shuffled)).verdict == expected


def test_a_condition_must_be_confirmed_on_the_drums_that_did_not_choose_it() -> None:
    judged = judge(more(10, "%"), fake([20.0 if i >= 12 else 0.0 for i in range(30)], "opening_in"))
    assert judged.verdict == "holds when"
    assert judged.condition.startswith("the opening is ")
    assert 8.0 <= float(judged.condition.split()[3]) <= 13.0  # the widest cut with nine of ten inside
    rows = [Row(1 if i >= 12 and i % 2 == 0 else 0, i % 2, {"opening_in": float(i)}) for i in range(30)]
    assert find_condition(rows) is None  # true on the finding half only


def test_the_log_may_forbid_or_decide() -> None:
    held = Judged("holds", 10, 10, 1.0, 0.0, 0.0, 12.0, 11.0, 13.0)
    assert settle(held, Heard(because="none"), "") == ("holds", "")
    assert settle(held, Heard(4, 1, -12.0, 0, 4), "")[0] == "holds"  # four comparisons are too few to overrule
    assert settle(held, Heard(5, 1, -12.0, 0, 5), "")[0] == "cannot tell"
    assert settle(replace(held, verdict="not found"), Heard(5, 1, 12.0, 5, 0), "")[0] == "cannot tell"
    assert settle(replace(held, verdict="not found", against=0.9), Heard(), "") == ("not found", "the model finds it otherwise")
    assert settle(replace(held, verdict="not found", unheard=0.9), Heard(), "")[1] == "what changes is too little to notice"
    assert settle(None, Heard(5, 2, 12.0, 5, 0), "no say")[0] == "holds"
    assert settle(None, Heard(), "no say") == ("cannot tell", "no say")


# ------------------------------------------------------------------ verdicts follow the physics
def test_heat_loosens_where_nothing_gives_way_and_tightens_where_film_shrinks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weather, "share_felt", lambda *_, **__: 0.9)
    assert (verdict("heat-loosens", model=Model()), verdict("cold-tightens", model=Model())) == ("holds", "holds")
    monkeypatch.setattr(weather, "FILM_EXPANSION", -weather.FILM_EXPANSION)
    assert (verdict("heat-loosens", model=Model()), verdict("cold-tightens", model=Model())) == ("not found", "not found")


def test_the_rods_pitch_is_the_airs_doing() -> None:
    """Next to no air: membranes alone, (1,1) at 1.593 times the note of equal heads; no second low note either."""
    assert (verdict("tapped-rod-over-note"), verdict("two-lowest-notes")) == ("holds", "holds")
    model = Model()
    thin = drum_set(model, basses=10, toms=8, air=Air(density=0.01))
    assert (verdict("tapped-rod-over-note", thin, model), verdict("two-lowest-notes", thin, model)) == ("not found", "not found")


def test_a_longer_push_of_air_makes_depth_count(monkeypatch: pytest.MonkeyPatch) -> None:
    assert verdict("deeper-is-lower") == "holds"
    model = Model()
    assert verdict("deeper-is-lower", drum_set(model, basses=10, toms=8, air=Air(density=0.01)), model) == "not found"


def test_contradicting_sayings_do_not_both_hold() -> None:
    for one, other in (("thin-rings-longer", "thick-rings-longer"), ("equal-heads-ring-longest", "slack-front-rings-longer"),
                       ("resonant-higher-rings", "batter-tighter-is-dead")):
        assert (verdict(one), verdict(other)).count("holds") <= 1 or other == "batter-tighter-is-dead"


def check_size_step() -> None:
    """Two inches from 20 to 22 at one film and tension: 165 cents in a vacuum (f as 1/D)."""
    twenty = next(s for s in drum_set(Model(), basses=40, toms=0, air=Air(density=1e-6))
                  if abs(s.features["diameter_in"] - 20) < 0.01)
    trial = next(iter(named("size-step").test(Model(), twenty)))  # type: ignore[misc]
    assert_published(trial.effect, 1.65, 0.01, source="f as 1/D: 1200 log2(22/20) = 165.0 cents", kind="closed form")


def test_size_step_in_a_vacuum() -> None:
    check_size_step()
    assert_canary(check_size_step)


def test_what_the_model_cannot_say_stays_unsaid() -> None:
    answers = report(only="shells").answers
    assert answers and all(a.verdict == "cannot tell" and a.model is None and a.because for a in answers)


def test_unknown_sayings_are_refused_by_name() -> None:
    with pytest.raises(InputError, match="'sharks' is not a saying: use one of equal-heads-ring-longest"):
        report(only="size-step,sharks")


def test_every_saying_gives_figures_on_a_drum() -> None:
    """One bass drum and one tom through all tests: every effect is a number, everything varied has its words."""
    from bothheads.plan.sayings.rule import FEATURES

    model = Model()
    drums = [min((s for s in DRUMS if s.use == use), key=lambda s: s.drum.diameter / (s.drum.batter.tension or 1.0))
             for use in ("bass", "tom")]  # small and tight ones have the fewest modes
    for s in SAYINGS:
        for specimen in drums:
            if s.test is not None and specimen.use in s.uses:
                trials: Iterator[Trial] = iter(s.test(model, specimen))
                for t in trials:
                    assert isinstance(t.effect, float), s.id
                    assert set(t.varied) <= set(FEATURES), s.id


def check_published() -> None:
    """What the report shows as published is that, and the model beside it is within 3 % (tension and film chosen for it)."""
    for figure in ratios(MODEL):
        assert_published(figure.model, figure.published, 0.03, source=figure.source, relative=True)


def test_published_figures_beside_the_models() -> None:
    check_published()
    assert_canary(check_published)


def test_the_document_is_of_this_collection() -> None:
    """docs/sayings.md is made by builders/sayings.py: every saying stands in it with its test, and the rule with its numbers."""
    text = (Path(__file__).parents[2] / "docs" / "sayings.md").read_text(encoding="utf-8")
    places = [text.index(f'<a id="{s.id}"></a>\n\n### {s.statement}\n') for s in SAYINGS]
    assert places == sorted(places)
    assert text.count("<a id=") == len(SAYINGS)
    assert RULE in text and all(s.how in text for s in SAYINGS)
