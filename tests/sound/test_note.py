"""The drum note among partials: reference drums from first principles, real strikes, and refusals."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from bothheads.records import Partial
from bothheads.sound.audio import read_audio
from bothheads.sound.note import name_note, note_of_size
from bothheads.sound.reading import read_samples
from evidence import assert_canary, assert_published

RECORDINGS = Path(__file__).resolve().parents[1] / "data" / "recordings"
PLACES = ("seat", "front", "side", "top")
# frequency_hz, decay_s, level at seat, front, side, top re the loudest [dB]: partials of three reference drums computed
# with the three-dimensional wave equation, those within 32 dB at one place or more
BASS_26_14 = [
    (32.0, 2.13, -15, -14, -55, -55), (51.5, 1.88, -64, -70, -27, -70), (77.3, 0.98, -16, -7, -15, -14),
    (88.9, 0.82, -14, -20, -26, -26), (109.0, 0.84, -55, -65, -17, -60), (133.6, 0.15, -6, -3, -6, -5),
    (149.3, 0.14, -8, -14, -11, -10), (176.3, 0.02, -1, 0, -1, 0),
]
BASS_18_14_OPENING = [
    (23.5, 10.22, -29, -23, -30, -40), (52.3, 1.51, -7, -5, -33, -38), (93.9, 1.03, -29, -37, -12, -36),
    (122.5, 0.29, -1, -2, -2, -2), (137.9, 0.42, -8, 0, -7, -6), (142.2, 0.51, -7, -2, -15, -14),
    (175.2, 0.36, -28, -30, -26, -28), (188.4, 0.03, -3, -3, -3, -2),
]
TOM_14_14 = [
    (84.1, 0.82, -7, -6, -33, -32), (143.2, 0.62, -52, -60, -12, -58), (170.7, 0.06, -1, -1, -1, 0),
    (224.5, 0.12, -11, -20, -16, -15),
]


def heard(rows: list[tuple[float, ...]], places: tuple[str, ...]) -> list[Partial]:
    columns = [PLACES.index(p) for p in places]
    out = []
    for f, tau, *levels in rows:
        mine = tuple(float(levels[c]) for c in columns)
        if max(mine) > -40:
            out.append(Partial(f, 0.01, tau, 0.01 * tau, mine, mine))
    return out


@pytest.mark.parametrize("places", [PLACES, ("seat", "front"), ("seat",), ("front",)])
@pytest.mark.parametrize(("rows", "note", "diameter"), [
    (BASS_26_14, 32.0, 0.6604), (BASS_18_14_OPENING, 52.3, 0.4572), (TOM_14_14, 84.1, 0.3556),
])
def test_reference_drums(places: tuple[str, ...], rows: list[tuple[float, ...]], note: float, diameter: float) -> None:
    opening = rows is BASS_18_14_OPENING
    got = name_note(heard(rows, places), diameter=diameter, depth=0.3556, channels=places, opening=opening)
    assert got.refused is None
    assert got.frequency_hz == note


@pytest.mark.parametrize("places", [PLACES, ("seat", "front"), ("seat",)])
def test_a_leak_mode_is_never_the_note(places: tuple[str, ...]) -> None:
    got = name_note(heard(BASS_18_14_OPENING, places), channels=places)
    assert got.frequency_hz in (None, 52.3)


def check_size() -> None:
    for diameter, depth, tension, note in ((0.6096, 0.3556, 470.0, 31.607), (0.5588, 0.4572, 540.0, 36.269),
                                           (0.3556, 0.3556, 1000.0, 84.13)):
        assert_published(note_of_size(diameter, depth, tension, 0.353), note, 0.04, relative=True,
                         source="reference drums, three-dimensional wave equation", kind="independent code")


def test_size_alone_places_the_note() -> None:
    check_size()
    assert_canary(check_size)


@pytest.mark.parametrize(("stem", "low", "high"), [
    ("tom-high-1-very-soft", 100.5, 102.5), ("tom-high-2-soft", 100.5, 102.5), ("tom-high-3-medium", 100.5, 102.5),
    ("tom-low-1-very-soft", 78.0, 79.2), ("tom-low-2-soft", 78.0, 79.2), ("tom-low-3-medium", 78.0, 79.2),
    ("tom-low-4-hard", 78.0, 79.2), ("tom-low-5-very-hard", 78.0, 79.2), ("kick-2-soft", 34.0, 36.5),
])
def test_real_drums_have_one_note_however_hard_they_are_struck(stem: str, low: float, high: float) -> None:
    sound = read_audio(RECORDINGS / f"{stem}.flac")
    note = read_samples(sound.samples, sound.sample_rate_hz, quick=True).note
    assert note.frequency_hz is not None and low < note.frequency_hz < high


def p(f: float, tau: float, level: float, sd: float = 0.02) -> Partial:
    return Partial(f, sd, tau, 0.02 * tau, (level,), (level - 10.0,))


def test_refusals_say_why() -> None:
    assert "no partial" in (name_note([]).refused or "")
    assert "too short for a note" in (name_note([p(58.0, 0.04, 0.0)]).refused or "")
    beating = name_note([p(67.7, 0.5, 0.0), p(69.7, 0.5, -0.5)])
    assert beating.frequency_hz is None and "beat" in (beating.refused or "")
    assert "known only to" in (name_note([p(60.0, 0.3, 0.0, sd=3.0)]).refused or "")
    for note in (beating, name_note([])):
        assert (note.refused or "").endswith(".")


def test_a_short_lived_twin_is_not_the_note() -> None:
    got = name_note([p(101.8, 0.30, -10.0), p(107.9, 0.03, 0.0), p(206.0, 0.1, -20.0)])
    assert got.frequency_hz == 101.8
    assert got.t60_s is not None and math.isclose(got.t60_s, 6.907755 * 0.30, rel_tol=1e-6)
    assert got.name == "G#2-34"


def test_one_head_has_its_note_too() -> None:
    assert name_note([p(110.0, 0.4, 0.0), p(175.0, 0.3, -6.0)], two_heads=False).frequency_hz == 110.0


def test_a_faint_line_that_lingers_beside_the_note_is_not_where_it_rests() -> None:
    """A kick: 41.6 Hz, and 15 dB of ringing energy below it a line at 39.1 Hz that rings three times as long."""
    def note_with(level: float) -> float | None:
        return name_note([Partial(39.1, 0.05, 0.27, 0.01, (level,), (level,)), Partial(41.6, 0.05, 0.094, 0.005, (0.0,), (0.0,)),
                          Partial(74.0, 0.1, 0.085, 0.005, (-13.0,), (-13.0,))]).frequency_hz

    assert note_with(-25.0) == 41.6
    assert note_with(-9.0) == 39.1  # strong enough, it is the partial come to rest
