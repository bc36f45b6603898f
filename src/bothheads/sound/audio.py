"""Audio files in and out. The only module that knows them; everything else sees float64 arrays, full scale 1.

8 to 192 kHz, up to 32 channels, any width. Integers keep their scale exactly: 16 and 24 bit survive
``decode_flac(encode_flac(...))`` bit for bit.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import tempfile
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import AudioError
from .header import LOSSY, needs_decoder, ogg_is_whole, promised_frames

if TYPE_CHECKING:
    import soundfile

Array = NDArray[np.float64]

RATES_HZ = (8000, 192000)
MOST_CHANNELS = 32
_FULL_24 = 1 << 23
_FLAC_CHANNELS = 8  # the format's own limit; more are folded behind one another
_BLOCK = 4096  # frames read at once when a damaged file is salvaged
_FLAT = 3  # equal samples in a row at the top that make a clipped peak


@dataclass(frozen=True, eq=False)
class Recording:
    """Sound in memory. ``samples`` (n, channels), full scale 1; ``warnings``: one sentence each."""

    samples: Array
    sample_rate_hz: int
    warnings: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True)
class AudioInfo:
    """What a file holds, without reading its samples. ``kind`` is the container's name (WAV, FLAC, ...)."""

    frames: int
    sample_rate_hz: int
    channels: int
    kind: str

    @property
    def seconds(self) -> float:
        """Length [s]."""
        return self.frames / self.sample_rate_hz


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
    with _opened(path) as (file, warnings):
        first, last = _range(file, start_s, stop_s, name)
        samples, damage = _frames(file, first, last, name)
        return _recording(samples, int(file.samplerate), name, (*warnings, *damage))


def read_audio_bytes(data: bytes, name: str = "recording") -> Recording:
    """The recording held in ``data``; raises like ``read_audio``. ``name`` is used in messages only."""
    if data and needs_decoder(data[:16]):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "upload"
            path.write_bytes(data)
            decoded = _decode_foreign(path, name)
        with _open_sound(str(decoded.path), name) as file:
            samples, damage = _frames(file, 0, file.frames, name)
            return _recording(samples, int(file.samplerate), name, (_lossy("AAC"), *damage))
    if not data:
        raise AudioError(f"{name} is empty: record again.")
    with _open_sound(io.BytesIO(data), name) as file:
        samples, damage = _frames(file, 0, file.frames, name)
        rate = int(file.samplerate)
        return _recording(samples, rate, name, (*_header_warnings(file, io.BytesIO(data)), *damage))


def audio_info(path: str | Path) -> AudioInfo:
    """Frames, rate and channels of a file; raises like ``read_audio``."""
    with _opened(path) as (file, _):
        return AudioInfo(int(file.frames), int(file.samplerate), int(file.channels), str(file.format))


def stream_audio(
    path: str | Path, *, start_s: float | None = None, stop_s: float | None = None, block_s: float = 10.0
) -> Iterator[Array]:
    """Blocks (n, channels) of at most ``block_s`` [s], in order, in constant memory; raises like ``read_audio``."""
    name = Path(path).name
    with _opened(path) as (file, _):
        first, last = _range(file, start_s, stop_s, name)
        step = max(1, round(block_s * file.samplerate))
        for at in range(first, last, step):
            block, damage = _frames(file, at, min(at + step, last), name)
            if len(block):
                _finite(block, int(file.samplerate), name, at)
                yield block
            if damage:
                return


@contextmanager
def _opened(path: str | Path) -> Iterator[tuple[soundfile.SoundFile, tuple[str, ...]]]:
    """The open file with what its header gives reason to warn of."""
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
        status = place.stat()
        decoded = _decoded_once(str(place.resolve()), status.st_mtime_ns, status.st_size)
        with _open_sound(str(decoded.path), name) as file:
            yield file, (_lossy("AAC"),)
        return
    with _open_sound(os.fspath(place), name) as file, place.open("rb") as stream:
        yield file, _header_warnings(file, stream)


@contextmanager
def _open_sound(source: str | IO[bytes], name: str) -> Iterator[soundfile.SoundFile]:
    import soundfile

    try:
        file = soundfile.SoundFile(source)
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


def _recording(samples: Array, rate: int, name: str, warnings: tuple[str, ...]) -> Recording:
    _finite(samples, rate, name, 0)
    return Recording(samples, rate, (*warnings, *_clipped(samples)))


def _finite(samples: Array, rate: int, name: str, offset: int) -> None:
    bad = ~np.isfinite(samples).all(axis=1)
    if bad.any():
        at = (offset + int(np.argmax(bad))) / rate
        raise AudioError(f"{name} holds numbers that are not finite from {at:.3f} s on: export the recording again.")


# ------------------------------------------------------------------ what to warn of
def _lossy(kind: str) -> str:
    return f"the file is lossy ({kind}): phase and decay are not kept exactly, so record WAV or FLAC where it counts."


def _header_warnings(file: soundfile.SoundFile, stream: IO[bytes]) -> tuple[str, ...]:
    kind = str(file.format)
    if kind in LOSSY:
        cut = () if kind != "OGG" or ogg_is_whole(stream) else ("the file is cut short: its end is missing.",)  # type: ignore[arg-type]
        return (_lossy("Opus" if file.subtype == "OPUS" else LOSSY[kind]), *cut)
    promised = promised_frames(stream)  # type: ignore[arg-type]
    if promised is None or promised <= file.frames:
        return ()
    rate = file.samplerate
    return (f"the file is cut short: {file.frames / rate:.2f} of {promised / rate:.2f} s are there.",)


def _clipped(samples: Array) -> tuple[str, ...]:
    """A peak is clipped when at least three samples in a row stand at the channel's extreme, entered by a jump,
    and below full scale (turned down afterwards) at two places or more.

    The jump tells a flattened peak from a quiet low tone whose top rounds to one value.
    """
    out = []
    for channel in range(samples.shape[1]):
        x = samples[:, channel]
        count = sum(_flat_tops(side) for side in (x, -x) if side.max(initial=0.0) > 0.05)
        if count:
            out.append(f"channel {channel + 1} is clipped at {count} places: turn the input down and strike again.")
    return tuple(out)


def _flat_tops(x: Array) -> int:
    extreme = float(x.max())
    top = np.flatnonzero(x >= extreme * (1 - 1e-9))
    if len(top) < _FLAT:
        return 0
    starts = np.flatnonzero(np.diff(top, prepend=-2) > 1)
    lengths = np.diff(np.append(starts, len(top)))
    begin = top[starts[lengths >= _FLAT]]
    jump = np.abs(x[begin] - x[np.maximum(begin - 1, 0)])
    full = extreme >= 1 - 2.0**-14
    places = int(np.count_nonzero((jump > 0.002 * extreme) | full))
    return places if full or places > 1 else 0  # three equal samples happen once by chance


# ------------------------------------------------------------------ optional decoder
class _Decoded:
    """A decoded copy in the temporary folder that goes away with this object."""

    def __init__(self) -> None:
        handle, text = tempfile.mkstemp(suffix=".wav")
        os.close(handle)
        self.path = Path(text)
        weakref.finalize(self, _forget, text)


def _forget(path: str) -> None:
    Path(path).unlink(missing_ok=True)


@lru_cache(maxsize=2)
def _decoded_once(path: str, changed: int, size: int) -> _Decoded:
    return _decode_foreign(Path(path), Path(path).name)


def _decode_foreign(path: Path, name: str) -> _Decoded:
    """A float WAV copy of an m4a, AAC or similar file, through ffmpeg when it is installed."""
    program = shutil.which("ffmpeg")
    if program is None:
        raise AudioError(f"{name} needs a decoder: install ffmpeg, or export the recording as WAV or FLAC.")
    decoded = _Decoded()
    command = [program, "-nostdin", "-v", "error", "-y", "-i", str(path), "-vn", "-c:a", "pcm_f32le", "-rf64", "auto",
               str(decoded.path)]
    done = subprocess.run(command, capture_output=True, check=False)
    if done.returncode or not decoded.path.stat().st_size:
        raise AudioError(f"{name} cannot be decoded: export the recording as WAV or FLAC.")
    return decoded


# ------------------------------------------------------------------ writing
def _integers(samples: NDArray[Any], scale: float = 1.0) -> NDArray[np.int32]:
    """24-bit integers in the upper bits of int32; 16- and 24-bit sources come back exactly."""
    x = np.asarray(samples, float)
    x = x[:, None] if x.ndim == 1 else x
    whole = np.rint(x * (scale * _FULL_24)).clip(-_FULL_24, _FULL_24 - 1).astype(np.int32)
    return np.ascontiguousarray(whole << 8)


def encode_flac(samples: NDArray[Any], sample_rate_hz: int) -> bytes:
    """FLAC, 24 bit, of samples (n, channels), full scale 1; the same samples give the same bytes.

    Louder than full scale (float sources): halved as often as needed. More than eight channels: groups of eight
    behind one another. Both stand in the file's comment and are undone by ``decode_flac``.
    """
    import soundfile

    x = np.atleast_2d(np.asarray(samples, float).T).T
    n, channels = x.shape
    peak = float(np.abs(x).max(initial=0.0))
    halvings = max(0, int(np.ceil(np.log2(peak)))) if peak > 1.0 else 0
    groups = -(-channels // _FLAC_CHANNELS)
    if groups > 1:
        padded = np.zeros((n, groups * _FLAC_CHANNELS))
        padded[:, :channels] = x
        x = np.concatenate(np.split(padded, groups, axis=1))
    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", int(sample_rate_hz), x.shape[1], "PCM_24", format="FLAC") as file:
        if halvings or groups > 1:
            file.comment = f"halvings={halvings} channels={channels}"
        file.write(_integers(x, 0.5**halvings))
    return out.getvalue()


def decode_flac(data: bytes) -> Recording:
    """The recording that ``encode_flac`` kept; raises ``AudioError`` when the bytes are damaged."""
    with _open_sound(io.BytesIO(data), "the kept recording") as file:
        x, damage = _frames(file, 0, file.frames, "the kept recording")
        rate = int(file.samplerate)
        words: dict[str, str] = dict(part.split("=", 1) for part in str(file.comment or "").split() if "=" in part)
    channels = int(words.get("channels", str(x.shape[1])))
    if channels > x.shape[1]:
        groups = -(-channels // x.shape[1])
        x = np.ascontiguousarray(np.concatenate(np.split(x, groups), axis=1)[:, :channels])
    return Recording(x * 2.0 ** int(words.get("halvings", "0")), rate, damage)


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
        file.write(x.astype(np.float32) if loud else _integers(x))
