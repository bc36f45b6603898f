"""Cramer-Rao bounds of damped tones: closed forms, their published limits, and a Fisher matrix inverted by numbers."""

from __future__ import annotations

import math

import numpy as np

from bothheads.sound.bound import complex_tone, cramer_rao, decay_from_t60
from evidence import assert_canary, assert_published

_YAO = "Yao & Pandit 1995, IEEE Trans. SP 43:878, damped complex tone"


def _finite_and_endless() -> None:
    finite = complex_tone(0.05, 100, 10.0)
    endless = complex_tone(0.05, 100_000, 10.0)
    assert_published(finite, 4.784051375562e-5, 1e-9, source=_YAO + ", alpha 0.05, N 100", kind="closed form",
                     relative=True)
    assert_published(endless, 4.762095527722e-5, 1e-9, source=_YAO + ", N to infinity", kind="closed form",
                     relative=True)


def _undamped() -> None:
    assert_published(complex_tone(0.0, 100, 10.0), 6.0006e-7, 1e-4,
                     source="Rife & Boorstyn 1974, IEEE Trans. IT 20:591: 6 v / (A^2 N (N^2 - 1))", relative=True)


def _worked() -> None:
    bound = cramer_rao(frequency_hz=60.0, decay_s=decay_from_t60(0.9), amplitude=100.0, noise_density=2.0 / 48000)
    source = "60 Hz, T60 0.9 s, 48 kHz, 40 dB at the onset: 4 delta^3 v / (pi^2 A^2 fs)"
    assert_published(bound.frequency_sd_hz, 6.179e-4, 2e-4, source=source, kind="closed form", relative=True)
    assert_published(bound.frequency_sd_cents, 0.0178, 3e-3, source=source, kind="closed form", relative=True)
    assert_published(bound.rate_sd, 3.882e-3, 2e-4, source=source, kind="closed form", relative=True)
    assert_published(100 * bound.rate_sd * decay_from_t60(0.9), 0.051, 1e-2, source=source, kind="closed form",
                     relative=True)


def _fisher_by_numbers() -> None:
    fs, delta, f, amplitude = 48000.0, decay_from_t60(0.9) ** -1, 60.0, 100.0
    t = np.arange(int(3 * fs)) / fs
    for phase, sd_f, sd_rate in ((0.0, 6.185e-4, 3.881e-3), (1.0, 6.122e-4, 3.920e-3), (math.pi / 2, 6.176e-4, 3.886e-3)):
        e, x = np.exp(-delta * t), 2 * np.pi * f * t + phase
        J = np.array([-2 * np.pi * t * amplitude * e * np.sin(x), -t * amplitude * e * np.cos(x),
                      e * np.cos(x), -amplitude * e * np.sin(x)])
        scale = 1 / np.sqrt((J**2).sum(1))
        sd = np.sqrt(np.diag(np.linalg.inv((J * scale[:, None]) @ (J * scale[:, None]).T))) * scale
        source = f"numerical Fisher inverse, 3 s, phase {phase:.2f}"
        assert_published(float(sd[0]), sd_f, 2e-4, source=source, kind="independent code", relative=True)
        assert_published(float(sd[1]), sd_rate, 2e-4, source=source, kind="independent code", relative=True)


def _short_record() -> None:
    """The factor for a short record against the sampled closed form with many samples."""
    fs, tau, length = 48000.0, 0.4, 0.5
    alpha = 1 / (tau * fs)
    sampled = 4.0 * complex_tone(alpha, int(length * fs), 100.0**2) * fs**2  # real tone: four times the complex one
    ours = cramer_rao(frequency_hz=100.0, decay_s=tau, amplitude=100.0, noise_density=2.0 / fs, length_s=length)
    assert_published(ours.rate_sd**2, sampled, 1e-3, source=_YAO + ", continuous limit", kind="closed form", relative=True)


CHECKS = (_finite_and_endless, _undamped, _worked, _fisher_by_numbers, _short_record)


def test_bounds() -> None:
    for check in CHECKS:
        check()


def test_canary() -> None:
    for check in CHECKS:
        assert_canary(check)
