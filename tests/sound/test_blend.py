"""Two microphones blended: a known delay and polarity are mended, in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from bothheads.errors import InputError
from bothheads.sound.blend import blend
from evidence import assert_published

RATE = 48000


def pair(delay_s: float, sign: float, gain: float = 1.0) -> np.ndarray:
    """One decaying tone at two microphones, the second later by a fraction of a sample."""
    t = np.arange(RATE) / RATE
    def ring(at):
        return np.where(t >= at, np.exp(-np.maximum(t - at, 0) / 0.3) * np.sin(2 * np.pi * 60 * (t - at)), 0.0)
    return np.column_stack([ring(0.1), gain * sign * ring(0.1 + delay_s)])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("delay_s", [0.0, 0.00131, -0.0027])
def test_delay_and_polarity_are_mended(sign, delay_s):
    found = blend(pair(delay_s, sign, 0.4), RATE, delay_s=delay_s)
    assert found.opposed == (sign < 0)
    assert_published(abs(found.alike), 1.0, 2e-3, source="the same tone twice", kind="closed form")
    both = found.samples[:, 0]
    assert np.corrcoef(both, pair(0.0, 1.0)[:, 0])[0, 1] > 0.9999


def test_what_is_gained_is_that_of_two_phasors():
    found = blend(pair(0.002, 1.0), RATE, delay_s=0.002)
    expected = -20 * np.log10(np.cos(np.pi * 60 * 0.002))
    assert_published(found.gained_db, expected, 0.1, source="|1 + exp(-i w d)| / 2 = cos(w d / 2)", kind="closed form")


def test_a_silent_microphone_and_three_are_refused():
    x = pair(0.0, 1.0)
    x[:, 1] = 0.0
    with pytest.raises(InputError, match="hears nothing"):
        blend(x, RATE, delay_s=0.0)
    with pytest.raises(InputError, match="two microphones"):
        blend(np.zeros((100, 3)), RATE, delay_s=0.0)
