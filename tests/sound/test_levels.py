"""Levels against standards and closed forms."""

from __future__ import annotations

import numpy as np

from bothheads.records import Note, Reading, StrikeReading
from bothheads.sound.levels import (
    a_weighting_db,
    band_levels_db,
    c_weighting_db,
    decay_times,
    levels_of,
    loudness_lufs,
    octave_bands,
    strike_level_db,
)
from bothheads.wire import reading, reading_from
from evidence import assert_canary, assert_published

RATE = 48000


def tone(hertz: float, seconds: float = 4.0, level_db: float = 0.0) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hertz * t)[:, None]


def check_loudness() -> None:
    got = loudness_lufs(tone(997.0), RATE)
    assert got is not None
    assert_published(got, -3.01, 0.05, source="ITU-R BS.1770: 997 Hz at 0 dBFS in one front channel (statement from memory)")
    two = np.repeat(tone(1000.0, 8.0, -23.0), 2, axis=1)
    got = loudness_lufs(two, RATE)
    assert got is not None
    assert_published(got, -23.0, 0.1, source="EBU Tech 3341: stereo 1 kHz at -23 dBFS reads -23 LUFS (from memory)")


MIDDLES = (31.623, 63.096, 125.893, 251.189, 501.187, 1000.0, 1995.262, 3981.072, 7943.282)


def check_bands() -> None:
    for band, want in zip(octave_bands(), MIDDLES, strict=True):
        assert_published(band.middle_hz, want, 6e-4, source="IEC 61260-1:2014, base-ten mid-bands")
        assert_published(band.high_hz / band.middle_hz, 1.41253754, 1e-7, source="IEC 61260-1:2014, octave edge 10^0.15")


def check_weighting() -> None:
    rows = ((10.0, -70.43, -14.33), (31.623, -39.44, -3.01), (63.096, -26.19, -0.82), (125.893, -16.10, -0.17),
            (1000.0, 0.0, 0.0), (3981.072, 0.97, -0.82), (7943.282, -1.11, -3.01))
    for hertz, a, c in rows:
        assert_published(a_weighting_db(hertz), a, 0.02, source="IEC 61672-1, exact base-ten frequencies")
        assert_published(c_weighting_db(hertz), c, 0.02, source="IEC 61672-1, exact base-ten frequencies")


def check_decay() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(3 * RATE) / RATE
    x = rng.standard_normal(len(t)) * np.exp(-t / 0.15)
    found = decay_times(x, RATE, 0.0, 2.4)
    exact = 6.907755 * 0.15
    for got in (found.edt_s, found.t20_s, found.t30_s):
        assert got is not None
        assert_published(got, exact, 0.04, kind="closed form",
                         source="one exponential: EDT = T20 = T30 = 6.9078 tau (ISO 3382-1)")


def test_loudness() -> None:
    check_loudness()
    assert_canary(check_loudness)


def test_bands() -> None:
    check_bands()
    assert_canary(check_bands)


def test_weighting() -> None:
    check_weighting()
    assert_canary(check_weighting)


def test_decay() -> None:
    check_decay()
    assert_canary(check_decay)


def test_a_tone_is_in_its_band_with_its_power() -> None:
    levels = band_levels_db(tone(125.893, 1.0), RATE)
    assert_published(levels[2], -3.0103, 0.02, source="mean square of a full-scale sine", kind="closed form")
    assert max(np.delete(levels, 2)) < -20


def test_strike_level_hardly_depends_on_the_tail() -> None:
    t = np.arange(RATE) / RATE
    short, long = (np.sin(2 * np.pi * 60 * t) * np.exp(-t / tau) for tau in (0.05, 0.8))
    difference = strike_level_db(long, RATE, 0.0) - strike_level_db(short, RATE, 0.0)
    assert_published(difference, 3.4, 0.6, source="tried on synthetic strikes, tau 0.05 to 0.8 s", kind="independent code")


def test_nothing_is_answered_as_nothing() -> None:
    assert loudness_lufs(np.zeros(100), RATE) is None
    assert strike_level_db(np.zeros(100), RATE, 5.0) == -120.0
    assert decay_times(np.zeros(RATE), RATE, 0.0, 0.5).t20_s is None


def test_levels_of_a_take_and_their_way_through_the_wire() -> None:
    """Two strikes of one exponential, 6 dB apart: levels of both, octaves and decays of the louder, all kept in JSON."""
    t = np.arange(2 * RATE) / RATE
    ring = np.exp(-t / 0.2) * np.sin(2 * np.pi * 63.1 * t)
    x = np.concatenate([np.zeros(RATE), 0.25 * ring, 0.5 * ring])[:, None]
    strikes = tuple(StrikeReading(at + 10.0, (0.0,), None, (), at + 11.9) for at in (1.0, 3.0))
    got = levels_of(x, RATE, strikes, 10.0)
    assert got is not None and levels_of(x, RATE, ()) is None
    assert abs(got.strike_db[1] - got.strike_db[0] - 6.02) < 0.05 and got.loudness_lufs is not None
    assert max(got.octaves, key=lambda o: o[1])[0] == octave_bands(60.0, 65.0)[0].middle_hz
    for seconds in (got.edt_s, got.t20_s, got.t30_s):
        assert seconds is not None and abs(seconds / (6.9078 * 0.2) - 1.0) < 0.03
    whole = Reading(RATE, ("seat",), strikes, (), Note(refused="none."), levels=got)
    assert reading_from(reading(whole)).levels == got
