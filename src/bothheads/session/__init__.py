"""Use cases, one function each; what the command line and the page call."""

from .. import drumfile as _drumfile
from .. import wire as _wire
from ..records import Comparison, Drum, Fit, Plan, Prediction, Reading, State, TapReading
from .blend import blend_take
from .choosing import choose, sound_of
from .compare import compare, compare_states
from .drums import Loaded, channel_names, is_file, load_drum, load_file, parse_turns, with_changes
from .forecast import fit, fit_readings, forecast_state, predict, render
from .kept import Kept, kept_state
from .logbook import (
    add_drum,
    cause_of_change,
    check_log,
    drum_json,
    export_to,
    import_from,
    keep_taps,
    open_log,
    take,
    take_audio,
    take_files,
)
from .maps import maps, maps_json
from .planning import plan, plan_kit, sweep
from .reading import (
    audio_files,
    decodes_phones,
    join_readings,
    live_reader,
    read_file,
    read_kit,
    read_recording,
    read_taps,
    read_upload,
    refusal,
    roundness,
)
from .recall import Recall, heads_of, recall, recall_json
from .sayings import sayings, sayings_json
from .sweeps import cores, read_folder, sweep_file
from .walk import least_roundness, strokes_apart_db, take_walk, walk_files, walked

__all__ = [
    "Kept",
    "Loaded",
    "Recall",
    "add_drum",
    "as_json",
    "audio_files",
    "blend_take",
    "cause_of_change",
    "channel_names",
    "check_log",
    "choose",
    "compare",
    "compare_states",
    "cores",
    "decodes_phones",
    "drum_json",
    "drum_of_tables",
    "drum_text",
    "export_to",
    "fit",
    "fit_readings",
    "forecast_state",
    "heads_of",
    "import_from",
    "is_file",
    "join_readings",
    "keep_taps",
    "kept_state",
    "least_roundness",
    "live_reader",
    "load_drum",
    "load_file",
    "maps",
    "maps_json",
    "open_log",
    "parse_turns",
    "plan",
    "plan_kit",
    "predict",
    "read_file",
    "read_folder",
    "read_kit",
    "read_recording",
    "read_taps",
    "read_upload",
    "recall",
    "recall_json",
    "refusal",
    "render",
    "roundness",
    "sayings",
    "sayings_json",
    "sound_of",
    "strokes_apart_db",
    "sweep",
    "sweep_file",
    "take",
    "take_audio",
    "take_files",
    "take_walk",
    "walk_files",
    "walked",
    "with_changes",
]

_WRITERS = {
    Reading: _wire.reading,
    TapReading: _wire.taps,
    Prediction: _wire.prediction,
    Fit: _wire.fit,
    Plan: _wire.plan,
    Comparison: _wire.comparison,
    State: _wire.state,
}


def as_json(record: Reading | TapReading | Prediction | Fit | Plan | Comparison | State) -> dict[str, object]:
    """The command contract's object of a record."""
    return _WRITERS[type(record)](record)  # type: ignore[operator,no-any-return]


def drum_of_tables(tables: dict[str, object]) -> Drum:
    """The drum that a drum file's tables describe, as ``drum_file`` of a design holds them; raises ``DrumFileError``."""
    return _drumfile.from_dict(tables)[0]


def drum_text(drum: Drum) -> str:
    """The text of a drum file."""
    return _drumfile.write(drum)
