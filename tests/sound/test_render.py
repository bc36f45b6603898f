"""The rendered sound against the closed form of one forced, decaying oscillator."""

from __future__ import annotations

import numpy as np

from bothheads.sound.render import render_force, render_partials, under_force
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


POLES = np.array([-4 + 2j * np.pi * 52, -9 + 2j * np.pi * 130, -60 + 2j * np.pi * 410, -900 + 2j * np.pi * 300])
RESPONSES = np.array([[1.0, 0.2j], [0.5j, -0.3], [0.2, 0.1], [0.3 - 0.2j, 0.0]])
STEP = 1 / 192000
FORCE = np.maximum(0.0, np.sin(np.arange(2500) * 0.0031) + 0.4 * np.sin(np.arange(2500) * 0.031))  # leaves, touches again


def convolved(path: int) -> np.ndarray:
    """Direct sum over the force's steps with the impulse response in the middle of each, at 192 kHz."""
    t = (np.arange(48000) + 0.5) * STEP
    response = np.real(np.exp(np.outer(t, POLES)) @ RESPONSES[:, path])
    size = 1 << 16
    both = np.fft.irfft(np.fft.rfft(FORCE, size) * np.fft.rfft(response, size), size)[:48000] * STEP
    return np.concatenate([[0.0], both])[::4]


def check_force() -> None:
    samples, gain = render_force(POLES, RESPONSES, FORCE, STEP, delays_s=(0.0, 0.002), ends=(0, 1), places=2, seconds=0.25)
    linear = samples / 10 ** (gain / 20)
    direct = [convolved(0), convolved(1)]
    for i in (13, 200, 444, 624, 625, 626, 1200, 7000):
        for path, late in ((0, 0), (1, 96)):
            assert_published(linear[i + late, path], float(direct[path][i]), 2e-5 * float(np.abs(direct[path]).max()),
                             source="direct convolution of force and impulse response", kind="independent code")


def test_a_contacts_force_is_convolved_exactly() -> None:
    check_force()
    assert_canary(check_force)


def test_paths_that_end_in_one_place_add_up() -> None:
    kept = {"delays_s": (0.0, 0.002), "places": 1, "seconds": 0.2}
    one, g1 = render_force(POLES, RESPONSES, FORCE, STEP, ends=(0, 0), **kept)  # type: ignore[arg-type]
    two, g2 = render_force(POLES, RESPONSES, FORCE, STEP, ends=(0, 1), **{**kept, "places": 2})  # type: ignore[arg-type]
    np.testing.assert_allclose(one[:, 0] / 10 ** (g1 / 20), two.sum(1) / 10 ** (g2 / 20), atol=1e-12)


def test_any_sample_rate_reads_the_same_sound() -> None:
    times = np.arange(0, 0.03, 1 / 44100)
    fine = under_force(POLES, FORCE, STEP, np.arange(0, 0.03, STEP))
    got = under_force(POLES, FORCE, STEP, times)
    for k in range(len(POLES)):
        want = np.interp(times, np.arange(len(fine)) * STEP, fine[:, k].real)
        assert np.abs(got[:, k].real - want).max() < 1e-4 * np.abs(fine[:, k]).max()


def test_a_sound_shorter_than_the_contact_or_the_way() -> None:
    for seconds in (0.001, 0.012):
        samples, _ = render_force(POLES, RESPONSES, FORCE, STEP, delays_s=(0.0, 0.002), ends=(0, 1), places=2, seconds=seconds)
        assert samples.shape == (round(48000 * seconds), 2)
        assert np.isfinite(samples).all()
