"""Pitches of equal temperament with A4 = 440 Hz (ISO 16:1975) and the rod's thread."""

from __future__ import annotations

from bothheads import units
from bothheads.constants import ROD_THREAD_PITCH
from evidence import assert_canary, assert_published

PITCHES = {
    "E1": 41.2034, "F1": 43.6535, "F#1": 46.2493, "G1": 48.9994, "A1": 55.0, "B1": 61.7354, "C2": 65.4064,
    "D2": 73.4162, "E2": 82.4069, "A2": 110.0, "C#3": 138.5913, "A3": 220.0, "C4": 261.6256, "A4": 440.0,
}


def check_pitches() -> None:
    for name, hertz in PITCHES.items():
        assert_published(units.note_frequency(name), hertz, 5e-5, source="ISO 16:1975, equal temperament")


def check_thread() -> None:
    assert_published(ROD_THREAD_PITCH * 1e3, 1.0583, 5e-5, source="12-24 UNC, ASME B1.1: 25.4/24 mm")
    assert_published(ROD_THREAD_PITCH * 1e3 / 8, 0.1323, 5e-5, source="12-24 UNC, an eighth of a turn")


def check_intervals() -> None:
    assert_published(units.cents(4.0, 3.0), 498.045, 5e-4, source="just fourth 4:3", kind="closed form")
    assert_published(units.cents(3.0, 2.0), 701.955, 5e-4, source="just fifth 3:2", kind="closed form")
    assert_published(units.cents(61.0, 60.0), 28.62, 5e-3, source="1 Hz at 60 Hz", kind="closed form")
    assert_published(units.surface_density_from_mil(7.5), 0.2648, 5e-5, source="1390 kg/m3 x 7.5 mil (film makers' density)")
    assert_published(units.surface_density_from_mil(10.0), 0.3531, 5e-5, source="1390 kg/m3 x 10 mil")


def test_pitches() -> None:
    check_pitches()
    assert_canary(check_pitches)


def test_thread() -> None:
    check_thread()
    assert_canary(check_thread)


def test_intervals() -> None:
    check_intervals()
    assert_canary(check_intervals)
