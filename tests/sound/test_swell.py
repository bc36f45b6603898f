"""Amplitudes that follow the tension: the slope of the cost is that of differences, and a swell put in comes back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bothheads.sound.varpro import JointFit, columns
from bothheads.sound.warp import DrivenWarp
from bothheads.sound.window import Window, drift_and_hum

RATE = 1200.0
F, A = np.array([90.0, 141.0]), np.array([4.0, 6.0])


def clock(swell: tuple[float, float]) -> DrivenWarp:
    return DrivenWarp(np.full((1, 2), 0.04), np.array([[1.0], [0.2]]), np.array([8.0]), np.full((1, 2), 0.04), np.array(swell))


def windows(swell: tuple[float, float]) -> list[Window]:
    out = []
    for n in range(2):
        w = Window(RATE, 0.022, np.zeros((1, 1200)), drift_and_hum(0.022, 1200, RATE, ()), np.ones(1200))
        warp = clock(swell)
        c, s = columns(w, F, A, warp.curve(n, w.half))
        noise = np.random.default_rng(n).standard_normal(c.shape[1])
        y = (1000.0, 400.0)[n] * (c.sum(0) + 0.5 * s.sum(0)) + noise
        out.append(Window(RATE, 0.022, y[None], w.nuisance, np.ones(len(y))))
    return out


def test_the_slope_is_that_of_differences() -> None:
    fit = JointFit(windows((6.0, -3.0)), F, A, clock((4.0, -1.0)))
    _, slope = fit.normal()
    for k, p in ((4, 0), (6, 0), (7, 1)):  # a share, then the two swells
        h = 1e-5 if k == 4 else 1e-3
        moved = []
        for sign in (1.0, -1.0):
            now = fit.clock
            if k == 4:
                shares = now.shares.copy()
                shares[0, p] += sign * h
                other = replace(now, shares=shares)
            else:
                swell = now.swell.copy()
                swell[p] += sign * h
                other = replace(now, swell=swell)
            state = fit.evaluate(F, A, other)
            assert state is not None
            moved.append(state.cost)
        assert np.isclose(slope[k], -0.5 * (moved[0] - moved[1]) / (2 * h), rtol=0.03)


def test_a_swell_put_in_comes_back() -> None:
    fit = JointFit(windows((6.0, -3.0)), F, A, clock((0.0, 0.0))).run(20, 1e-9)
    assert np.allclose(fit.clock.swell, (6.0, -3.0), atol=0.6)
    assert np.allclose(fit.f, F, atol=0.01)
    assert np.allclose(fit.a, A, rtol=0.01)


def test_what_died_before_the_window_does_not_stop_the_fit() -> None:
    late = [w.later(0.6) for w in windows((0.0, 0.0))]
    warp = clock((0.0, 0.0))
    fit = JointFit(late, np.r_[F, 200.0], np.r_[A, 150.0],
                   replace(warp, shares=np.full((1, 3), 0.04), centre=np.full((1, 3), 0.04), swell=np.zeros(3)))
    H, h = fit.normal()
    assert np.isfinite(H).all() and np.isfinite(h).all()
