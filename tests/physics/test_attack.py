"""A stroke from the contact's force to the places: against the closed form of a raised cosine, and the ways of sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bothheads.physics.attack import attack, raised_cosine
from bothheads.physics.coupled import solve
from bothheads.physics.feel import contact_with, highest_hz
from bothheads.physics.response import heard
from bothheads.records import Drum, Floor, Head
from bothheads.sound.render import render_force, under_force
from evidence import assert_canary, assert_published

FILM = Head(surface_density=0.35306, tension=900.0, resistance=5.0)
DRUM = Drum("d", 0.5588, 0.4064, FILM, replace(FILM, tension=700.0))


def check_raised_cosine() -> None:
    """Driven by the drum file's own push the paths carry the amplitudes that the forecast quotes."""
    contact = raised_cosine(DRUM)
    got = attack(DRUM, contact=contact)
    pushed = under_force(got.poles, contact.force, contact.step_s, np.array([contact.contact_s]))[0]
    travel = np.exp(-np.outer(got.poles, got.delays_s))
    want = heard(solve(DRUM, fmax_hz=highest_hz(DRUM)), DRUM.strike, DRUM.places)
    scale = np.abs(want).max(0)
    mine = got.pressures * travel * pushed[:, None]
    for place in range(4):
        for mode in np.nonzero(np.abs(want[:, place]) > 0.03 * scale[place])[0][:6]:
            assert_published(abs(mine[mode, place] / want[mode, place] - 1) + 1, 1.0, 1e-4, kind="closed form",
                             source="push(s) of a raised cosine")


def test_a_raised_cosine_gives_the_forecasts_amplitudes() -> None:
    check_raised_cosine()
    assert_canary(check_raised_cosine)


def test_the_force_is_the_felt_beaters() -> None:
    got, want = attack(DRUM).contact, contact_with(DRUM)
    assert got.contact_s == want.contact_s
    np.testing.assert_allclose(got.force, want.force)


def check_ways() -> None:
    got = attack(DRUM)
    for delay, metres in zip(got.delays_s, [_way(p) for p in DRUM.places], strict=True):
        assert_published(delay * 343.2, metres, 1e-9, source="straight line from the struck spot", kind="closed form")


def _way(place: object) -> float:
    return float(np.sqrt((place.x - 0.03) ** 2 + place.y**2 + place.z**2))  # type: ignore[attr-defined]


def test_sound_takes_the_straight_way() -> None:
    check_ways()
    assert_canary(check_ways)


def test_a_floor_is_a_second_later_path_into_the_same_place() -> None:
    got = attack(replace(DRUM, floor=Floor(gap=0.05, reflection=0.8)))
    assert got.ends == (0, 1, 2, 3, 0, 1, 2, 3)
    assert all(late > direct for direct, late in zip(got.delays_s[:4], got.delays_s[4:], strict=True))
    dead = attack(replace(DRUM, floor=Floor(gap=0.05, reflection=0.0)))
    assert dead.ends == (0, 1, 2, 3)


def test_nothing_is_heard_before_the_way_is_travelled() -> None:
    got = attack(DRUM)
    samples, _ = render_force(got.poles, got.pressures, got.contact.force, got.contact.step_s, delays_s=got.delays_s,
                              ends=got.ends, places=4, seconds=0.3)
    for place, delay in enumerate(got.delays_s):
        begin = round(delay * 48000)
        assert not samples[:begin, place].any()
        early, loudest = np.abs(samples[begin:begin + 5, place]).max(), np.abs(samples[:, place]).max()
        assert 0 < early < 0.01 * loudest


def test_the_beaters_stroke_sounds_at_the_drums_partials() -> None:
    """The ring is the same drum: the strongest line of the seat lies on a forecast mode."""
    got = attack(DRUM)
    samples, _ = render_force(got.poles, got.pressures, got.contact.force, got.contact.step_s, delays_s=got.delays_s,
                              ends=got.ends, places=4)
    spectrum = np.abs(np.fft.rfft(samples[:, 0] * np.hanning(len(samples))))
    top = np.fft.rfftfreq(len(samples), 1 / 48000)[int(spectrum.argmax())]
    assert min(abs(got.poles.imag / (2 * np.pi) - top)) == pytest.approx(0.0, abs=0.6)
