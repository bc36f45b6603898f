"""Bare timpano head, air on both sides, no bowl: ratios of Rossing 1982, Percussionist 19(3):18-31.

Read on a page that quotes them; diameter 65 cm. Film and tension are not given: 0.262 kg/m2 and 3990 N/m are from
memory of a similar drum, and the ratios hardly depend on them. The model has a shell: a second head far off, held.
"""

from __future__ import annotations

import numpy as np

from bothheads.physics.bessel import bessel_zeros
from bothheads.physics.membrane import baffled_mass
from evidence import assert_canary, assert_published

RATIOS = {2: 1.48, 3: 1.92, 4: 2.36, 5: 2.78}


def loaded(m: int, radius: float = 0.325, tension: float = 3990.0, density: float = 0.262) -> float:
    """Frequency [Hz] of (m, 1) of a head in a baffle, still air on both sides, films joined by the air."""
    n = 8
    k2 = (bessel_zeros(m, n) / radius) ** 2
    mass = density * np.eye(n) + 2 * 1.21 * radius * baffled_mass(m, n)
    half = 1 / np.sqrt(tension * k2)
    return float(1 / np.sqrt(np.linalg.eigvalsh(half[:, None] * mass * half)[-1]) / (2 * np.pi))


def check() -> None:
    base = loaded(1)
    for m, ratio in RATIOS.items():
        assert_published(loaded(m) / base, ratio, 0.02, source="Rossing 1982, Percussionist 19(3):18", relative=True)


def check_model_of_the_same_head() -> None:
    """Worked figures for a = 0.328 m, sigma = 0.262, T = 3990, rho 1.21, one film mode per order."""
    for m, hz in {1: 162.2, 2: 237.0, 3: 308.9, 4: 379.3, 5: 448.6}.items():
        assert_published(loaded(m, radius=0.328), hz, 0.006, source="mass table of a baffled membrane, one mode each",
                         kind="independent code", relative=True)


def test_rossing() -> None:
    check()
    assert_canary(check)


def test_worked_figures() -> None:
    check_model_of_the_same_head()
    assert_canary(check_model_of_the_same_head)
