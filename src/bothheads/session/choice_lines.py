"""A choice in words, for a person at a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def lines_of(answer: Mapping[str, Any]) -> list[str]:
    """The answer for a person, best design first."""
    out = ["Wanted: " + "; ".join(answer["job"]["words"])]
    if answer["refused"]:
        out.append(f"Nothing fits: {answer['refused']}")
    for o in answer["options"]:
        out += _option_lines(o)
    if answer["stopped"]:
        out.append("Stopped early: these are the best so far.")
    out += [f"Assumed: {text}" for text in answer["assumed"]] + [f"Not tested: {text}" for text in answer["not_tested"]]
    return out + [f"The trade disagrees about {d['about']}: {'; '.join(d['words'])}" for d in answer["disagreements"]]


def _option_lines(o: Mapping[str, Any]) -> list[str]:
    label = f" ({o['label']})" if o["label"] else ""
    out = [f"{o['rank']}. {o['name']}{label}: cost {o['cost']:.2f} steps, front {o['front']}"]
    for s in o["settings"]:
        f, lead = s["figures"], "" if len(o["settings"]) == 1 else f"{s['part']} job: "
        band = f" ({f['tail']['low']:.2f} to {f['tail']['high']:.2f}, loss assumed)" if f["tail"]["assumed"] else ""
        out.append(f"   {lead}note {f['note']['value']:.1f} Hz ({f['note']['name']}), tail {f['tail']['value']:.2f} s{band}, "
                   f"batter {f['tension']['batter']:.0f} and resonant {f['tension']['resonant']:.0f} N/m")
        out.append(f"   {lead}front {f['front']['value']:.0f} dB, seat {f['seat']['value']:.0f} dB for the reference push; "
                   f"contact {s['feel']['contact_ms']:.1f} ms, rebound {s['feel']['rebound']:.2f}")
        out += [f"   {lead}{s['muffling']}"] if s["muffling"] else []
        out += [f"   {lead}{text}" for text in s["robust"]["words"]]
    p, w = o["packed_cm"], o["weight_kg"]
    out.append(f"   about {w['value']:.1f} +- {w['sd']:.1f} kg, packed {p['across']:.0f} x {p['high']:.0f} x {p['long']:.0f} cm")
    out += [f"   for: {text}" for text in o["reasons"]] + [f"   against: {text}" for text in o["against"]]
    for b in o["between"]:
        out.append(f"   from the {b['from']} to the {b['to']} job: {'; '.join(b['words'])}")
    if o["nearest_owned"]:
        n = o["nearest_owned"]
        out.append(f"   nearest you own: {n['drum']} (cost {n['cost']:.2f}): {'; '.join(n['words'])}")
    return out
