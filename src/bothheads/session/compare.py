"""Two recordings compared fairly: level-matched, aligned, the differences in words and numbers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import CannotAnswer, InputError
from ..records import Comparison, Drum, Reading, State
from .reading import read_recording

if TYPE_CHECKING:
    from ..log.store import Log


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


def compare_states(log: Log, first: State, second: State) -> tuple[Comparison, bytes, bytes]:
    """Differences of the first takes of two states as they were read when they were kept, and the matched pair as WAV.

    Both sounds are of the first microphone that both takes have, else of each take's first.

    Raises
    ------
    InputError
        A state has no recording, or nothing was read from it.
    LogError
        A recording is missing.
    """
    from .. import wire
    from ..sound.audio import decode_flac, wav_bytes
    from ..sound.compare import compare_takes

    for state in (first, second):
        if not state.takes:
            raise InputError(f"state {state.number} has no recording: choose a state with a take.")
        if not (state.reading or {}).get("strikes"):
            raise InputError(f"no strike was read in state {state.number}: choose another state.")
    names = [next((n for n in first.takes[0].channels if n in second.takes[0].channels), state.takes[0].channels[0])
             for state in (first, second)]
    sounds = [decode_flac(log.take_bytes(state.takes[0].sha256)) for state in (first, second)]
    samples = [x.samples[:, [s.takes[0].channels.index(n)]] for x, s, n in zip(sounds, (first, second), names, strict=True)]
    readings = [_at(wire.reading_from(s.reading or {}), n) for s, n in zip((first, second), names, strict=True)]
    found, a, b = compare_takes(samples[0], sounds[0].sample_rate_hz, samples[1], sounds[1].sample_rate_hz,
                                reading_a=readings[0], reading_b=readings[1])
    return found, wav_bytes(a, sounds[0].sample_rate_hz), wav_bytes(b, sounds[0].sample_rate_hz)


def _at(reading: Reading, name: str) -> Reading:
    """The reading as at one of its channels."""
    if name not in reading.channels or len(reading.channels) == 1:
        return reading
    i = reading.channels.index(name)
    return replace(reading, channels=(name,), partials=tuple(
        replace(p, level_db=p.level_db[i:i + 1], level_dbfs=p.level_dbfs[i:i + 1]) for p in reading.partials))
