"""Three worked choices in docs/choices.md: run the search for three jobs and write what it answers between the marks.

    PYTHONPATH=src python builders/choices.py [--only small-car,street,studio]

Everything below the mark in docs/choices.md is this script's; run it again when the model or the search changes.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
from pathlib import Path
from typing import Any

from bothheads import session

PAGE = Path(__file__).parent.parent / "docs" / "choices.md"
MARK = "<!-- below: written by builders/choices.py -->"
SHOWN = 4
JOBS: dict[str, tuple[str, str, dict[str, Any]]] = {
    "small-car": (
        "A player with a small car and small rooms",
        "One bass drum, no microphones, rooms the size of a living room; a note in the usual fifties, short enough not to boom, "
        "quiet where the player sits.",
        {"use": "bass", "note": "48-58Hz", "tail_s": "0.4-0.8", "seat": "quiet", "car": "small", "weight_kg": "11",
         "room": "5x4x2.5", "opening": False}),
    "street": (
        "A street band that needs one drum outdoors and indoors",
        "Outdoors as loud in front as can be, at a low note with a tail; indoors the same drum higher, shorter and no louder than "
        "it must be. One size, one pair of heads; tensions and muffling change at the door.",
        {"use": "bass", "note": "40-50Hz", "tail_s": "0.8-1.6", "front": "loud", "room": "outdoors", "weight_kg": "12",
         "opening": False, "second.note": "52-62Hz", "second.tail_s": "0.3-0.6", "second.front": "quiet",
         "second.room": "12x8x4"}),
    "studio": (
        "A studio that wants one drum for three kinds of record",
        "A microphone inside (so an opening is a must): a short low thud, a round middle note, and an open high one.",
        {"use": "bass", "microphones": "inside", "note": "42-48Hz", "tail_s": "0.25-0.4", "second.note": "50-56Hz",
         "second.tail_s": "0.5-0.8", "third.note": "60-68Hz", "third.tail_s": "1.0-1.6", "diameters_in": "20,22,24",
         "depths_in": "14,16"}),
}


def section(name: str) -> str:
    """One worked choice in Markdown."""
    title, story, job = JOBS[name]
    answer, _ = session.choose(job)
    command = "bothheads choose " + " ".join(f"{k}={str(v).lower() if isinstance(v, bool) else v}" for k, v in job.items())
    out = [f"## {title}", "", story, "", f"    {command}", ""]
    if answer["refused"]:
        return "\n".join([*out, f"Refused: {answer['refused']}", ""])
    out += [_table(answer), "", *_first(answer["options"][0]), ""]
    out += ["Assumed: " + "; ".join(answer["assumed"]) + ".", "", "Not tested: " + "; ".join(answer["not_tested"]) + ".", "",
            "Where the trade disagrees:", ""]
    out += [f"- {d['about']}: " + "; ".join(d["words"]) + "." for d in answer["disagreements"]]
    found = answer["searched"]
    return "\n".join([*out, "", f"Searched: {found['designs']} builds, {found['states']} settings by surface, {found['solved']} by "
                                "the exact model.", ""])


def _table(answer: dict[str, Any]) -> str:
    rows = ["| | design | job | note Hz | tail s (band) | front dB | seat dB | laid on | kg | packed cm | cost |",
            "|---|---|---|---|---|---|---|---|---|---|---|"]
    for o in answer["options"][:SHOWN]:
        p = o["packed_cm"]
        for i, s in enumerate(o["settings"]):
            f = s["figures"]
            band = f" ({f['tail']['low']:.2f}-{f['tail']['high']:.2f})" if f["tail"]["assumed"] else ""
            lead = [str(o["rank"]), o["name"] + (f" ({o['label']})" if o["label"] else "")] if i == 0 else ["", ""]
            load = f"{o['weight_kg']['value']:.1f} +- {o['weight_kg']['sd']:.1f}"
            last = [load, f"{p['across']:.0f} x {p['high']:.0f} x {p['long']:.0f}", f"{o['cost']:.2f}"] if i == 0 else [""] * 3
            levels = [f"{f[place]['value']:.0f}" for place in ("front", "seat")]
            rows.append("| " + " | ".join([*lead, s["part"], f"{f['note']['value']:.1f} ({f['note']['name']})",
                                           f"{f['tail']['value']:.2f}{band}", *levels, s["muffling"] or "nothing", *last]) + " |")
    return "\n".join(rows)


def _first(o: dict[str, Any]) -> list[str]:
    """What is said of the first design."""
    out = [f"The first, {o['name']}:", ""]
    for s in o["settings"]:
        lead = "" if len(o["settings"]) == 1 else f"{s['part']} job: "
        t, feel = s["figures"]["tension"], s["feel"]
        out.append(f"- {lead}batter {t['batter']:.0f} and resonant {t['resonant']:.0f} N/m; contact {feel['contact_ms']:.0f} ms, "
                   f"rebound {feel['rebound']:.2f}; {'; '.join(s['robust']['words'])}.")
    out += [f"- for: {text}." for text in o["reasons"]] + [f"- against: {text}." for text in o["against"]]
    return out + [f"- from the {b['from']} to the {b['to']} job: {'; '.join(b['words'])}." for b in o["between"]]


def main() -> None:
    """Write the page's lower part; --only leaves the other sections as they stand."""
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--only", default=",".join(JOBS))
    wanted = p.parse_args().only.split(",")
    text = PAGE.read_text(encoding="utf-8")
    upper, _, lower = text.partition(MARK)
    kept = {name: block for name in JOBS for block in ["## " + b for b in lower.split("\n## ")[1:]]
            if block.startswith(f"## {JOBS[name][0]}")}
    blocks = [section(name).rstrip() if name in wanted else kept.get(name, "").rstrip() for name in JOBS]
    PAGE.write_text(f"{upper.rstrip()}\n\n{MARK}\n\n" + "\n\n".join(b for b in blocks if b) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
