"""Two takes compared: the gain, the delay and the moved partial that were put in come out."""

from __future__ import annotations

import numpy as np

from bothheads.records import Note, Partial, Reading, StrikeReading
from bothheads.sound.compare import compare_takes
from evidence import assert_canary, assert_published

RATE = 48000


def strike(onset: float, gain: float = 1.0, hertz: float = 60.0, tau: float = 0.3, rate: int = RATE) -> np.ndarray:
    t = np.arange(rate) / rate - onset
    rng = np.random.default_rng(5)
    grid = np.linspace(0, 0.02, 64)
    click = np.interp(t, grid, rng.standard_normal(64) * np.exp(-grid / 0.003), left=0.0, right=0.0)
    body = np.where(t > 0, np.sin(2 * np.pi * hertz * t) * np.exp(-t / tau), 0.0)
    return (gain * (0.3 * body + 0.2 * click))[:, None]


def reading(onset: float, hertz: float = 60.0, tau: float = 0.3) -> Reading:
    p = Partial(hertz, 0.01, tau, 0.003, (0.0,), (-10.0,))
    found = (StrikeReading(onset, (-6.0,), 12.0),)
    return Reading(RATE, ("ch1",), found, (p,), Note(hertz, 0.01, tau, 6.9078 * tau, "B1-49"))


def test_gain_and_delay_come_out() -> None:
    c, a, b = compare_takes(strike(0.1), RATE, strike(0.15, 0.5), RATE, reading_a=reading(0.1), reading_b=reading(0.15))
    assert_published(c.gain_db, 6.0206, 0.02, source="half the amplitude", kind="closed form")
    assert_published(c.delay_ms, 50.0, 0.01, source="50 ms later", kind="closed form")
    assert np.allclose(a[:20000], b[:20000], atol=2e-3)


def check_delay() -> None:
    shift = 0.1 + 37.37 / RATE
    late = reading(shift - 0.0004)
    c, _, _ = compare_takes(strike(0.1), RATE, strike(shift, 0.5), RATE, reading_a=reading(0.1), reading_b=late)
    assert_published(c.delay_ms, 37.37 / 48, 0.01, source="37.37 samples at 48 kHz", kind="closed form")


def test_part_of_a_sample() -> None:
    check_delay()
    assert_canary(check_delay)


def test_a_moved_partial_is_one_partial_and_said_in_words() -> None:
    up = 60.0 * 2 ** (40 / 1200)
    c, _, _ = compare_takes(strike(0.1), RATE, strike(0.1, 1.0, up, 0.1), RATE, reading_a=reading(0.1),
                            reading_b=reading(0.1, up, 0.1))
    assert [round(p["cents"]) for p in c.partials] == [40]
    assert any("the note is 40 cents higher" in w for w in c.words)
    assert any("tail" in w and "shorter" in w for w in c.words)


def test_rates_may_differ() -> None:
    c, _, b = compare_takes(strike(0.1), RATE, strike(0.1, rate=44100), 44100, reading_a=reading(0.1), reading_b=reading(0.1))
    assert abs(c.gain_db) < 0.2
    assert abs(len(b) - 0.95 * RATE) < 50
