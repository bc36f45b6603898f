"""Two recordings compared fairly: level-matched, aligned, the differences in words and numbers."""

from __future__ import annotations

from pathlib import Path

from ..errors import CannotAnswer
from ..records import Comparison, Drum
from .reading import read_recording


def compare(
    first: str | Path, second: str | Path, *, channels: str | None = None, drum: Drum | None = None,
    render: str | Path | None = None,
) -> Comparison:
    """Differences b - a of two recordings; ``render`` OUT writes the matched pair OUT-a.wav, OUT-b.wav.

    Raises
    ------
    AudioError, InputError
        A file is not sound, or the output cannot be written.
    CannotAnswer
        One of the two holds no strike.
    """
    from ..sound.audio import read_audio, write_wav
    from ..sound.compare import compare_takes

    a, b = read_audio(first), read_audio(second)
    reading_a = read_recording(a, channels=channels, drum=drum)
    reading_b = read_recording(b, channels=channels, drum=drum)
    for path, reading in ((first, reading_a), (second, reading_b)):
        if not reading.strikes:
            sentence = f"{path} holds no strike: record one in the centre and compare again."
            raise CannotAnswer(sentence, {"schema": "bothheads.comparison/1", "gain_db": None, "delay_ms": None,
                                          "differences": [], "partials": [], "refused": sentence})
    comparison, sound_a, sound_b = compare_takes(
        a.samples, a.sample_rate_hz, b.samples, b.sample_rate_hz, reading_a=reading_a, reading_b=reading_b
    )
    if render is not None:
        stem = str(render).removesuffix(".wav")
        write_wav(f"{stem}-a.wav", sound_a, a.sample_rate_hz)
        write_wav(f"{stem}-b.wav", sound_b, a.sample_rate_hz)
    return comparison
