"""Tension histories: a change of drives leaves them alone, what a look makes worse is taken back, resting values can wait."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.sound.drives import DrivenFit
from bothheads.sound.histories import Drives, carried, drives_of
from bothheads.sound.select import Limits
from bothheads.sound.varpro import JointFit, columns
from bothheads.sound.warp import DrivenWarp
from bothheads.sound.window import Window, drift_and_hum
from evidence import assert_published

TIMES = [np.arange(0.0, 0.8, 0.01), np.arange(0.0, 0.8, 0.01)]
RATE, START, N = 1200.0, 0.022, 1200


def drives(partial: list[int], power: list[float], energy: np.ndarray, rate: list[float]) -> Drives:
    return Drives(np.array(partial), np.array(power), energy, np.ones(len(partial)), np.array(rate))


def warp(shares: np.ndarray, by: Drives) -> DrivenWarp:
    return DrivenWarp(shares, by.energy, by.rate, shares, np.zeros(shares.shape[1]))


def test_drives_in_another_order_take_their_shares_along() -> None:
    old = drives([0, 1], [1.0, 1.0], np.array([[1.0, 1.0], [0.3, 0.1]]), [8.0, 20.0])
    new = drives([1, 0], [1.0, 1.0], old.energy[:, ::-1], [20.0, 8.0])
    shares = np.array([[0.05, 0.03, 0.0], [0.01, 0.02, 0.04]])
    got = carried(warp(shares, old), old, new, TIMES)
    for value, expected in zip(got.ravel(), shares[::-1].ravel(), strict=True):
        assert_published(float(value), float(expected), 2e-5, kind="closed form", source="the same exponentials, swapped")


def test_a_history_outlives_the_drive_that_made_it() -> None:
    """Rates 6 and 18 /s between them can follow 10 /s: nowhere further off than a tenth of the glide, in either strike."""
    old = drives([0], [1.0], np.array([[1.0], [0.2]]), [10.0])
    new = drives([1, 2], [1.0, 1.0], np.array([[1.0, 1.0], [0.2, 0.2]]), [6.0, 18.0])
    shares = np.array([[0.06, 0.02]])
    got = carried(warp(shares, old), old, new, TIMES)
    for strike, energy in enumerate((1.0, 0.2)):
        was = shares.T * energy * np.exp(-10.0 * TIMES[strike])
        now = got.T @ (energy * np.exp(-new.rate[:, None] * TIMES[strike]))
        assert np.abs(now - was).max() < 0.1 * was.max()
    assert (got >= 0.0).all()


def test_what_is_over_before_the_window_begins_keeps_its_share() -> None:
    """Half a second late an exponential of 80 /s shows nothing: neither zero nor a thousandfold share is learned from that."""
    by = drives([0, 0], [1.0, 6.0], np.ones((1, 2)), [8.0, 80.0])
    shares = np.array([[0.05, 0.02], [0.03, 0.01]])
    got = carried(warp(shares, by), by, replace(by, rate=by.rate * 1.05), [np.arange(0.5, 1.0, 0.01)])
    for value, expected in zip(got[1], shares[1], strict=True):
        assert_published(float(value), float(expected), 1e-4, kind="closed form", source="nothing seen, nothing moved")
    assert (np.abs(got[0] / shares[0] - np.exp(0.05 * 8.0 * 0.5)) < 0.1).all()  # what is seen goes on as it was


def test_one_strike_is_driven_at_multiples_of_its_strongest_rate() -> None:
    amplitudes = np.array([[[3.0, 100.0, 1.0]]])
    one = drives_of(amplitudes, np.array([60.0, 110.0, 200.0]), np.array([30.0, 5.0, 8.0]), 4, multiples=True)
    assert one.partial.tolist() == [1, 1, 1, 1]
    for got, expected in zip(one.rate, (10.0, 15.0, 30.0, 60.0), strict=True):
        assert_published(float(got), expected, 1e-9, kind="closed form", source="twice 5 /s times 1, 1.5, 3, 6")
    two = drives_of(np.concatenate([amplitudes, 0.3 * amplitudes]), np.array([60.0, 110.0, 200.0]),
                    np.array([30.0, 5.0, 8.0]), 2, multiples=True)
    assert 1 in two.partial.tolist() and len(set(two.partial.tolist())) == 2


@pytest.fixture
def fit() -> DrivenFit:
    """Two lines at a glide of 3 %, the fit started 0.2 Hz off with two thirds of the glide."""
    rng = np.random.default_rng(5)
    f, a, share = np.array([90.0, 160.0]), np.array([4.0, 7.0]), np.full((1, 2), 0.03)
    by = drives([0], [1.0], np.ones((1, 1)), [8.0])
    nuisance = drift_and_hum(START, N, RATE, ())
    empty = Window(RATE, START, np.zeros((1, N)), nuisance, np.ones(N))
    c, s = columns(empty, f, a, warp(share, by).curve(0, empty.half))
    y = 200.0 * c[0] + 90.0 * s[1] + rng.standard_normal(c.shape[1])
    limits = Limits(6.0 * np.log(N), max_rate=50.0, max_sd_hz=1.2, max_rate_sd=0.7, most=30)
    window = Window(RATE, START, y[None], nuisance, np.ones(len(y)))
    out = DrivenFit(JointFit([window], f + 0.2, a, warp(0.67 * share, by)), 1, None, limits)
    out.driven_by = by
    return out


def test_resting_values_wait_while_shares_move(fit: DrivenFit) -> None:
    f, a, shares, cost = fit.fit.f.copy(), fit.fit.a.copy(), fit.clock.shares.copy(), fit.fit.cost
    fit.fit.resting_held = True
    fit.run(5)
    assert (fit.fit.f == f).all() and (fit.fit.a == a).all()
    assert (fit.clock.shares != shares).any() and fit.fit.cost < cost
    fit.fit.resting_held = False
    fit.run(20)
    for got, expected in zip(fit.fit.f, (90.0, 160.0), strict=True):
        assert_published(float(got), expected, 0.02, kind="closed form", source="the frequencies the strike was made of")


def test_a_state_that_was_kept_comes_back_whole(fit: DrivenFit) -> None:
    fit.run(20)
    kept, cost, f = fit.kept(), fit.fit.cost, fit.fit.f.copy()
    assert fit.grow(2, 0.0) == 0  # nothing is left to find
    fit.fit.restart(f + 3.0, fit.fit.a, fit.clock)
    fit.reweigh()
    assert fit.unlikeliness() > kept.unlikeliness
    fit.back(kept)
    assert fit.fit.cost == cost and (fit.fit.f == f).all() and fit.unlikeliness() == kept.unlikeliness
    again = fit.fit.evaluate(fit.fit.f, fit.fit.a, fit.clock)
    assert again is not None
    assert_published(again.cost, cost, 1e-6 * cost, kind="closed form", source="the same weights give the same cost")
