"""What phones record: through PyAV as people have it, through a stand-in for ffmpeg, refused without either."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest

from bothheads.errors import AudioError
from bothheads.sound import decoder
from bothheads.sound.audio import audio_info, read_audio, read_audio_bytes, stream_audio
from phones import coded

RATE = 48000


def tone(seconds: float = 1.0, channels: int = 1) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return 0.4 * np.sin(2 * np.pi * 61.0 * t)[:, None] * (1.0 + np.arange(channels)) / channels


@pytest.fixture
def without_av(monkeypatch: pytest.MonkeyPatch) -> None:
    decoder._once.cache_clear()
    monkeypatch.setattr(decoder, "find_spec", lambda name: None)


@pytest.mark.parametrize(("codec", "container", "word"), [
    ("aac", "ipod", "AAC"), ("aac", "adts", "AAC"), ("libopus", "webm", "Opus"),
])
@pytest.mark.parametrize("channels", [1, 2])
def test_what_a_phone_records_is_read_with_a_warning(codec: str, container: str, word: str, channels: int) -> None:
    x = tone(channels=channels)
    got = read_audio_bytes(coded(x, RATE, codec=codec, container=container), "phone.m4a")
    assert got.sample_rate_hz == RATE and got.samples.shape[1] == channels
    assert got.warnings == (f"the file is lossy ({word}): phase and decay are not kept exactly, so record WAV or FLAC "
                            "where it counts.",)
    spectrum = np.abs(np.fft.rfft(got.samples[4800:40800] * np.hanning(36000)[:, None], axis=0))
    assert np.all(np.abs(np.argmax(spectrum, axis=0) * RATE / 36000 - 61.0) < 1.0)
    rms = np.sqrt((got.samples[4800:40800] ** 2).mean(axis=0))
    assert np.allclose(rms, 0.4 / np.sqrt(2) * (1.0 + np.arange(channels)) / channels, rtol=0.02)


def test_lossless_coding_in_an_m4a_is_exact_and_no_warning() -> None:
    x = np.rint(tone() * 32768.0) / 32768.0
    got = read_audio_bytes(coded(x, RATE, codec="alac"), "phone.m4a")
    assert not got.warnings and np.abs(got.samples - x).max() < 1.01 / 32768.0


def test_parts_streams_and_lengths_of_a_coded_file(tmp_path: Path) -> None:
    (tmp_path / "phone.m4a").write_bytes(coded(tone(2.0), RATE))
    info, whole = audio_info(tmp_path / "phone.m4a"), read_audio(tmp_path / "phone.m4a").samples
    assert (info.frames, info.channels, info.kind) == (len(whole), 1, "AAC")
    part = read_audio(tmp_path / "phone.m4a", start_s=0.5, stop_s=1.0).samples
    assert np.array_equal(part, whole[24000:48000])
    assert np.array_equal(np.concatenate(list(stream_audio(tmp_path / "phone.m4a", block_s=0.3))), whole)


def test_very_long_sound_goes_to_disk_and_away_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = coded(tone(2.0), RATE)
    in_memory = decoder.decode_bytes(data, "a.m4a")
    monkeypatch.setattr(decoder, "IN_MEMORY_BYTES", 100_000)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    on_disk = decoder.decode_bytes(data, "a.m4a")
    assert on_disk.path is not None and on_disk.path.parent == tmp_path
    assert on_disk.path.read_bytes() == in_memory.data
    place = on_disk.path
    del on_disk
    assert not place.exists()


@pytest.mark.parametrize(("limit", "words"), [("LONGEST_S", "longer than"), ("LIMIT_S", "to decode")])
def test_limits(limit: str, words: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(decoder, limit, -1.0)
    with pytest.raises(AudioError, match=words):
        read_audio_bytes(coded(tone(), RATE), "a.m4a")


def test_damage_in_the_middle_keeps_the_rest() -> None:
    data = bytearray(coded(tone(3.0), RATE, container="adts"))
    at = len(data) // 2
    data[at : at + 3000] = bytes(3000)
    got = read_audio_bytes(bytes(data), "a.aac")
    assert 1.4 < got.seconds < 3.1


@pytest.mark.parametrize("data", [
    b"\x00\x00\x00\x20ftypM4A " + bytes(64), b"\xff\xf1" + bytes(300), b"\x1aE\xdf\xa3" + bytes(100),
])
def test_nonsense_is_refused_in_one_sentence(data: bytes) -> None:
    with pytest.raises(AudioError, match="cannot be decoded") as caught:
        read_audio_bytes(data, "a.m4a")
    assert str(caught.value).count(". ") == 0


@pytest.mark.usefixtures("without_av")
def test_without_a_decoder_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = coded(tone(), RATE)
    (tmp_path / "phone.m4a").write_bytes(data)
    monkeypatch.setenv("PATH", str(tmp_path))
    for call in (lambda: read_audio(tmp_path / "phone.m4a"), lambda: read_audio_bytes(data, "phone.m4a")):
        with pytest.raises(AudioError, match="needs a decoder: install ffmpeg"):
            call()


def stand_in(folder: Path, x: np.ndarray, status: int = 0) -> None:
    """A program named ffmpeg that checks its arguments and writes a known sound: the road to it is tested, not the codec."""
    head = struct.pack(">4s5I", b".snd", 32, 0xFFFFFFFF, 6, RATE, x.shape[1]) + bytes(8)
    (folder / "known.au").write_bytes(head + x.astype(">f4").tobytes() if not status else b"")
    (folder / "ffmpeg").write_text(
        "#!/bin/sh\ncase \"$*\" in *'-protocol_whitelist file,pipe -i file:/'*'-f au pipe:1') ;; *) exit 9 ;; esac\n"
        f"echo '  Stream #0:0: Audio: aac (LC)' >&2\n/bin/cat '{folder}/known.au'\nexit {status}\n", encoding="utf-8")
    os.chmod(folder / "ffmpeg", 0o755)


@pytest.mark.usefixtures("without_av")
def test_ffmpeg_is_asked_safely(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    x, data = tone(channels=2), coded(tone(), RATE)
    (tmp_path / "-i phone.m4a").write_bytes(data)
    stand_in(tmp_path, x)
    monkeypatch.setenv("PATH", str(tmp_path))
    for got in (read_audio(tmp_path / "-i phone.m4a"), read_audio_bytes(data, "phone.m4a")):
        assert np.abs(got.samples - x).max() < 1e-7 and "lossy (AAC)" in got.warnings[0]
    stand_in(tmp_path, x, status=1)
    with pytest.raises(AudioError, match="cannot be decoded"):
        read_audio_bytes(data, "phone.m4a")
