"""Audio files in and out: what is kept exactly, what is warned of, what is refused in one sentence."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bothheads.errors import AudioError
from bothheads.sound.audio import (
    audio_info,
    decode_flac,
    encode_flac,
    read_audio,
    read_audio_bytes,
    stream_audio,
    wav_bytes,
    write_wav,
)

RATE = 48000


def tone(seconds: float = 1.0, channels: int = 1, rate: int = RATE) -> np.ndarray:
    rng = np.random.default_rng(5)
    t = np.arange(round(seconds * rate)) / rate
    wave = 0.4 * np.sin(2 * np.pi * 61.0 * t)[:, None] * np.ones(channels)
    return wave + 0.01 * rng.standard_normal(wave.shape)


@pytest.mark.parametrize("width", ["PCM_16", "PCM_24"])
@pytest.mark.parametrize("channels", [1, 2, 8, 9, 32])
def test_integers_survive_keeping_bit_for_bit(tmp_path: Path, width: str, channels: int) -> None:
    soundfile.write(tmp_path / "a.wav", tone(0.3, channels), RATE, width)
    first = read_audio(tmp_path / "a.wav")
    again = decode_flac(encode_flac(first.samples, RATE))
    assert np.array_equal(first.samples, again.samples)
    assert again.sample_rate_hz == RATE


def test_float_louder_than_full_scale_keeps_its_scale() -> None:
    loud = 5.0 * tone()
    assert np.abs(decode_flac(encode_flac(loud, RATE)).samples - loud).max() < 4 * 2.0**-23


def test_same_samples_same_bytes() -> None:
    assert encode_flac(tone(), RATE) == encode_flac(tone(), RATE)


@pytest.mark.parametrize(("kind", "width"), [
    ("WAV", "PCM_U8"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("AIFF", "PCM_24"), ("FLAC", "PCM_16"),
    ("RF64", "PCM_24"), ("W64", "PCM_16"), ("CAF", "PCM_16"),
])
@pytest.mark.parametrize("rate", [8000, 44100, 192000])
def test_every_width_and_rate_is_read(tmp_path: Path, kind: str, width: str, rate: int) -> None:
    x = tone(0.2, 2, rate)
    soundfile.write(tmp_path / "a", x, rate, width, format=kind)
    got = read_audio(tmp_path / "a")
    assert got.sample_rate_hz == rate and got.samples.shape == x.shape and not got.warnings
    assert np.abs(got.samples - x).max() < (0.01 if width == "PCM_U8" else 1e-4)


def test_a_part_by_time(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", tone(), RATE)
    whole = read_audio(tmp_path / "a.wav").samples
    assert np.array_equal(read_audio(tmp_path / "a.wav", start_s=0.25, stop_s=0.5).samples, whole[12000:24000])
    for start, stop in ((-0.1, None), (1.0, None), (0.5, 0.5), (2.0, 3.0)):
        with pytest.raises(AudioError, match="is not in it"):
            read_audio(tmp_path / "a.wav", start_s=start, stop_s=stop)


def test_streaming_gives_the_same_samples(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", tone(1.0, 3), RATE)
    blocks = list(stream_audio(tmp_path / "a.wav", block_s=0.3))
    assert [len(b) for b in blocks] == [14400, 14400, 14400, 4800]
    assert np.array_equal(np.concatenate(blocks), read_audio(tmp_path / "a.wav").samples)


def test_info(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", tone(0.5, 2), RATE)
    info = audio_info(tmp_path / "a.wav")
    assert (info.frames, info.sample_rate_hz, info.channels, info.kind) == (24000, RATE, 2, "WAV")


@pytest.mark.parametrize(("kind", "odd"), [("WAV", 0), ("WAV", 1), ("AIFF", 0)])
def test_cut_short_is_told(tmp_path: Path, kind: str, odd: int) -> None:
    soundfile.write(tmp_path / "a", tone(), RATE, "PCM_16", format=kind)
    data = (tmp_path / "a").read_bytes()
    (tmp_path / "a").write_bytes(data[: len(data) // 2 + odd])
    got = read_audio(tmp_path / "a")
    assert 0.45 < got.seconds < 0.55
    assert any("cut short" in w and "of 1.00 s" in w for w in got.warnings)


def test_a_streamed_wav_without_length_is_no_warning(tmp_path: Path) -> None:
    data = bytearray(wav_bytes(tone(), RATE))
    at = data.index(b"data") + 4
    data[at : at + 4] = b"\xff\xff\xff\xff"
    (tmp_path / "a.wav").write_bytes(bytes(data))
    got = read_audio(tmp_path / "a.wav")
    assert len(got.samples) == RATE and not got.warnings


def test_damaged_flac_gives_what_is_left(tmp_path: Path) -> None:
    data = encode_flac(tone(2.0), RATE)
    (tmp_path / "cut.flac").write_bytes(data[: len(data) * 2 // 3])
    got = read_audio(tmp_path / "cut.flac")
    assert 0.9 < got.seconds < 1.6
    assert any("damaged after" in w for w in got.warnings)
    assert np.abs(got.samples - tone(2.0)[: len(got.samples)]).max() < 1e-6
    with pytest.raises(AudioError, match=r"damaged|not audio"):
        (tmp_path / "none.flac").write_bytes(data[:200])
        read_audio(tmp_path / "none.flac")


def test_clipped_is_told_and_a_quiet_low_tone_is_not() -> None:
    t = np.arange(RATE) / RATE
    low = np.sin(2 * np.pi * 40.0 * t)
    clipped = np.clip(1.4 * low, -1.0, 1.0)
    assert any("channel 1 is clipped" in w for w in read_audio_bytes(wav_bytes(clipped, RATE)).warnings)
    turned_down = read_audio_bytes(wav_bytes(0.3 * clipped, RATE))
    assert any("clipped" in w for w in turned_down.warnings)
    out = io.BytesIO()
    soundfile.write(out, 0.08 * low, RATE, "PCM_16", format="WAV")
    assert not read_audio_bytes(out.getvalue()).warnings


@pytest.mark.parametrize(("kind", "width", "word"), [
    ("OGG", "VORBIS", "Ogg"), ("OGG", "OPUS", "Opus"), ("MP3", "MPEG_LAYER_III", "MP3"),
])
def test_lossy_is_told(tmp_path: Path, kind: str, width: str, word: str) -> None:
    soundfile.write(tmp_path / "a", tone(), RATE, width, format=kind)
    got = read_audio(tmp_path / "a")
    assert any(w.startswith(f"the file is lossy ({word})") for w in got.warnings)
    if kind == "OGG":
        data = (tmp_path / "a").read_bytes()
        (tmp_path / "a").write_bytes(data[: len(data) // 2])
        with pytest.raises(AudioError, match=r"its end is missing|is not audio"):
            read_audio(tmp_path / "a")


def bad_files(folder: Path) -> dict[str, tuple[Path, str]]:
    (folder / "empty.wav").write_bytes(b"")
    (folder / "text.wav").write_text("no sound in here", encoding="utf-8")
    (folder / "odd.raw").write_bytes(bytes(100))
    (folder / "header.wav").write_bytes(wav_bytes(np.zeros((0, 1)), RATE))
    nan = tone()
    nan[4800, 0] = np.nan
    soundfile.write(folder / "nan.wav", nan, RATE, "FLOAT")
    soundfile.write(folder / "slow.wav", tone(), 4000)
    soundfile.write(folder / "fast.wav", tone(), 384000)
    soundfile.write(folder / "many.wav", tone(0.1, 40), RATE)
    return {
        "missing": (folder / "missing.wav", "is not there"), "folder": (folder, "is a folder"),
        "empty": (folder / "empty.wav", "is empty"), "text": (folder / "text.wav", "is not audio"),
        "raw": (folder / "odd.raw", "is not audio"), "header": (folder / "header.wav", "holds no sound"),
        "nan": (folder / "nan.wav", r"not finite from 0\.100 s"), "slow": (folder / "slow.wav", "4000 Hz"),
        "fast": (folder / "fast.wav", "384000 Hz"), "many": (folder / "many.wav", "40 channels"),
    }


@pytest.mark.parametrize("case", ["missing", "folder", "empty", "text", "raw", "header", "nan", "slow", "fast", "many"])
def test_refused_in_one_sentence(tmp_path: Path, case: str) -> None:
    path, words = bad_files(tmp_path)[case]
    with pytest.raises(AudioError, match=words) as caught:
        read_audio(path)
    assert caught.value.exit_code == 2
    assert str(caught.value).endswith(".") and str(caught.value).count(". ") == 0


def test_empty_upload_is_refused() -> None:
    with pytest.raises(AudioError, match="is empty"):
        read_audio_bytes(b"", "upload")


def test_unwritable_place_is_told(tmp_path: Path) -> None:
    with pytest.raises(AudioError, match="cannot be written"):
        write_wav(tmp_path / "no" / "a.wav", tone(), RATE)
