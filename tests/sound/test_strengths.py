"""Real strikes at five strengths: the same resting pitch, or no claim."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bothheads.records import Reading
from bothheads.sound.audio import read_audio
from bothheads.sound.reading import read_samples
from evidence import assert_published

FOLDER = Path(__file__).parent.parent / "data" / "recordings"


def read(name: str) -> Reading:
    sound = read_audio(FOLDER / f"{name}.flac")
    return read_samples(sound.samples, sound.sample_rate_hz, channels=("ch1",))


@pytest.mark.parametrize(("drum", "within_cents"), [("tom-high", 4.0), ("tom-low", 8.0)])
def test_a_tom_rests_at_one_pitch_however_hard_it_was_struck(drum: str, within_cents: float) -> None:
    """The glide is up to four semitones at the hardest strike; the resting pitch moves by a few cents."""
    names = sorted(p.stem for p in FOLDER.glob(f"{drum}-*.flac"))
    assert len(names) == 5
    notes = [read(name).note for name in names]
    hertz = np.array([n.frequency_hz for n in notes if n.frequency_hz])
    assert len(hertz) == 5
    cents = 1200 * np.log2(hertz / np.median(hertz))
    for c in cents:
        assert_published(float(c), 0.0, within_cents, kind="measured recording", source="the same drum at five strengths")


def test_no_note_is_claimed_where_little_rings_on() -> None:
    reading = read("kick-5-very-hard")
    assert reading.note.frequency_hz is None
    assert reading.note.refused
    assert not reading.settled
