"""Drum files: what is read, what is refused by name, and the round trip to the last bit."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bothheads import drumfile
from bothheads.errors import DrumFileError
from bothheads.records import Drum, Head, Muffling

STREET = """
schema = "bothheads.drum/1"
name = "Street bass"
diameter_in = 26
depth_in = 12
[batter]
rods = 10
film_mil = 10
tension = 620
[resonant]
rods = 10
film_mil = 10
tension = 470
opening_diameter_in = 5
opening_offset_in = 4
[[muffling]]
kind = "pad"
heads = ["batter", "resonant"]
y_m = -0.19
radius_m = 0.09
mass_kg = 0.06
resistance = 80
[strike]
x_m = 0.03
force_n = 60
[[microphone]]
name = "seat"
x_m = 0.0
y_m = 0.45
z_m = -0.45
[air]
temperature_c = 20
"""


def test_the_street_bass() -> None:
    drum, warnings = drumfile.parse(STREET)
    assert drum.diameter == pytest.approx(0.6604)
    assert drum.depth == pytest.approx(0.3048)
    assert drum.batter.surface_density == pytest.approx(0.35306)
    assert drum.resonant is not None
    assert drum.resonant.opening is not None
    assert drum.resonant.opening.x == pytest.approx(0.1016)
    assert drum.muffling == (Muffling("pad", ("batter", "resonant"), 0.0, -0.19, 0.09, None, 0.06, 80.0),)
    assert warnings == ("loss assumed on the batter head", "loss assumed on the resonant head")


@pytest.mark.parametrize(("old", "new", "sentence"), [
    ("diameter_in = 26", "", "diameter_in is missing"),
    ("diameter_in = 26", "diameter_in = 260", "outside 3.93701 to 47.2441 in"),
    ("diameter_in = 26", "diameter_in = 26\ndiameter_mm = 660", "given twice"),
    ("depth_in = 12", 'depth_in = "12"', "depth_in must be a number"),
    ("rods = 10\nfilm_mil = 10\ntension = 620", "rods = 2", "batter.rods must be a whole number from 3 to 24"),
    ("tension = 620", "tension = -5", "batter.tension = -5 is outside 20 to 20000 N/m"),
    ("tension = 620", "tension = nan", "batter.tension must be a number"),
    ("tension = 620", "tightness = 620", "batter.tightness is not a key"),
    ("tension = 620", "tension = 620\nsurface_density = 0.3", "both film_mil and surface_density"),
    ("opening_diameter_in = 5", "opening_diameter_in = 14", "more than half the head"),
    ("opening_offset_in = 4", "opening_offset_in = 12", "reaches over the edge"),
    ('kind = "pad"', 'kind = "pillow"', "must be pad, patch, strip, ring or filling"),
    ("radius_m = 0.09", "", "muffling[1].radius_m is missing"),
    ("y_m = -0.19", "y_m = -0.3", "reaches over the edge"),
    ("x_m = 0.03", "x_m = 0.4", "strike.x_m = 0.4 is outside"),
    ('schema = "bothheads.drum/1"', 'schema = "bothheads.drum/9"', "is not known here"),
    ("[batter]", "[batterhead]", "[batter] is missing"),
    ("temperature_c = 20", "temperature_c = 80", "air.temperature_c = 80 is outside -30 to 50 C"),
    ("diameter_in = 26", "diameter_in = [26", "is not TOML"),
])
def test_impossible_drums_are_refused_by_name(old: str, new: str, sentence: str) -> None:
    assert old in STREET
    import re

    with pytest.raises(DrumFileError, match=re.escape(sentence)) as caught:
        drumfile.parse(STREET.replace(old, new, 1))
    assert "\n" not in str(caught.value)


def test_a_drum_without_resonant_head_is_legal() -> None:
    text = STREET[: STREET.index("[resonant]")] + "[resonant]\nabsent = true\n"
    drum, warnings = drumfile.parse(text)
    assert drum.resonant is None
    assert warnings == ("loss assumed on the batter head",)
    with pytest.raises(DrumFileError, match="this drum has none"):
        drumfile.parse(text + '[[muffling]]\nkind = "ring"\nwidth_m = 0.02\nheads = ["resonant"]\n')


heads = st.builds(Head, surface_density=st.floats(0.05, 2.0), rods=st.integers(3, 24),
                  tension=st.none() | st.floats(20, 20000), resistance=st.none() | st.floats(0, 2000),
                  plies=st.sampled_from([1, 2]))


@given(st.builds(Drum, name=st.text(min_size=1, max_size=20).filter(lambda s: s.strip()), diameter=st.floats(0.2, 1.0),
                 depth=st.floats(0.1, 1.0), batter=heads, resonant=st.none() | heads))
@settings(derandomize=True, deadline=None, max_examples=80)
def test_written_and_read_again_it_is_the_same_drum(drum: Drum) -> None:
    from dataclasses import replace

    from bothheads.records import Strike

    drum = replace(drum, strike=Strike(x=0.01))
    assert drumfile.parse(drumfile.write(drum))[0] == drum


def test_changes_of_single_keys() -> None:
    drum, _ = drumfile.parse(STREET)
    assert drumfile.changed(drum, "batter.tension", "500").batter.tension == 500
    assert drumfile.changed(drum, "batter.film_mil", "7.5").batter.surface_density == pytest.approx(0.2648, abs=1e-4)
    assert drumfile.changed(drum, "muffling.1.mass_kg", "0.1").muffling[0].mass == 0.1
    assert drumfile.changed(drum, "diameter_in", "24").diameter == pytest.approx(0.6096)
    bare = drumfile.changed(drum, "resonant.absent", "true")
    assert bare.resonant is None
    assert bare.muffling[0].heads == ("batter",)  # what lay on the head that is gone goes with it
    with pytest.raises(DrumFileError, match="is not a key"):
        drumfile.changed(drum, "batter.loudness", "11")
    with pytest.raises(DrumFileError, match="outside"):
        drumfile.changed(drum, "batter.tension", "1e9")
