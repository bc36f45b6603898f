"""Nats of pairs, matching with refusals, and the evidence of a case that can be done by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.infer.scoring import (
    DEFAULT,
    Heard,
    Picture,
    Prior,
    chance_heard,
    floored,
    match,
    pair_up,
    weigh,
    wide_prior,
)
from bothheads.records import Drum, Head
from evidence import assert_canary, assert_published


def heard(log_f: list[float], level: list[list[float]] | None = None) -> Heard:
    n = len(log_f)
    return Heard(np.array(log_f), np.full(n, 0.002), np.zeros(n), np.full(n, 0.05),
                 np.array(level) if level is not None else np.zeros((n, 0)))


def picture(log_f: list[float], channels: int = 0) -> Picture:
    n = len(log_f)
    slope = np.zeros((n, 7))
    slope[:, 0] = 0.5
    return Picture(np.zeros(7), np.array(log_f), np.zeros(n), np.zeros((n, 4, channels)), np.full(n, 0.5),
                   np.ones(n, bool), np.full(n, 0.002), np.zeros(n, int), slope, np.zeros((n, 7)),
                   np.zeros((n, channels, 7)))


def narrow() -> Prior:
    return Prior(np.zeros(7), np.eye(7) * 100.0, np.array([True] + [False] * 6))


def test_a_pair_worse_than_foreign_is_refused() -> None:
    i, j, total = match(np.array([[-3.0, -5.0], [2.0, -4.0], [1.0, 0.5]]))
    assert dict(zip(i.tolist(), j.tolist(), strict=True)) == {0: 0, 1: 1}
    assert total == pytest.approx(-7.0)


def test_a_distant_partial_is_foreign() -> None:
    i, j = pair_up(heard([4.0, 4.5, 4.8]), picture([4.001, 4.801]), np.zeros(0), DEFAULT, f_sd=0.002, tau_sd=0.1)
    assert i.tolist() == [0, 2]
    assert j.tolist() == [0, 1]


def check_evidence() -> None:
    """One partial, one unknown: a normal integral. ln p = ln N(gap; 0, var + slope^2/100) + ln N(tau) + ln .5."""
    w = weigh(heard([4.01]), picture([4.0]), np.array([0]), np.array([0]), np.zeros(0), narrow(), DEFAULT)
    var = 0.002**2 + 0.002**2 + 0.5**2 / 100.0
    tau_var = 0.05**2 + DEFAULT.decay_sd**2
    want = -0.5 * 0.01**2 / var - 0.5 * np.log(2 * np.pi * var) - 0.5 * np.log(2 * np.pi * tau_var) + np.log(0.5)
    want += 3.0 * np.log(100.0 / (2 * np.pi))  # density of the six held unknowns
    # Laplace expands at x = 0: the residual's part is exact only at the mode, so compare after one step
    moved = replace(picture([4.0 + 0.5 * w.step[0]]), x=w.step.copy())
    at_mode = weigh(heard([4.01]), moved, np.array([0]), np.array([0]), np.zeros(0), narrow(), DEFAULT)
    assert_published(at_mode.evidence, want, 1e-3, source="normal integral by hand", kind="closed form")
    assert_published(w.cov[0, 0], 1 / (100.0 + 0.25 / 8e-6), 1e-8, source="normal posterior", kind="closed form")


def test_the_evidence_of_one_partial_is_the_normal_integral() -> None:
    check_evidence()
    assert_canary(check_evidence)


def test_a_common_gain_costs_nothing() -> None:
    p = picture([4.0, 4.5, 5.0], channels=1)
    i = np.arange(3)
    levels = np.array([[-3.0], [1.0], [2.0]])
    one = weigh(heard([4.0, 4.5, 5.0], levels.tolist()), p, i, i, np.zeros(1), narrow(), DEFAULT)
    other = weigh(heard([4.0, 4.5, 5.0], (levels + 20.0).tolist()), p, i, i, np.zeros(1), narrow(), DEFAULT)
    assert one.evidence - other.evidence < 0.3
    assert other.gain[0] - one.gain[0] == pytest.approx(20.0)


def test_a_quiet_mode_is_rarely_in_the_list() -> None:
    levels = np.array([0.0, -20.0, -60.0])[:, None, None] * np.ones((3, 5, 2))
    chance = chance_heard(floored(levels, np.ones(3, bool)), np.ones(3, bool), DEFAULT)
    assert chance[0] > 0.75 and chance[1] > 0.75
    assert chance[2] <= DEFAULT.missed_above
    gone = chance_heard(levels, np.array([True, False, True]), DEFAULT)
    assert gone[1] == DEFAULT.missed_above


def test_what_the_drum_file_says_of_losses_is_the_centre() -> None:
    drum = Drum("", 0.6, 0.36, Head(0.353, resistance=0.5), Head(0.353))
    prior = wide_prior(drum)
    assert prior.mean[4] == pytest.approx(np.log(0.5))
    assert prior.precision[4, 4] > prior.precision[5, 5]
    alone = wide_prior(replace(drum, resonant=None))
    assert alone.free.tolist() == [True, False, True, False, True, False, True]
