"""A drum as the text of a drum file."""

from __future__ import annotations

from typing import Any

from ..records import HEADS, Drum, Head, Muffling

SCHEMA = "bothheads.drum/1"


def to_dict(drum: Drum) -> dict[str, Any]:
    """Tables of a drum file in SI keys; ``from_dict(to_dict(d))[0] == d``."""
    out: dict[str, Any] = {"schema": SCHEMA, "name": drum.name, "diameter_m": drum.diameter, "depth_m": drum.depth}
    if drum.wires_on:
        out["wires_on"] = True
    for which in HEADS:
        head = drum.batter if which == "batter" else drum.resonant
        out[which] = {"absent": True} if head is None else _head_dict(head)
    if drum.muffling:
        out["muffling"] = [_muffling_dict(item) for item in drum.muffling]
    s = drum.strike
    out["strike"] = {"x_m": s.x, "y_m": s.y, "force_n": s.force, "duration_s": s.duration, "radius_sd_m": s.radius_sd}
    if drum.microphones:
        out["microphone"] = [{"name": m.name, "x_m": m.x, "y_m": m.y, "z_m": m.z} for m in drum.microphones]
    a = drum.air
    air = {"speed_of_sound": a.speed_of_sound, "density": a.density, "temperature_c": a.temperature_c,
           "humidity_percent": a.humidity_percent, "pressure_hpa": a.pressure_hpa}
    out["air"] = {key: value for key, value in air.items() if value is not None}
    if drum.floor:
        out["floor"] = {"gap_m": drum.floor.gap, "reflection": drum.floor.reflection, "upright": drum.floor.upright}
    return out


def _head_dict(head: Head) -> dict[str, Any]:
    out: dict[str, Any] = {"rods": head.rods, "surface_density": head.surface_density}
    if head.first_rod_deg:
        out["first_rod_deg"] = head.first_rod_deg
    if head.plies != 1:
        out["plies"] = head.plies
    for key in ("tension", "resistance", "stiffness_loss"):
        if (value := getattr(head, key)) is not None:
            out[key] = value
    if head.opening:
        o = head.opening
        out |= {"opening_diameter_m": o.diameter, "opening_x_m": o.x, "opening_y_m": o.y}
    return out


def _muffling_dict(item: Muffling) -> dict[str, Any]:
    out: dict[str, Any] = {"kind": item.kind, "heads": list(item.heads), "x_m": item.x, "y_m": item.y}
    if item.radius is not None:
        out["radius_m"] = item.radius
    if item.width is not None:
        out["width_m"] = item.width
    return out | {"mass_kg": item.mass, "resistance": item.resistance, "stiffness": item.stiffness}


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in
                          value.replace("\\", "\\\\").replace('"', '\\"'))
        return f'"{escaped}"'
    if isinstance(value, list):
        return "[" + ", ".join(_toml_value(item) for item in value) + "]"
    return repr(value)


def write(drum: Drum) -> str:
    """Text of a drum file; ``parse(write(d))[0] == d`` to the last bit."""
    data = to_dict(drum)
    lines = [f"{k} = {_toml_value(v)}" for k, v in data.items() if not isinstance(v, dict | list)]
    for key, value in data.items():
        if isinstance(value, dict):
            lines += [f"[{key}]", *(f"{k} = {_toml_value(v)}" for k, v in value.items())]
        elif isinstance(value, list):
            for item in value:
                lines += [f"[[{key}]]", *(f"{k} = {_toml_value(v)}" for k, v in item.items())]
    return "\n".join(lines) + "\n"
