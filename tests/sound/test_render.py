"""The rendered sound against the closed form of one forced, decaying oscillator."""

from __future__ import annotations

import numpy as np

from bothheads.sound.render import render_partials
from evidence import assert_canary, assert_published

RATE = 48000


def one(f: float = 60.0, tau: float = 0.4, push: float = 0.006) -> tuple[np.ndarray, float]:
    samples, gain = render_partials(
        np.array([-1 / tau + 2j * np.pi * f]), np.array([[0.7 * np.exp(0.4j)]]), seconds=1.0, push_s=push
    )
    return samples[:, 0], gain


def check_after_the_push() -> None:
    samples, gain = one()
    for i in (400, 5000, 31000):
        t = i / RATE - 0.006
        exact = 0.7 * np.exp(-t / 0.4) * np.cos(2 * np.pi * 60 * t + 0.4)
        assert_published(samples[i] / 10 ** (gain / 20), exact, 1e-9, source="A exp(-t/tau) cos(wt + phase)",
                         kind="closed form")


def test_after_the_push_it_is_the_decaying_cosine() -> None:
    check_after_the_push()
    assert_canary(check_after_the_push)


def test_during_the_push_it_is_the_forced_response() -> None:
    """Trapezoidal convolution of the push with the impulse response, an independent path to the same numbers."""
    samples, gain = one()
    s = -1 / 0.4 + 2j * np.pi * 60

    def driven(until: float) -> complex:
        u = np.linspace(0, until, 6001)
        force = 0.5 * (1 - np.cos(2 * np.pi * u / 0.006))
        return complex(np.trapezoid(force * np.exp(s * (until - u)), u))

    for i in (50, 150, 250):
        exact = float(np.real(0.7 * np.exp(0.4j) * driven(i / RATE) / driven(0.006)))
        assert_published(samples[i] / 10 ** (gain / 20), exact, 1e-5, source="convolution with the push",
                         kind="independent code")


def test_peak_is_one_decibel_under_full_scale_and_places_keep_their_balance() -> None:
    poles = np.array([-3 + 2j * np.pi * 50, -8 + 2j * np.pi * 120])
    amplitudes = np.array([[1.0, 0.1], [0.3j, 0.03j]])
    samples, _ = render_partials(poles, amplitudes, seconds=0.5)
    assert_published(20 * np.log10(np.abs(samples).max()), -1.0, 1e-6, source="docs: peak at -1 dBFS", kind="closed form")
    ratio = np.abs(samples[:, 0]).max() / np.abs(samples[:, 1]).max()
    assert_published(ratio, 10.0, 1e-9, source="linearity", kind="closed form")
