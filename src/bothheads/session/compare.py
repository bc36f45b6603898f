"""Two recordings compared fairly: level-matched, aligned, the differences in words and numbers."""

from __future__ import annotations

from pathlib import Path

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
        A file is not sound, holds no strike, or the output cannot be written.
    """
    from ..sound.audio import read_audio, write_wav
    from ..sound.compare import compare_takes

    a, b = read_audio(first), read_audio(second)
    reading_a = read_recording(a, channels=channels, drum=drum)
    reading_b = read_recording(b, channels=channels, drum=drum)
    comparison, sound_a, sound_b = compare_takes(
        a.samples, a.sample_rate_hz, b.samples, b.sample_rate_hz, reading_a=reading_a, reading_b=reading_b
    )
    if render is not None:
        stem = str(render).removesuffix(".wav")
        write_wav(f"{stem}-a.wav", sound_a, a.sample_rate_hz)
        write_wav(f"{stem}-b.wav", sound_b, a.sample_rate_hz)
    return comparison
