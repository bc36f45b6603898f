"""The optional decoder of what phones and cameras record (m4a, AAC, WebM ...): PyAV when installed, else ffmpeg.

Sound comes out as interleaved 32-bit floats at the file's own rate, in memory, or on disk when it is very long. The
file is handed over as an open stream (PyAV) or as one local file (ffmpeg), so nothing it names is ever opened.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import struct
import subprocess
import tempfile
import time
import weakref
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any

from ..errors import AudioError
from .recording import lossy

LONGEST_S = 4 * 3600.0  # of sound
LIMIT_S = 900.0  # of waiting for the decoder
IN_MEMORY_BYTES = 256 << 20
_LOSSLESS = ("alac", "flac", "pcm", "wavpack", "tta", "als", "truehd", "mlp", "wmalossless")
_AU = struct.Struct(">4s5I")  # magic, offset, size, coding, rate, channels
_BLOCK = 1 << 18


@dataclass(frozen=True)
class _Format:
    rate: int
    channels: int
    codec: str


@dataclass
class Decoded:
    """Interleaved 32-bit little-endian floats: ``data``, or the file ``path`` that goes away with this object."""

    sample_rate_hz: int
    channels: int
    codec: str
    damaged: bool
    data: bytes | None
    path: Path | None = None
    _end: Any = field(default=None, repr=False)

    def source(self) -> str | IO[bytes]:
        """A fresh stream of the floats, or their file's name."""
        return str(self.path) if self.data is None else io.BytesIO(self.data)

    @property
    def kind(self) -> str:
        """The coding as people name it."""
        return {"opus": "Opus", "vorbis": "Ogg"}.get(self.codec, self.codec.upper())

    @property
    def warnings(self) -> tuple[str, ...]:
        """Lossy, and damaged: one sentence each."""
        loss = () if self.codec.startswith(_LOSSLESS) else (lossy(self.kind),)
        hurt = ("parts of the file are damaged and were left out: take the original again.",) if self.damaged else ()
        return loss + hurt


def decode_file(path: Path, name: str) -> Decoded:
    """The sound in ``path``; kept for the next call as long as the file does not change."""
    status = path.stat()
    return _once(str(path.resolve()), status.st_mtime_ns, status.st_size, name)


def decode_bytes(data: bytes, name: str) -> Decoded:
    """The sound in ``data``, the contents of a whole file."""
    if find_spec("av") is not None:
        return _with_av(io.BytesIO(data), name)
    if _ffmpeg() is None:
        raise _missing(name)
    with tempfile.TemporaryDirectory() as folder:  # the index of an m4a may stand at its end: a pipe will not do
        place = Path(folder) / "upload"
        place.write_bytes(data)
        return _with_ffmpeg(place, name)


@lru_cache(maxsize=2)
def _once(path: str, changed: int, size: int, name: str) -> Decoded:
    if find_spec("av") is not None:
        with open(path, "rb") as stream:
            return _with_av(stream, name)
    if _ffmpeg() is None:
        raise _missing(name)
    return _with_ffmpeg(Path(path), name)


def is_there() -> bool:
    """Whether this computer can decode what phones record."""
    return find_spec("av") is not None or _ffmpeg() is not None


def _missing(name: str) -> AudioError:
    return AudioError(f"{name} needs a decoder: install ffmpeg or 'pip install bothheads[phone]', or export it as WAV or FLAC.")


def _broken(name: str) -> AudioError:
    return AudioError(f"{name} cannot be decoded: export the recording as WAV or FLAC.")


# ------------------------------------------------------------------ PyAV
def _with_av(stream: IO[bytes], name: str) -> Decoded:
    import av

    spool, bad = _Spool(name), 0
    try:
        with av.open(stream, mode="r", metadata_errors="ignore") as container:
            if not container.streams.audio:
                raise AudioError(f"{name} holds no sound: name a recording.")
            track = container.streams.audio[0]
            codec = track.codec_context.name
            form: _Format | None = None
            for frames, hurt in _frames(container, track):
                bad += hurt
                for frame in frames:
                    form = form or _Format(frame.sample_rate, frame.layout.nb_channels, codec)
                    spool.write(frame.to_ndarray().tobytes(), form)
    except av.error.FFmpegError:
        bad += 1  # what was decoded before is kept
        form = spool.form
    if form is None:
        raise _broken(name)
    return spool.closed(bool(bad))


def _frames(container: Any, track: Any) -> Iterator[tuple[list[Any], bool]]:
    """Frames of each packet as packed floats; True where the packet is damaged."""
    import av

    shape: Any = None
    for packet in container.demux(track):
        try:
            frames = packet.decode()
        except av.error.FFmpegError:
            yield [], True
            continue
        out: list[Any] = []
        for frame in frames:
            shape = shape or av.AudioResampler(format="flt", layout=frame.layout, rate=frame.sample_rate)
            out += shape.resample(frame)
        yield out, False
    if shape is not None:
        yield shape.resample(None), False


# ------------------------------------------------------------------ ffmpeg
def _ffmpeg() -> str | None:
    return shutil.which("ffmpeg")


def _with_ffmpeg(path: Path, name: str) -> Decoded:
    program = _ffmpeg()
    assert program is not None
    command = [program, "-nostdin", "-hide_banner", "-nostats", "-protocol_whitelist", "file,pipe", "-i", f"file:{path}",
               "-map", "0:a:0", "-c:a", "pcm_f32be", "-f", "au", "pipe:1"]
    spool = _Spool(name)
    with tempfile.TemporaryFile() as log, subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log) as child:
        assert child.stdout is not None
        try:
            head = child.stdout.read(_AU.size)
            if len(head) == _AU.size and head[:4] == b".snd":
                _, offset, _, _, rate, channels = _AU.unpack(head)
                child.stdout.read(offset - _AU.size)
                form = _Format(rate, channels, "compressed")
                while block := child.stdout.read(_BLOCK):
                    spool.write(_swapped(block), form)
        except BaseException:
            child.kill()
            raise
        child.stdout.close()
        failed = child.wait() != 0
        log.seek(0)
        told = log.read(1 << 20)
    if spool.form is None:
        raise _broken(name)
    codec = re.search(rb"Audio: (\w+)", told)
    done = spool.closed(failed or b"Invalid data" in told)
    done.codec = codec[1].decode("ascii", "replace") if codec else done.codec
    return done


def _swapped(block: bytes) -> bytes:
    import numpy as np

    return np.frombuffer(block[: len(block) // 4 * 4], ">f4").astype("<f4").tobytes()


# ------------------------------------------------------------------ where the floats go
class _Spool:
    """Collects decoded bytes in memory, beyond ``IN_MEMORY_BYTES`` in a temporary file; keeps both limits."""

    def __init__(self, name: str) -> None:
        self.name, self.count = name, 0
        self.form: _Format | None = None
        self.stop = time.monotonic() + LIMIT_S
        self.pieces: list[bytes] = []
        self.file: IO[bytes] | None = None
        self.path: str | None = None

    def write(self, block: bytes, form: _Format) -> None:
        self.form = form
        self.count += len(block)
        if self.count > LONGEST_S * 4 * form.rate * form.channels:
            self._drop()
            raise AudioError(f"{self.name} is longer than {LONGEST_S / 3600:.0f} hours: cut it to the strikes.")
        if time.monotonic() > self.stop:
            self._drop()
            raise AudioError(f"{self.name} takes longer than {LIMIT_S / 60:.0f} minutes to decode: export it as WAV or FLAC.")
        if self.file is None and self.count > IN_MEMORY_BYTES:
            handle, self.path = tempfile.mkstemp(suffix=".f32")
            self.file = os.fdopen(handle, "wb")
            self.file.writelines(self.pieces)
            self.pieces = []
        if self.file is None:
            self.pieces.append(block)
        else:
            self.file.write(block)

    def closed(self, damaged: bool) -> Decoded:
        assert self.form is not None
        form = self.form
        if self.file is None or self.path is None:
            return Decoded(form.rate, form.channels, form.codec, damaged, b"".join(self.pieces))
        self.file.close()
        out = Decoded(form.rate, form.channels, form.codec, damaged, None, Path(self.path))
        out._end = weakref.finalize(out, _forget, self.path)
        return out

    def _drop(self) -> None:
        if self.file is not None and self.path is not None:
            self.file.close()
            _forget(self.path)


def _forget(path: str) -> None:
    Path(path).unlink(missing_ok=True)
