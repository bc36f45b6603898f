"""Records to the command contract's JSON and back. Keys are stable; NaN and Infinity never appear."""

from __future__ import annotations

import math
from typing import Any

from . import records as r


def clean(value: Any) -> Any:
    """``value`` with tuples as lists, NumPy numbers as Python ones and non-finite numbers as None."""
    if isinstance(value, dict):
        return {str(k): clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [clean(v) for v in value]
    if hasattr(value, "tolist"):
        return clean(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def _object(value: dict[str, Any]) -> dict[str, Any]:
    return {str(k): clean(v) for k, v in value.items()}


def partial(p: r.Partial) -> dict[str, Any]:
    """One measured partial."""
    out: dict[str, Any] = {
        "frequency_hz": p.frequency_hz, "frequency_sd_hz": p.frequency_sd_hz,
        "decay_s": p.decay_s, "decay_sd_s": p.decay_sd_s, "t60_s": p.t60_s,
        "level_db": p.level_db, "level_dbfs": p.level_dbfs, "strikes": p.strikes,
    }
    if p.remark:
        out["remark"] = p.remark
    return out


def note(n: r.Note) -> dict[str, Any]:
    """The note object, or its refusal."""
    out: dict[str, Any] = {
        "frequency_hz": n.frequency_hz, "sd_hz": n.sd_hz, "decay_s": n.decay_s, "t60_s": n.t60_s,
        "name": n.name, "refused": n.refused,
    }
    if n.inferred:
        out["inferred"] = True
    return out


def reading(x: r.Reading) -> dict[str, Any]:
    """``bothheads.reading/1``; ``roundness_db`` over its channels, null where there is one only."""
    from .roundness import roundness_db

    return _object({
        "schema": "bothheads.reading/1",
        "sample_rate_hz": x.sample_rate_hz,
        "channels": x.channels,
        "strikes": [
            {"onset_s": s.onset_s, "end_s": s.end_s, "peak_dbfs": s.peak_dbfs, "delay_s": s.delay_s,
             "glide_cents": s.glide_cents, "partials": [partial(p) for p in s.partials]}
            for s in x.strikes
        ],
        "partials": [partial(p) for p in x.partials],
        "note": note(x.note),
        "roundness_db": roundness_db([p.level_dbfs for p in x.partials if len(p.level_dbfs) == len(x.channels)]),
        "settled": x.settled,
        "explained_db": x.explained_db,
        "explained_late_db": x.explained_late_db,
        "remainder": [{"cause": q.cause, "share": q.share} for q in x.remainder],
        "levels": None if x.levels is None else levels(x.levels),
        "warnings": x.warnings,
    })


def levels(x: r.Levels) -> dict[str, Any]:
    """How loud a take is, re full scale."""
    return {"strike_db": x.strike_db, "loudness_lufs": x.loudness_lufs, "edt_s": x.edt_s, "t20_s": x.t20_s, "t30_s": x.t30_s,
            "octaves": [{"frequency_hz": f, "level_db": level} for f, level in x.octaves]}


def _levels_from(d: dict[str, Any] | None) -> r.Levels | None:
    if d is None:
        return None
    return r.Levels(tuple(d["strike_db"]), d["loudness_lufs"], tuple((q["frequency_hz"], q["level_db"]) for q in d["octaves"]),
                    d["edt_s"], d["t20_s"], d["t30_s"])


def _optional(values: Any) -> tuple[Any, ...]:
    return tuple(values or ())


def partial_from(d: dict[str, Any]) -> r.Partial:
    """The record of one measured partial."""
    return r.Partial(
        d["frequency_hz"], d.get("frequency_sd_hz"), d["decay_s"], d.get("decay_sd_s"),
        _optional(d.get("level_db")), _optional(d.get("level_dbfs")), d.get("strikes", 1), d.get("remark"),
    )


def note_from(d: dict[str, Any]) -> r.Note:
    """The record of a note object."""
    return r.Note(d.get("frequency_hz"), d.get("sd_hz"), d.get("decay_s"), d.get("t60_s"), d.get("name"),
                  d.get("refused"), bool(d.get("inferred")))


def reading_from(d: dict[str, Any]) -> r.Reading:
    """The record of a ``bothheads.reading/1`` object."""
    strikes = tuple(
        r.StrikeReading(s["onset_s"], _optional(s["peak_dbfs"]), s.get("glide_cents"),
                        tuple(partial_from(p) for p in s.get("partials", ())), s.get("end_s"),
                        _optional(s.get("delay_s")))
        for s in d["strikes"]
    )
    return r.Reading(
        d["sample_rate_hz"], tuple(d["channels"]), strikes, tuple(partial_from(p) for p in d["partials"]),
        note_from(d["note"]), tuple(d.get("warnings", ())), d.get("explained_db"),
        tuple(r.Remainder(q["cause"], q["share"]) for q in d.get("remainder", ())), d.get("settled", True),
        d.get("explained_late_db"), _levels_from(d.get("levels")),
    )


def taps(x: r.TapReading) -> dict[str, Any]:
    """``bothheads.taps/1``."""
    return _object({
        "schema": "bothheads.taps/1",
        "taps": [
            {"rod": t.rod, "rod_pitch_hz": t.rod_pitch_hz, "sd_hz": t.sd_hz, "split_hz": t.split_hz,
             "partials": [{"frequency_hz": f, "level_db": level} for f, level in t.partials]}
            for t in x.taps
        ],
        "evenness_cents": x.evenness_cents,
        "pair_hz": x.pair_hz,
        "families": x.families,
        "refused": x.refused,
        "warnings": x.warnings,
    })


def taps_from(d: dict[str, Any]) -> r.TapReading:
    """The record of a ``bothheads.taps/1`` object."""
    return r.TapReading(
        tuple(r.Tap(t["rod"], t["rod_pitch_hz"], t["sd_hz"], t["split_hz"],
                    tuple((p["frequency_hz"], p["level_db"]) for p in t["partials"])) for t in d["taps"]),
        d.get("evenness_cents"), (d["pair_hz"][0], d["pair_hz"][1]) if d.get("pair_hz") else None,
        tuple((a, b) for a, b in d.get("families", ())), tuple(d.get("warnings", ())), d.get("refused"),
    )


def prediction(x: r.Prediction) -> dict[str, Any]:
    """``bothheads.prediction/1``."""
    feel: dict[str, Any] = {"air_round_trip_ms": x.feel.air_round_trip_ms}
    for key in ("contact_ms", "rebound", "air_answer_share"):
        if (value := getattr(x.feel, key)) is not None:
            feel[key] = value
    out = {
        "schema": "bothheads.prediction/1",
        "partials": [
            {"frequency_hz": p.frequency_hz, "frequency_sd_hz": p.frequency_sd_hz, "decay_s": p.decay_s,
             "decay_sd_s": p.decay_sd_s, "t60_s": p.t60_s, "m": p.m, "label": p.label,
             "share_batter": p.share_batter, "level_db": p.level_db}
            for p in x.partials
        ],
        "note": note(x.note),
        "feel": feel,
        "head_pitch_hz": x.head_pitch_hz,
        "own_modes": {k: [{"frequency_hz": f, "label": name} for f, name in v] for k, v in x.own_modes.items()},
        "roundness_db": x.roundness_db,
        "glide_cents": x.glide_cents,
        "warnings": x.warnings,
    }
    if x.render_gain_db is not None:
        out["render_gain_db"] = x.render_gain_db
    return _object(out)


def _head_fit(h: r.HeadFit | None) -> dict[str, Any] | None:
    if h is None:
        return None
    return {"tension": h.tension, "tension_sd": h.tension_sd, "head_pitch_hz": h.head_pitch_hz,
            "surface_density": h.surface_density, "resistance": h.resistance}


def fit(x: r.Fit) -> dict[str, Any]:
    """``bothheads.fit/1``."""
    return _object({
        "schema": "bothheads.fit/1",
        "batter": _head_fit(x.batter),
        "resonant": _head_fit(x.resonant),
        "odds": x.odds,
        "alternatives": [
            {"batter": _head_fit(a.batter), "resonant": _head_fit(a.resonant), "odds": a.odds} for a in x.alternatives
        ],
        "partials": [
            {"measured_hz": p.measured_hz, "model_hz": p.model_hz, "cents": p.cents, "m": p.m, "n": p.n}
            for p in x.partials
        ],
        "identifiable": x.identifiable,
        "refused": x.refused,
        "log_cov": x.log_cov,
        "change_sd": x.change_sd,
        "stiffness_loss": x.stiffness_loss,
        "warnings": x.warnings,
    })


def _head_fit_from(d: dict[str, Any] | None) -> r.HeadFit | None:
    if d is None:
        return None
    return r.HeadFit(d["tension"], d["tension_sd"], d.get("head_pitch_hz"), d.get("surface_density"),
                     d.get("resistance"))


def fit_from(d: dict[str, Any]) -> r.Fit:
    """The record of a ``bothheads.fit/1`` object."""
    rivals = []
    for a in d.get("alternatives", ()):
        batter = _head_fit_from(a["batter"])
        if batter is not None:
            rivals.append(r.Alternative(batter, _head_fit_from(a["resonant"]), a["odds"]))
    cov = d.get("log_cov")
    return r.Fit(
        _head_fit_from(d["batter"]), _head_fit_from(d["resonant"]), d["odds"], tuple(rivals),
        tuple(r.FitPair(p["measured_hz"], p["model_hz"], p["cents"], p["m"], p.get("n")) for p in d["partials"]),
        d["identifiable"], d["refused"],
        ((cov[0][0], cov[0][1]), (cov[1][0], cov[1][1])) if cov else None,
        d.get("change_sd"), d.get("stiffness_loss"), tuple(d.get("warnings", ())),
    )


def plan(x: r.Plan) -> dict[str, Any]:
    """``bothheads.plan/1``."""
    steps = []
    for s in x.steps:
        step: dict[str, Any] = {
            "head": s.head, "rods": [{"rod": q.rod, "eighths": q.eighths} for q in s.rods],
            "order": s.order, "then": s.then, "expected": s.expected,
        }
        if s.muffling:
            step["muffling"] = s.muffling
        steps.append(step)
    return _object({
        "schema": "bothheads.plan/1", "steps": steps, "expected": x.expected, "cautions": x.cautions,
        "cannot": x.cannot, "minutes": x.minutes, "refused": x.refused,
    })


def comparison(x: r.Comparison) -> dict[str, Any]:
    """``bothheads.comparison/1``."""
    return _object({
        "schema": "bothheads.comparison/1", "gain_db": x.gain_db, "delay_ms": x.delay_ms,
        "differences": [{"what": d.what, "a": d.a, "b": d.b, "unit": d.unit, "sd": d.sd} for d in x.differences],
        "partials": x.partials, "words": x.words, "warnings": x.warnings,
    })


def turns(values: tuple[r.Turn, ...]) -> list[dict[str, Any]]:
    """Turns as JSON: head, rod (null = all rods), turns."""
    return [{"head": t.head, "rod": t.rod, "turns": t.turns} for t in values]


def turns_from(values: list[dict[str, Any]]) -> tuple[r.Turn, ...]:
    """The records of turns."""
    return tuple(r.Turn(t["head"], t["turns"], t.get("rod")) for t in values)


def state(x: r.State) -> dict[str, Any]:
    """``bothheads.state/1``."""
    from .drumfile import to_dict

    return _object({
        "schema": "bothheads.state/1", "drum": x.drum_id, "state": x.number, "made_at": x.made_at,
        "drum_file": to_dict(x.drum), "turns": turns(x.turns), "reading": x.reading, "fit": x.fit,
        "takes": [
            {"id": t.id, "sha256": t.sha256, "channels": t.channels, "sample_rate_hz": t.sample_rate_hz,
             "frames": t.frames, "recorded_at": t.recorded_at, "source_name": t.source_name} for t in x.takes
        ],
        "place": x.place, "remark": x.remark, "who": x.who, "beater": x.beater, "settings": x.settings,
    })
