"""One design of a choice as the object that ``docs/choices.md`` lists: figures, feel, robustness, what speaks for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp
from typing import TYPE_CHECKING, Any

from ..records import HEADS
from ..units import inches_from_metres, mil_from_surface_density, note_name, turns_in_words

if TYPE_CHECKING:
    from ..plan.choice import Design
    from ..plan.hunt import Found
    from ..plan.job import Job, Part
    from ..plan.owned import Near
    from ..plan.portrait import Portrait
    from ..plan.robust import Change


MANY_TURNS = 0.4  # step: forty eighths


def option(job: Job, design: Design, rank: int, near: Sequence[Near]) -> dict[str, Any]:
    """A design as one of the answer's options; ``near`` are the owned drums set for the job."""
    from ..drumfile import to_dict
    from ..plan.owned import nearest
    from ..plan.portrait import portrait

    portraits = [portrait(found.figures) for found in design.settings]
    settings = [_setting(part, found, shown) for part, found, shown in zip(job.parts, design.settings, portraits, strict=True)]
    drum, load = design.drums[0], design.carried
    first, mine = settings[0]["figures"], nearest(design, near)
    reasons, against = _arguments(job, design, settings)
    return {
        "rank": rank, "front": design.front, "name": design.build.name, "label": design.label, "drum_file": to_dict(drum),
        "cost": design.cost, "parts": _parts(job, design), "note_hz": first["note"]["value"], "t60_s": first["tail"]["value"],
        "tension": drum.batter.tension, "diameter_in": inches_from_metres(drum.diameter),
        "depth_in": inches_from_metres(drum.depth),
        "film_mil": {h: mil_from_surface_density(drum.head(h).surface_density) for h in HEADS},
        "opening_in": design.build.opening_in or None,
        "weight_kg": {"value": load.weight_kg, "sd": load.weight_sd_kg},
        "packed_cm": {"across": 100 * load.across, "high": 100 * load.high, "long": 100 * load.long, "sd": 100 * load.sd},
        "settings": settings, "between": _between(job, design), "nearest_owned": _nearest_owned(job, design, mine),
        "reasons": reasons, "against": against,
    }


def _setting(part: Part, found: Found, shown: Portrait) -> dict[str, Any]:
    from ..drumfile import to_dict
    from ..plan.design import laid_words

    v, drum = found.figures.values, found.figures.drum
    hz, tail = exp(v["note"]), exp(v["tail"])
    assumed = any(drum.head(h).resistance is None for h in HEADS)
    figures = {
        "note": {"value": hz, "unit": "Hz", "name": note_name(hz)},
        "tail": {"value": tail, "unit": "s", "low": tail * shown.robust.tail_low if assumed else None,
                 "high": tail * shown.robust.tail_high if assumed else None, "assumed": assumed},
        "response": {"value": 1e3 * exp(v["response"]), "unit": "ms"}, "front": {"value": v["front"], "unit": "dB"},
        "seat": {"value": v["seat"], "unit": "dB"}, "roundness": {"value": v["roundness"], "unit": "dB"},
        "tone": {"value": shown.tone_db, "unit": "dB"}, "attack": {"value": shown.attack_db, "unit": "dB"},
        "head_pitch": shown.head_pitch_hz, "tension": {h: drum.head(h).tension for h in HEADS},
    }
    feel, r = shown.feel, shown.robust
    return {
        "part": part.name, "drum_file": to_dict(drum), "muffling": laid_words(found.setting, drum.radius), "figures": figures,
        "feel": {"contact_ms": feel.contact_ms, "rebound": feel.rebound, "air_round_trip_ms": feel.air_round_trip_ms,
                 "air_answer_share": feel.air_answer_share},
        "robust": {
            "batter_eighth": _turned(r.batter_eighth), "resonant_eighth": _turned(r.resonant_eighth),
            "warmer": _change(r.warmer), "colder": _change(r.colder), "rigid_cents": list(r.rigid_cents), "words": list(r.words)},
        "warnings": ["loss assumed"] if assumed else [],
    }


def _change(change: Change | None) -> dict[str, Any] | None:
    return None if change is None else {"note_cents": change.note_cents, "tail_percent": change.tail_percent,
                                        "response_percent": change.response_percent}


def _turned(pair: tuple[Change | None, Change | None]) -> dict[str, Any] | None:
    tighter = _change(pair[0])
    return None if tighter is None else {**tighter, "looser": _change(pair[1])}


def _parts(job: Job, design: Design) -> list[dict[str, Any]]:
    said = {c.key: _value_words(c.what, design.settings[c.part].figures.values[c.what]) + f", wanted {c.words}"
            for c in job.criteria}
    words = {"film": "film near its creases or its limit", "practice": "outside what is customary for the size",
             "things": "things laid on", "turning": "turning between the jobs", "weight": "weight"}
    return [{"key": key, "miss": miss, "words": said.get(key) or words[key.rpartition(".")[2]]}
            for key, miss in design.misses.items()]


def _value_words(what: str, value: float) -> str:
    if what == "note":
        return f"note {exp(value):.1f} Hz ({note_name(exp(value))})"
    if what == "tail":
        return f"tail {exp(value):.2f} s"
    if what == "response":
        return f"the batter's wave back in {1e3 * exp(value):.1f} ms"
    return f"levels alike within {value:.1f} dB" if what == "roundness" else f"{what} {value:.1f} dB"


def _arguments(job: Job, design: Design, settings: Sequence[Mapping[str, Any]]) -> tuple[list[str], list[str]]:
    """What speaks for a design and what against it, in words."""
    from ..plan.portrait import room_words

    reasons: list[str] = []
    against: list[str] = []
    for c in job.criteria:
        lead = "" if len(job.parts) == 1 else f"{job.parts[c.part].name} job: "
        words = _value_words(c.what, design.settings[c.part].figures.values[c.what])
        met = design.misses[c.key] < 1.0
        (reasons if met else against).append(f"{lead}{words}" + ("" if met else f", wanted {c.words}"))
    for part, found, setting in zip(job.parts, design.settings, settings, strict=True):
        lead = "" if len(job.parts) == 1 else f"{part.name} job: "
        if design.misses[f"{part.name}.film"] > 0.3:
            against.append(f"{lead}film near its creases or near its working limit")
        if design.misses[f"{part.name}.practice"] > 0.3:
            against.append(f"{lead}a note outside what is customary for this size (common practice)")
        if part.room is not None:
            reasons += [lead + w for w in room_words(part.room, exp(found.figures.values["note"]))]
        if setting["robust"]["words"][-1].startswith("touchy"):
            against.append(lead + setting["robust"]["words"][-1])
    if "turning" in design.misses and design.misses["turning"] > MANY_TURNS:
        against.append("more than five turns of a key between the jobs, both heads together: nobody does that at the door")
    load = design.carried
    if job.weight_kg is not None and load.weight_kg + load.weight_sd_kg > job.weight_kg:
        against.append(f"weight {load.weight_kg:.1f} +- {load.weight_sd_kg:.1f} kg: the limit is within its spread")
    return reasons, against


def _between(job: Job, design: Design) -> list[dict[str, Any]]:
    from ..plan.design import laid_words
    from ..plan.robust import per_turn

    out = []
    for part, found in list(zip(job.parts, design.settings, strict=True))[1:]:
        first = design.settings[0]
        turns = []
        for head in HEADS:
            change = (found.figures.drum.head(head).tension or 0.0) - (first.figures.drum.head(head).tension or 0.0)
            eighths = round(16.0 * change / per_turn(design.build.drum, head)) / 2.0
            turns.append({"head": head, "eighths": eighths,
                          "words": f"{head} head {turns_in_words(eighths)} on every rod"})
        words = [str(t["words"]) for t in turns]
        before, after = (laid_words(f.setting, design.build.drum.radius) for f in (first, found))
        if before != after:
            words += [f"take off what was laid on for the first job ({before})"] if before else []
            words += [after] if after else []
        words.append("turns by the prior, within a factor of 1.6: read and mark both settings on your own drum")
        out.append({"from": job.parts[0].name, "to": part.name, "turns": turns, "words": words})
    return out


def _nearest_owned(job: Job, design: Design, near: Near | None) -> dict[str, Any] | None:
    from ..plan.owned import differences

    if near is None:
        return None
    values = near.design.settings[0].figures.values
    turns = [{"part": part.name, "head": head, "eighths": eighths,
              "words": f"{head} head {turns_in_words(eighths)} on every rod"}
             for part, moved in zip(job.parts, near.turns, strict=True) for head, eighths in moved.items()]
    return {
        "drum": near.owned.drum.name, "drum_id": near.owned.drum_id, "state": near.owned.state, "cost": near.design.cost,
        "figures": {what: _value_words(what, values[what]) for what in ("note", "tail", "response", "front", "seat")},
        "turns": turns, "words": [*near.words, *differences(design, near)],
    }
