"""The columns of a sweep's rows, their order and kinds, and rows as Parquet or JSON lines.

Every number carries its unit in its name, as in docs/sweeps.md. Nothing to say is null.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, Literal

from ..drumfile import to_dict
from ..records import HEADS, Drum
from .spec import Spec

Format = Literal["parquet", "jsonl"]
Row = dict[str, Any]

_INPUTS = {
    "diameter_m": "number", "depth_m": "number",
    **{f"{head}_{what}": "number" for head in HEADS for what in ("tension", "surface_density", "resistance", "stiffness_loss")},
    "opening_diameter_m": "number", "opening_x_m": "number", "opening_y_m": "number", "muffling": "text",
    **{f"strike_{what}": "number" for what in ("x_m", "y_m", "force_n", "duration_s", "radius_sd_m")},
    "speed_of_sound": "number", "air_density": "number", "temperature_c": "number",
}
_FEEL = ("air_round_trip_ms", "contact_ms", "rebound", "air_answer_share")
ROWS = "rows/1"  # changes with the meaning of a column; a run is only taken up with the same


def columns(spec: Spec) -> dict[str, str]:
    """Name and kind (whole, number, text, numbers, wholes, texts) of every column of the sweep's rows."""
    out = {"point": "whole", "drum": "text", "strike": "text"}
    out |= {f"set_{key}": _kind(spec, key) for key in spec.keys}
    out |= _INPUTS
    out |= {"note_hz": "number", "note": "text", "decay_s": "number", "tail_s": "number"}
    out |= {f"level_db_{name}": "number" for name in place_names(spec)}
    out |= {"roundness_db": "number", "batter_pitch_hz": "number", "resonant_pitch_hz": "number"}
    out |= dict.fromkeys(_FEEL, "number")
    out |= {"partial_hz": "numbers", "partial_decay_s": "numbers", "partial_level_db": "numbers", "partial_m": "wholes"}
    out |= {"warnings": "texts", "error": "text", "version": "text", "sweep": "text"}
    return out


def place_names(spec: Spec) -> tuple[str, ...]:
    """Places at which the rows give levels: the sweep's own, else those of its drums."""
    if spec.places:
        return tuple(place.name for place in spec.places)
    return tuple(dict.fromkeys(place.name for base in spec.bases for place in base.drum.places))


def _kind(spec: Spec, key: str) -> str:
    values: list[Any] = list(dict(spec.grid).get(key, ()))
    for draw in spec.draws:
        if draw.key == key:
            values = list(draw.choices) or [0.0]
    return "number" if all(isinstance(v, int | float) and not isinstance(v, bool) for v in values) else "text"


def inputs_of(drum: Drum) -> Row:
    """The drum, strike and air of a row, in SI, assumed losses as used."""
    out: Row = {"diameter_m": drum.diameter, "depth_m": drum.depth}
    for name, head in (("batter", drum.batter), ("resonant", drum.resonant)):
        if head is not None:
            out |= {f"{name}_tension": head.tension, f"{name}_surface_density": head.surface_density,
                    f"{name}_resistance": head.resistance_used, f"{name}_stiffness_loss": head.stiffness_loss_used}
    if drum.resonant is not None and drum.resonant.opening is not None:
        hole = drum.resonant.opening
        out |= {"opening_diameter_m": hole.diameter, "opening_x_m": hole.x, "opening_y_m": hole.y}
    if drum.muffling:
        out["muffling"] = json.dumps(to_dict(drum)["muffling"])
    s = drum.strike
    out |= {"strike_x_m": s.x, "strike_y_m": s.y, "strike_force_n": s.force, "strike_duration_s": s.duration,
            "strike_radius_sd_m": s.radius_sd}
    air = drum.air
    return out | {"speed_of_sound": air.speed_of_sound, "air_density": air.density, "temperature_c": air.temperature_c}


def encode(rows: Sequence[Mapping[str, Any]], kinds: Mapping[str, str], form: Format) -> bytes:
    """Rows as the bytes of one file; keys that a row lacks are null."""
    if form == "jsonl":
        whole = ({name: _clean(row.get(name), kind) for name, kind in kinds.items()} for row in rows)
        return "".join(json.dumps(row, allow_nan=False) + "\n" for row in whole).encode()
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = arrow_schema(kinds)
    columns_ = [pa.array([_clean(row.get(name), kind) for row in rows], type=schema.field(name).type)
                for name, kind in kinds.items()]
    sink = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_arrays(columns_, schema=schema), sink, compression="zstd")
    return bytes(sink.getvalue())


def arrow_schema(kinds: Mapping[str, str], metadata: Mapping[str, str] | None = None) -> Any:
    """The Arrow schema of the columns."""
    import pyarrow as pa

    types = {"whole": pa.int64(), "number": pa.float64(), "text": pa.string(), "numbers": pa.list_(pa.float64()),
             "wholes": pa.list_(pa.int64()), "texts": pa.list_(pa.string())}
    return pa.schema([pa.field(name, types[kind]) for name, kind in kinds.items()], metadata=metadata)


def _clean(value: Any, kind: str) -> Any:
    """The value as its column takes it; numbers that are none become null."""
    if value is None:
        return None
    if kind == "number":
        return float(value) if isfinite(value) else None
    if kind == "numbers":
        return [float(v) if isfinite(v) else None for v in value]
    if kind == "text":
        return value if isinstance(value, str) else json.dumps(value)
    return list(value) if kind != "whole" else int(value)
