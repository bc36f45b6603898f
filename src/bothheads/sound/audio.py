"""Audio files in and out. The only module that knows them; everything else sees float64 arrays, full scale 1.

8 to 192 kHz, up to 32 channels, any width. Integers keep their scale exactly: 16 and 24 bit survive
``decode_flac(encode_flac(...))`` bit for bit.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError
from .decoder import Decoded, decode_bytes, decode_file
from .header import LOSSY, needs_decoder, ogg_is_whole, promised_frames
from .packing import integers, packed, unpacked
from .recording import AudioInfo, Recording, checked, lossy, refuse_not_finite

if TYPE_CHECKING:
    import soundfile

Array = NDArray[np.float64]

RATES_HZ = (8000, 192000)
MOST_CHANNELS = 32
BY_BROWSER = "decoded by a browser from "  # in the comment of a WAV that the page made (decode.js), before the kind
_BLOCK = 4096  # frames read at once when a damaged file is salvaged

__all__ = [
    "AudioInfo", "Recording", "audio_info", "decode_flac", "encode_flac", "read_audio", "read_audio_bytes", "stream_audio",
    "wav_bytes", "write_wav",
]


# ------------------------------------------------------------------ reading
def read_audio(path: str | Path, *, start_s: float | None = None, stop_s: float | None = None) -> Recording:
    """The recording at ``path`` from ``start_s`` to ``stop_s`` [s], default all of it.

    Warns of clipped, cut short, damaged and lossy files.

    Raises
    ------
    AudioError
        Missing, a folder, empty, not audio, not finite, an unusual rate or channel count, or no such time.
    """
    name = Path(path).name
    with _opened(path) as (file, warnings, _):
        first, last = _range(file, start_s, stop_s, name)
        samples, damage = _frames(file, first, last, name)
        return checked(samples, int(file.samplerate), name, (*warnings, *damage))


def read_audio_bytes(data: bytes, name: str = "recording") -> Recording:
    """The recording held in ``data``; raises like ``read_audio``. ``name`` is used in messages only."""
    if not data:
        raise AudioError(f"{name} is empty: record again.")
    if needs_decoder(data[:16]):
        with _open_decoded(decode_bytes(data, name), name) as (file, warnings, _):
            samples, damage = _frames(file, 0, file.frames, name)
            return checked(samples, int(file.samplerate), name, (*warnings, *damage))
    with _open_sound(io.BytesIO(data), name) as file:
        samples, damage = _frames(file, 0, file.frames, name)
        return checked(samples, int(file.samplerate), name, (*_header_warnings(file, io.BytesIO(data)), *damage))


def audio_info(path: str | Path) -> AudioInfo:
    """Frames, rate and channels of a file; raises like ``read_audio``."""
    with _opened(path) as (file, _, kind):
        return AudioInfo(int(file.frames), int(file.samplerate), int(file.channels), kind)


def stream_audio(
    path: str | Path, *, start_s: float | None = None, stop_s: float | None = None, block_s: float = 10.0
) -> Iterator[Array]:
    """Blocks (n, channels) of at most ``block_s`` [s], in order, in constant memory; raises like ``read_audio``."""
    name = Path(path).name
    with _opened(path) as (file, _, _kind):
        first, last = _range(file, start_s, stop_s, name)
        step = max(1, round(block_s * file.samplerate))
        for at in range(first, last, step):
            block, damage = _frames(file, at, min(at + step, last), name)
            if len(block):
                refuse_not_finite(block, int(file.samplerate), name, at)
                yield block
            if damage:
                return


@contextmanager
def _opened(path: str | Path) -> Iterator[tuple[soundfile.SoundFile, tuple[str, ...], str]]:
    """(open file, what its header gives reason to warn of, kind)."""
    place = Path(path)
    name = place.name
    if place.is_dir():
        raise AudioError(f"{name or path} is a folder: name a recording in it, or read the folder as a whole.")
    try:
        with place.open("rb") as stream:
            head = stream.read(16)
    except FileNotFoundError:
        raise AudioError(f"{path} is not there: check the name.") from None
    except OSError as error:
        raise AudioError(f"{name} cannot be opened ({error.strerror}): check its permissions.") from None
    if not head:
        raise AudioError(f"{name} is empty: record again.")
    if needs_decoder(head):
        with _open_decoded(decode_file(place, name), name) as found:
            yield found
        return
    with _open_sound(os.fspath(place), name) as file, place.open("rb") as stream:
        yield file, _header_warnings(file, stream), str(file.format)


@contextmanager
def _open_decoded(decoded: Decoded, name: str) -> Iterator[tuple[soundfile.SoundFile, tuple[str, ...], str]]:
    raw = {"samplerate": decoded.sample_rate_hz, "channels": decoded.channels, "format": "RAW", "subtype": "FLOAT",
           "endian": "LITTLE"}
    with _open_sound(decoded.source(), name, raw) as file:
        yield file, decoded.warnings, decoded.kind


@contextmanager
def _open_sound(source: str | IO[bytes], name: str, raw: dict[str, Any] | None = None) -> Iterator[soundfile.SoundFile]:
    import soundfile

    try:
        file = soundfile.SoundFile(source, **(raw or {}))
    except (soundfile.LibsndfileError, TypeError, ValueError):
        raise AudioError(f"{name} is not audio that is read: record WAV or FLAC.") from None
    with file:
        if not RATES_HZ[0] <= file.samplerate <= RATES_HZ[1]:
            raise AudioError(f"{name} has a rate of {file.samplerate} Hz: record at 8 to 192 kHz.")
        if file.channels > MOST_CHANNELS:
            raise AudioError(f"{name} has {file.channels} channels: at most {MOST_CHANNELS} are read.")
        if not file.frames and file.format in LOSSY:
            raise AudioError(f"{name} is cut short, its end is missing, and cannot be read: take the original again.")
        if not file.frames:
            raise AudioError(f"{name} holds no sound, only a header: record again.")
        yield file


def _range(file: soundfile.SoundFile, start_s: float | None, stop_s: float | None, name: str) -> tuple[int, int]:
    length = file.frames / file.samplerate
    begin, end = 0.0 if start_s is None else start_s, length if stop_s is None else stop_s
    if not 0.0 <= begin < length or not begin < end:
        raise AudioError(
            f"{name} is {length:.2f} s long and the part from {begin:g} to {end:g} s is not in it: "
            f"give 0 <= from < to <= {length:.2f}."
        )
    first = round(begin * file.samplerate)
    return first, max(first + 1, min(round(end * file.samplerate), file.frames))


def _frames(file: soundfile.SoundFile, first: int, last: int, name: str) -> tuple[Array, tuple[str, ...]]:
    """Samples first..last; of a damaged file what comes before the damage, with a warning."""
    import soundfile

    try:
        file.seek(first)
        got: Array = file.read(last - first, dtype="float64", always_2d=True)
    except soundfile.LibsndfileError:
        got = _salvaged(file, first, last)
    if not len(got):
        raise AudioError(f"{name} is damaged and nothing can be read from it: take the original again.")
    missing = last - first - len(got)
    if not missing:
        return got, ()
    rate = file.samplerate
    return got, (f"the file is cut short or damaged after {(first + len(got)) / rate:.2f} s: "
                 f"{missing / rate:.2f} s are missing.",)


def _salvaged(file: soundfile.SoundFile, first: int, last: int) -> Array:
    import soundfile

    pieces: list[Array] = [np.zeros((0, file.channels))]
    try:
        file.seek(first)
        while sum(map(len, pieces)) < last - first:
            block = file.read(min(_BLOCK, last - first - sum(map(len, pieces))), dtype="float64", always_2d=True)
            if not len(block):
                break
            pieces.append(block)
    except soundfile.LibsndfileError:
        pass  # the damage begins here
    return np.concatenate(pieces)


def _header_warnings(file: soundfile.SoundFile, stream: IO[bytes]) -> tuple[str, ...]:
    kind, source = str(file.format), cast(BinaryIO, stream)
    if kind in LOSSY:
        cut = () if kind != "OGG" or ogg_is_whole(source) else ("the file is cut short: its end is missing.",)
        return (lossy("Opus" if file.subtype == "OPUS" else LOSSY[kind]), *cut)
    if (made := str(file.comment or "")).startswith(BY_BROWSER):
        return (lossy(made.removeprefix(BY_BROWSER).rstrip("\0 ")),)
    promised = promised_frames(source)
    if promised is None or promised <= file.frames:
        return ()
    rate = file.samplerate
    return (f"the file is cut short: {file.frames / rate:.2f} of {promised / rate:.2f} s are there.",)


# ------------------------------------------------------------------ writing
def encode_flac(samples: NDArray[Any], sample_rate_hz: int) -> bytes:
    """FLAC, 24 bit, of samples (n, channels), full scale 1; the same samples give the same bytes.

    Louder than full scale (float sources): halved as often as needed. More than eight channels: groups of eight
    behind one another. Both stand in the file's comment and are undone by ``decode_flac``.
    """
    import soundfile

    x, comment = packed(samples)
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", int(sample_rate_hz), x.shape[1], "PCM_24", format="FLAC") as file:
        if comment:
            file.comment = comment
        file.write(x)
    return out.getvalue()


def decode_flac(data: bytes) -> Recording:
    """The recording that ``encode_flac`` kept; raises ``AudioError`` when the bytes are damaged."""
    with _open_sound(io.BytesIO(data), "the kept recording") as file:
        x, damage = _frames(file, 0, file.frames, "the kept recording")
        return Recording(unpacked(x, str(file.comment or "")), int(file.samplerate), damage)


def wav_bytes(samples: NDArray[Any], sample_rate_hz: int) -> bytes:
    """WAV, 24 bit, of samples (n,) or (n, channels); 32-bit float where they exceed full scale."""
    out = io.BytesIO()
    _write(out, samples, sample_rate_hz)
    return out.getvalue()


def write_wav(path: str | Path, samples: NDArray[Any], sample_rate_hz: int) -> None:
    """Write ``wav_bytes`` to ``path``; raises ``AudioError`` when it cannot be written."""
    try:
        Path(path).write_bytes(wav_bytes(samples, sample_rate_hz))
    except OSError as error:
        raise AudioError(f"{path} cannot be written ({error.strerror}): name another place.") from None


def _write(target: IO[bytes], samples: NDArray[Any], sample_rate_hz: int) -> None:
    import soundfile

    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    loud = float(np.abs(x).max(initial=0.0)) > 1.0
    kind = "FLOAT" if loud else "PCM_24"
    with soundfile.SoundFile(target, "w", int(sample_rate_hz), x.shape[1], kind, format="WAV") as file:
        file.write(x.astype(np.float32) if loud else integers(x))
