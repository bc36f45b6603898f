"""Names of modes, foreign partials, and the words for sum and ratio."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.infer.heads import drum_model
from bothheads.infer.identify import fit_pairs, loudest_is_foreign, mode_numbers, spread_words, sum_and_ratio_sd
from bothheads.infer.scoring import Heard, Weighed, wide_prior
from bothheads.records import Drum, Fit, Head, HeadFit

DRUM = Drum("", 0.4, 0.36, Head(0.353), Head(0.353))


def weighed(rows: list[int], columns: list[int]) -> Weighed:
    return Weighed(np.zeros(7), 0.0, np.zeros((7, 7)), np.zeros(7), np.array(rows), np.array(columns), np.zeros(1),
                   np.log([50.0, 100.0]), np.zeros(2, int))


def heard(levels: list[list[float]]) -> Heard:
    n = len(levels)
    return Heard(np.log(50.0 * (1 + np.arange(n))), np.full(n, 0.001), np.zeros(n), np.full(n, 0.05), np.array(levels))


def test_the_lowest_modes_carry_their_names() -> None:
    model = drum_model(DRUM, None)
    x = wide_prior(DRUM).mean.copy()
    x[0], x[1] = np.log(800.0), 0.3
    names = mode_numbers(model, x)
    assert names[0] == (0, 1)
    first = {m: n for (m, n) in reversed(names)}
    assert first == {0: 1, 1: 1, 2: 1, 3: 1, 4: 1}


def test_pairs_have_cents_of_measured_over_model_and_foreign_ones_none() -> None:
    followed = replace(weighed([0, 1], [0, 1]), order=np.array([1, 1]))
    pairs = fit_pairs(heard([[0.0], [-3.0], [-9.0]]), followed, [(0, 1), (1, 1)])
    assert pairs[0].cents == pytest.approx(0.0, abs=1e-9)
    assert (pairs[1].m, pairs[1].n) == (1, 1)
    assert pairs[2].model_hz is None and pairs[2].cents is None
    sharp = replace(weighed([0], [0]), log_f=np.log([50.0 / 2 ** (1 / 12), 100.0]))
    assert fit_pairs(heard([[0.0]]), sharp, [(0, 1), (1, 1)])[0].cents == pytest.approx(100.0)


def test_a_foreign_loudest_partial_is_noticed_in_every_channel_only() -> None:
    assert loudest_is_foreign(heard([[0.0, 0.0], [-3.0, -6.0]]), weighed([1], [0]))
    assert not loudest_is_foreign(heard([[0.0, -6.0], [-3.0, 0.0]]), weighed([1], [0]))
    assert not loudest_is_foreign(heard([[np.nan], [np.nan]]), weighed([1], [0]))


def test_sum_is_known_better_than_ratio_when_the_errors_are_opposite() -> None:
    fit = Fit(HeadFit(600.0, 18.0), HeadFit(600.0, 18.0), 0.98, (), (), True, None,
              log_cov=((0.0001, 0.0), (0.0, 0.0032)), change_sd=0.011)
    known = sum_and_ratio_sd(fit)
    assert known is not None
    assert known[0] == pytest.approx(0.01)
    assert known[1] == pytest.approx(0.0566, abs=1e-3)
    assert "sum of the tensions is known to 1.0%" in spread_words(fit)
    assert "a change since last time to 1.1%" in spread_words(fit)
    assert spread_words(replace(fit, batter=None)) == ""
    assert spread_words(replace(fit, log_cov=None)).startswith("tension known to 3.0%")


def test_partials_above_the_followed_modes_are_not_called_foreign() -> None:
    pairs = fit_pairs(heard([[0.0], [-3.0], [-9.0]]), weighed([0], [0]), [(0, 1), (0, 2)])
    assert [p.measured_hz for p in pairs] == pytest.approx([50.0, 100.0])
    assert pairs[1].model_hz is None
