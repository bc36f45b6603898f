"""What an audio file's own header promises: its kind, and how many frames it should hold. Bytes only, no decoder."""

from __future__ import annotations

import struct
from typing import BinaryIO

UNKNOWN_SIZE = 0xFFFFFFFF  # written by recorders that stream, and by RF64
LOSSY = {"OGG": "Ogg", "MPEG": "MP3", "MP3": "MP3"}
_TAIL = 1 << 17  # bytes at the end of an Ogg file in which the last page must begin


def needs_decoder(head: bytes) -> bool:
    """True for MPEG-4, raw AAC, Matroska and ASF: containers that are read through an optional decoder only."""
    mpeg4 = head[4:8] in (b"ftyp", b"moov", b"mdat", b"free", b"wide")
    adts = len(head) > 1 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0
    return mpeg4 or adts or head[:4] in (b"\x1aE\xdf\xa3", b"\x30\x26\xb2\x75", b"ADIF")


def promised_frames(stream: BinaryIO) -> int | None:
    """Frames that the header of a WAV or AIFF file promises; None where it promises nothing.

    A decoder takes the length from the file's size, so a file cut short by a full card looks whole to it.
    """
    head = stream.read(12)
    if head[:4] in (b"RIFF", b"RIFX") and head[8:12] == b"WAVE":
        return _riff(stream, "<" if head[:4] == b"RIFF" else ">")
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return _aiff(stream)
    return None


def _riff(stream: BinaryIO, order: str) -> int | None:
    frame = 0
    while len(chunk := stream.read(8)) == 8:
        size = struct.unpack(order + "I", chunk[4:])[0]
        if chunk[:4] == b"data":
            return size // frame if frame and 0 < size < UNKNOWN_SIZE - 64 else None
        body = stream.read(min(size, 64))
        if chunk[:4] == b"fmt " and len(body) >= 14:
            frame = struct.unpack(order + "H", body[12:14])[0]
        stream.seek(size - len(body) + size % 2, 1)
    return None


def _aiff(stream: BinaryIO) -> int | None:
    while len(chunk := stream.read(8)) == 8:
        size = struct.unpack(">I", chunk[4:])[0]
        body = stream.read(min(size, 64))
        if chunk[:4] == b"COMM" and len(body) >= 6:
            return int(struct.unpack(">I", body[2:6])[0])
        stream.seek(size - len(body) + size % 2, 1)
    return None


def ogg_is_whole(stream: BinaryIO) -> bool:
    """False when an Ogg stream lacks its last page (flag 'end of stream', RFC 3533)."""
    stream.seek(0, 2)
    stream.seek(max(0, stream.tell() - _TAIL))
    tail = stream.read()
    at = tail.rfind(b"OggS")
    return at >= 0 and len(tail) > at + 5 and bool(tail[at + 5] & 4)
