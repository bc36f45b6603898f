"""Reading recordings: one file, an upload, a round of taps, a folder, a session of several drums."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from ..records import Drum, HeadName, Note, Reading, TapReading
from .drums import channel_names, load_drum
from .low_note import settled_note

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from ..log.store import Log
    from ..sound.audio import Recording
    from ..sound.live import LiveReader

Progress = Callable[[str, float | None], None]  # what is being done, and the share of it that is done (None: not known)
LONG_S = 120.0  # recordings longer than this are read blockwise, in constant memory
_BLOCK_S = 60.0
_OVERLAP_S = 4.0


def read_file(
    path: str | Path,
    *,
    channels: str | Iterable[str] | None = None,
    drum: Drum | None = None,
    start_s: float | None = None,
    stop_s: float | None = None,
    quick: bool = False,
) -> Reading:
    """Strikes, partials and the note of a recording.

    A reading without strike or credible partial comes back with empty tuples and a refused note;
    ``refusal`` says so in one sentence.

    Raises
    ------
    AudioError, InputError
        The file is not sound, or the channel names do not fit it.
    """
    from ..sound.audio import audio_info, read_audio

    info = audio_info(path)
    begin, end = start_s or 0.0, stop_s
    known = info.frames / info.sample_rate_hz
    length = (known if end is None else min(end, known)) - begin
    if length > LONG_S:
        return _read_long(path, channels=channels, drum=drum, start_s=start_s, stop_s=stop_s, quick=quick)
    return read_recording(
        read_audio(path, start_s=start_s, stop_s=stop_s),
        channels=channels, drum=drum, quick=quick, offset_s=start_s or 0.0,
    )


def decodes_phones() -> bool:
    """Whether this computer can decode m4a, AAC and WebM itself (extra ``phone``, or ffmpeg)."""
    from ..sound.decoder import is_there

    return is_there()


def read_upload(
    data: bytes, name: str, *, channels: str | Iterable[str] | None = None, drum: Drum | None = None,
    quick: bool = False,
) -> Reading:
    """The reading of a recording held in memory; raises like ``read_file``."""
    from ..sound.audio import read_audio_bytes

    return read_recording(read_audio_bytes(data, name), channels=channels, drum=drum, quick=quick)


def read_recording(
    recording: Recording, *, channels: str | Iterable[str] | None = None, drum: Drum | None = None,
    quick: bool = False, offset_s: float = 0.0,
) -> Reading:
    """The reading of samples already in memory; the recording's own warnings come first."""
    from ..sound.reading import read_samples

    names = channel_names(recording.samples.shape[1], drum=drum, given=channels)
    reading = read_samples(
        recording.samples, recording.sample_rate_hz, channels=names, drum=drum, quick=quick, offset_s=offset_s
    )
    if not quick:
        from ..sound.floor_gain import floor_gain
        from ..sound.levels import levels_of
        from ..sound.ridden import distrusted, is_ridden, set_back, spans_of

        samples, rate = recording.samples, recording.sample_rate_hz
        heard = levels_of(samples, rate, reading.strikes, offset_s)
        gain = floor_gain(samples, rate, [s.onset_s - offset_s for s in reading.strikes])
        if gain is not None:
            reading = read_samples(gain.undone(samples, rate), rate, channels=names, drum=drum, offset_s=offset_s,
                                   spans=spans_of(reading, offset_s))
        reading = replace(reading, note=settled_note(reading, drum), levels=heard)
        if gain is not None:
            reading = set_back(reading)
        elif is_ridden(samples, rate, reading.strikes, offset_s):
            reading = distrusted(reading, drum is not None)
    return replace(reading, warnings=tuple(dict.fromkeys((*recording.warnings, *reading.warnings))))


def read_recordings(
    recordings: Sequence[tuple[str, Recording]], *, channels: str | Iterable[str] | None = None, drum: Drum | None = None,
    progress: Progress | None = None,
) -> list[Reading]:
    """Readings of recordings already in memory, long ones block by block; ``progress`` hears which and how far."""
    out = []
    for i, (name, recording) in enumerate(recordings):
        which = f"reading {name}" if len(recordings) == 1 else f"reading {name}, {i + 1} of {len(recordings)}"
        told = partial(progress, which) if progress else None
        rate = recording.sample_rate_hz
        length = recording.samples.shape[0] / rate
        if told:
            told(i / len(recordings) if len(recordings) > 1 else None)
        if length <= LONG_S:
            out.append(read_recording(recording, channels=channels, drum=drum))
            continue

        def piece(start: float, stop: float, whole: Recording = recording) -> Recording:
            rate = whole.sample_rate_hz
            return replace(whole, samples=whole.samples[round(start * rate):round(stop * rate)])

        names = channel_names(recording.samples.shape[1], drum=drum, given=channels)
        out.append(_read_blocks(piece, 0.0, length, names=names, sample_rate_hz=rate, drum=drum, quick=False, told=told))
    return out


def _read_long(
    path: str | Path, *, channels: str | Iterable[str] | None, drum: Drum | None,
    start_s: float | None, stop_s: float | None, quick: bool,
) -> Reading:
    """A long file block by block, in constant memory."""
    from ..sound.audio import audio_info, read_audio

    info = audio_info(path)
    total = info.frames / info.sample_rate_hz
    return _read_blocks(
        lambda start, stop: read_audio(path, start_s=start, stop_s=stop), start_s or 0.0,
        min(stop_s, total) if stop_s is not None else total, names=channel_names(info.channels, drum=drum, given=channels),
        sample_rate_hz=info.sample_rate_hz, drum=drum, quick=quick)


def _read_blocks(
    load: Callable[[float, float], Recording], begin: float, end: float, *, names: tuple[str, ...], sample_rate_hz: int,
    drum: Drum | None, quick: bool, told: Callable[[float | None], None] | None = None,
) -> Reading:
    """What ``load(start, stop)`` gives, block by block; a strike near a block's end is left to the next block."""
    at = begin
    parts: list[Reading] = []
    warnings: list[str] = []
    while at < end - 1e-3:
        if told:
            told((at - begin) / max(end - begin, 1e-9))
        stop = min(at + _BLOCK_S + _OVERLAP_S, end)
        part = read_recording(load(at, stop), channels=names, drum=drum, quick=quick, offset_s=at)
        last = stop >= end
        edge = end if last else at + _BLOCK_S
        strikes = tuple(s for s in part.strikes if s.onset_s < edge and not any(
            abs(s.onset_s - t.onset_s) < 0.02 for p in parts for t in p.strikes[-3:]))
        if strikes:
            parts.append(replace(part, strikes=strikes))
        warnings += part.warnings
        if last:
            break
        at += _BLOCK_S
    if not parts:
        empty = Note(refused="no strike was found: strike the drum in the centre and record again.")
        return Reading(sample_rate_hz, names, (), (), empty, tuple(dict.fromkeys(warnings)))
    joined = join_readings(parts, drum=drum)
    return replace(joined, warnings=tuple(dict.fromkeys((*joined.warnings, *warnings))))


def join_readings(readings: list[Reading] | tuple[Reading, ...], *, drum: Drum | None = None) -> Reading:
    """Several readings of one state as one: partials joined by weight, strikes one after the other.

    Raises
    ------
    InputError
        When the recordings do not have the same channels.
    """
    from ..sound.join import join

    if len({r.channels for r in readings}) != 1:
        raise InputError("the recordings of one take have different channels: name them alike, or take them apart.")
    return join(readings, drum=drum)


def roundness(readings: Reading | Sequence[Reading]) -> float | None:
    """Roundness [dB] over the channels of a take, or over several takes of one place each; see ``sound.roundness``."""
    from ..sound.roundness import roundness_of

    return roundness_of(readings).roundness_db


def refusal(reading: Reading) -> str | None:
    """Why this recording cannot be answered at all (no strike, no credible partial), else None."""
    if not reading.strikes:
        return "no strike was found in this recording: strike the drum in the centre and record again."
    if not reading.partials:
        return reading.note.refused or "no partial stands out of this strike: strike again, softer, and let it ring."
    return None


def read_taps(
    path: str | Path, *, rods: int, drum: Drum | None = None, head: HeadName = "batter",
    start_s: float | None = None, stop_s: float | None = None,
) -> TapReading:
    """A round of taps, one near each rod in order, the other head held; raises like ``read_file``."""
    from ..sound.audio import read_audio

    recording = read_audio(path, start_s=start_s, stop_s=stop_s)
    return taps_of(recording, rods=rods, drum=drum, head=head)


def taps_of(recording: Recording, *, rods: int, drum: Drum | None = None, head: HeadName = "batter") -> TapReading:
    """A round of taps from samples in memory."""
    from ..sound.taps import read_taps as from_samples

    found = from_samples(recording.samples, recording.sample_rate_hz, rods=rods, drum=drum, head=head)
    return replace(found, warnings=tuple(dict.fromkeys((*recording.warnings, *found.warnings))))


def audio_files(*places: str | Path) -> tuple[Path, ...]:
    """The files named, and the recordings below the folders named, sorted; ``InputError`` where a folder has none."""
    endings = {".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".opus", ".w64", ".rf64", ".m4a", ".aac", ".caf", ".webm"}
    found: list[Path] = []
    for root in map(Path, places):
        below = sorted(p for p in root.rglob("*") if p.suffix.lower() in endings and p.is_file()) if root.is_dir() else [root]
        if not below:
            raise InputError(f"{root} holds no recordings: name a folder with WAV or FLAC files.")
        found += below
    return tuple(dict.fromkeys(found))


def live_reader(
    sample_rate_hz: int, channels: tuple[str, ...], *, drum: Drum | None = None, executor: Executor | None = None,
    notify: Callable[[], None] | None = None,
) -> LiveReader:
    """A streaming reader: ``feed(block)`` takes (n, channels) samples and gives what was heard; see ``sound.live``.

    Raises
    ------
    AudioError
        The rate is none that is read, or the channels are not named one by one.
    """
    from ..sound.live import LiveReader

    return LiveReader(sample_rate_hz, channels, drum=drum, executor=executor, notify=notify)


def read_kit(
    path: str | Path, kit: str | Path, *, channels: str | None = None, start_s: float | None = None,
    stop_s: float | None = None, log: Log | None = None,
) -> dict[str, Reading]:
    """A reading of every drum of a kit recorded on one interface; ``channels`` names each channel's drum, in order.

    Raises
    ------
    InputError
        The kit file cannot be read, or the channels do not fit it or the recording.
    """
    from ..drumfile import parse_kit
    from ..sound.audio import read_audio
    from ..sound.kit import read_kit as from_samples

    try:
        drums = parse_kit(Path(kit).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError):
        raise InputError(f"there is no kit file {kit}: write [[drum]] with channel and drum for each.") from None
    recording = read_audio(path, start_s=start_s, stop_s=stop_s)
    count = recording.samples.shape[1]
    owners = [name.strip() for name in channels.split(",")] if channels else list(drums)
    if len(owners) != count:
        raise InputError(f"{len(owners)} channel names for {count} channels: give --channels with one drum for each.")
    unknown = [name for name in owners if name not in drums]
    if unknown:
        raise InputError(f"'{unknown[0]}' is not in the kit file: it names {', '.join(drums)}.")
    loaded: dict[str, Drum | None] = {name: load_drum(drums[name], log=log).drum for name in dict.fromkeys(owners)}
    found = from_samples(recording.samples, recording.sample_rate_hz, owners, drums=loaded, offset_s=start_s or 0.0)
    return {name: replace(r, warnings=tuple(dict.fromkeys((*recording.warnings, *r.warnings)))) for name, r in found.items()}
