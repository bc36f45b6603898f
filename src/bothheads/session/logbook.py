"""Keeping: drums, states, takes, cards; getting back to a state and saying what changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import drumfile, wire
from ..errors import InputError
from ..records import Cause, Drum, DrumEntry, Fit, HeadName, Reading, State, Turn
from .drums import Loaded, load_drum, load_file, turns_of, with_changes
from .forecast import fit_readings
from .reading import Progress, join_readings, read_recordings, refusal

if TYPE_CHECKING:
    from ..log.store import Log, TakeInput
    from ..sound.audio import Recording


def open_log(path: str | Path | None = None, *, create: bool = True, readonly: bool = False) -> Log:
    """The log at ``path``, else at BOTHHEADS_LOG, else in the platform's data folder; raises ``LogError``."""
    from ..log.store import open_log as open_store

    return open_store(path, create=create, readonly=readonly)


def add_drum(path: str | Path, *, log: Log) -> DrumEntry:
    """A drum file into the log; raises ``DrumFileError`` or, when the name is taken, ``LogError``."""
    loaded = load_file(path)
    return log.add_drum(loaded.drum, loaded.toml)


def take_files(
    ref: str, paths: Sequence[str | Path], *, log: Log, channels: str | Iterable[str] | None = None,
    **details: Any,
) -> tuple[State, Reading, Fit | None]:
    """Recordings in files as one new state of a drum; see ``take``."""
    from ..sound.audio import read_audio

    if not paths:
        raise InputError("a take needs a recording: name one or more files.")
    if progress := details.get("progress"):
        progress("opening the recording", None)
    recordings = [(Path(p).name, read_audio(p)) for p in paths]
    return take(ref, recordings, log=log, channels=channels, **details)


def take(
    ref: str | int,
    recordings: Sequence[tuple[str, Recording]],
    *,
    log: Log,
    turns: str | Iterable[str] | tuple[Turn, ...] = (),
    sets: Iterable[str] = (),
    channels: str | Iterable[str] | None = None,
    place: str = "",
    remark: str = "",
    who: str = "",
    beater: str = "",
    made_at: str | None = None,
    progress: Progress | None = None,
) -> tuple[State, Reading, Fit | None]:
    """One new state of a drum in the log: its recordings kept, read and fitted.

    The take is kept even when the note or the fit is refused. ``sets`` changes the drum as described
    (``muffling.1.mass_kg=0.05``) or, with a key that is no drum-file key, a remark on the surroundings
    (``room=hall``, ``temperature_c=18``). ``progress`` hears what is being done; an error that it raises ends the
    work, and nothing is kept.
    """
    loaded = load_drum(str(ref), log=log)
    if loaded.entry is None:
        raise InputError(f"'{ref}' is a drum file: add it first with 'bothheads log add {ref}'.")
    drum, settings = _settings(loaded.drum, sets)
    asked = turns_of(turns, drum)
    entry, loaded = loaded.entry, replace(loaded, drum=drum)
    readings = read_recordings(recordings, channels=channels, drum=drum, progress=progress)
    reading = readings[0] if len(readings) == 1 else join_readings(readings, drum=drum)
    if progress:
        progress("finding both heads", None)
    fit = fit_or_none(loaded, readings, asked, log)
    known = as_fitted(drum, fit)
    if progress:
        progress("keeping the take", None)
    state = log.add_state(
        entry.id, drum=known, turns=asked,
        takes=[take_input(name, rec, readings[0].channels) for name, rec in recordings],
        reading=wire.reading(reading), fit=wire.fit(fit) if fit else None,
        place=place, remark=remark, who=who, beater=beater, settings=settings, made_at=made_at,
    )
    return state, reading, fit


_SURROUNDINGS = ("room", "temperature_c", "humidity_percent", "pressure_hpa", "weather", "floor", "head", "note")


def _settings(drum: Drum, sets: Iterable[str]) -> tuple[Drum, dict[str, str]]:
    settings: dict[str, str] = {}
    for change in sets:
        key, equals, value = change.partition("=")
        bare = key.strip()
        if equals and (bare in _SURROUNDINGS or bare.startswith(("room.", "x."))):
            settings[bare] = value.strip()
            if bare in ("temperature_c", "humidity_percent", "pressure_hpa"):
                drum = with_changes(drum, [f"air.{bare}={value.strip()}"])
        else:
            drum = with_changes(drum, [change])
    return drum, settings


def fit_or_none(loaded: Loaded, readings: Sequence[Reading], turns: tuple[Turn, ...], log: Log) -> Fit | None:
    """The fit of what was heard; None when nothing was."""
    heard = [r for r in readings if refusal(r) is None]
    if not heard:
        return None
    return fit_readings(loaded, heard, turns=turns, log=log)


def as_fitted(drum: Drum, fit: Fit | None) -> Drum:
    """The drum with tensions as found; a refused fit leaves what was described."""
    if fit is None or fit.refused or fit.batter is None:
        return drum
    found = drum.with_head("batter", tension=fit.batter.tension, **_losses(fit.batter, fit))
    if fit.resonant is not None and drum.resonant is not None:
        found = found.with_head("resonant", tension=fit.resonant.tension, **_losses(fit.resonant, fit))
    return found


def _losses(head: Any, fit: Fit) -> dict[str, float]:
    out: dict[str, float] = {}
    if head.resistance is not None:
        out["resistance"] = head.resistance
    if fit.stiffness_loss is not None:
        out["stiffness_loss"] = fit.stiffness_loss
    if head.surface_density is not None:
        out["surface_density"] = head.surface_density
    return out


def take_input(name: str, recording: Recording, channels: tuple[str, ...]) -> TakeInput:
    """A recording as the log keeps it."""
    from ..log.store import TakeInput
    from ..sound.audio import encode_flac

    return TakeInput(
        flac=encode_flac(recording.samples, recording.sample_rate_hz), channels=channels,
        sample_rate_hz=recording.sample_rate_hz, frames=recording.samples.shape[0],
        recorded_at=datetime.now(UTC).isoformat(timespec="seconds"), source_name=name,
    )


def drum_json(entry: DrumEntry, states: Sequence[State]) -> dict[str, Any]:
    """A drum in the log with the summary of each state, as JSON."""
    return {
        "schema": "bothheads.drum-log/1", "drum": entry.id, "name": entry.name,
        "drum_file": wire.clean(drumfile.to_dict(entry.drum)), "added_at": entry.added_at,
        "states": [
            {"state": s.number, "made_at": s.made_at, "turns": wire.turns(s.turns),
             "note": (s.reading or {}).get("note"), "batter": (s.fit or {}).get("batter"),
             "resonant": (s.fit or {}).get("resonant"), "place": s.place, "remark": s.remark}
            for s in states
        ],
    }


def cause_of_change(ref: str, first: int, second: int, *, log: Log) -> tuple[Cause, ...]:
    """What explains the difference between two states, ranked with odds."""
    from ..infer.cause import explain

    entry = log.find_drum(ref)
    return explain(log.state(entry.id, first), log.state(entry.id, second))


def take_audio(log: Log, sha256: str) -> bytes:
    """A kept recording as WAV bytes, for any player."""
    from ..sound.audio import decode_flac, wav_bytes

    recording = decode_flac(log.take_bytes(sha256))
    return wav_bytes(recording.samples, recording.sample_rate_hz)


def keep_taps(log: Log, drum_id: int, head: HeadName, taps: dict[str, Any]) -> None:
    """The last round of taps of a head, kept beside the drum."""
    log.set_note(drum_id, f"taps/{head}", taps)


def check_log(path: str | Path | None, *, mend: bool = False) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Orphaned, missing and damaged recordings of a log, mended when asked; the object and its lines in words."""
    from ..log.check import check

    report = check(path, mend=mend)
    return report.as_json(), report.words()


def export_to(log: Log, out: str | Path, drums: Sequence[str] = ()) -> dict[str, Any]:
    """The log, or some of its drums, in one zip of open formats."""
    from dataclasses import asdict

    from ..log.export import export_log

    report = export_log(log, out, list(drums) or None)
    return {"schema": "bothheads.export-report/1", **asdict(report), "path": str(report.path)}


def import_from(log: Log, path: str | Path) -> dict[str, Any]:
    """An exported log brought in or merged."""
    from dataclasses import asdict

    from ..log.export import import_log

    answer: dict[str, Any] = wire.clean({"schema": "bothheads.import/1", **asdict(import_log(log, path))})
    return answer
