"""Bounds of partials as read: scaling, limits, refusals."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bothheads.records import Partial
from bothheads.sound.bound import bound_of, complex_tone, cramer_rao


@given(st.floats(20, 800), st.floats(0.02, 3), st.floats(1e-3, 10), st.floats(1e-12, 1e-4))
def test_frequency_and_rate_bounds_differ_by_two_pi(f: float, tau: float, amplitude: float, density: float) -> None:
    bound = cramer_rao(frequency_hz=f, decay_s=tau, amplitude=amplitude, noise_density=density)
    assert bound.rate_sd == pytest.approx(2 * math.pi * bound.frequency_sd_hz)
    assert bound.decay_sd_s == pytest.approx(bound.rate_sd * tau**2)


def test_half_the_decay_costs_two_to_the_three_halves() -> None:
    slow = cramer_rao(frequency_hz=60, decay_s=0.4, amplitude=1, noise_density=1e-8)
    fast = cramer_rao(frequency_hz=60, decay_s=0.2, amplitude=1, noise_density=1e-8)
    assert fast.frequency_sd_hz / slow.frequency_sd_hz == pytest.approx(2**1.5)


@given(st.floats(0.05, 2.0), st.floats(0.05, 30.0))
def test_a_shorter_record_is_never_better(tau: float, length: float) -> None:
    short = cramer_rao(frequency_hz=100, decay_s=tau, amplitude=1, noise_density=1e-8, length_s=length)
    longer = cramer_rao(frequency_hz=100, decay_s=tau, amplitude=1, noise_density=1e-8, length_s=1.3 * length)
    assert short.rate_sd >= longer.rate_sd * (1 - 1e-6)


def test_reading_later_costs_what_has_decayed() -> None:
    p = Partial(100.0, None, 0.2, None, (0.0, None), (-20.0, None))
    early = bound_of(p, 1e-10, start_s=0.022)
    late = bound_of(p, 1e-10, start_s=0.222)
    assert late.frequency_sd_hz / early.frequency_sd_hz == pytest.approx(math.e)
    with pytest.raises(ValueError, match="does not show"):
        bound_of(p, 1e-10, channel=1)


def test_impossible_values_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        cramer_rao(frequency_hz=100, decay_s=0.0, amplitude=1, noise_density=1e-8)
    with pytest.raises(ValueError, match="two samples"):
        complex_tone(0.1, 1, 10.0)
