"""Draws docs/pictures/intervals.svg and calibration.svg from what the benches wrote.

usage: python bench/intervals.py --out I.json; python bench/fit.py --out F.json; python builders/plots.py I.json [F.json]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from pictures import BLUE, HAIR, INK, OCHRE, SECOND, write_picture

SIZE, LEFT, TOP = 330, 54, 40


def _frame(x: int, title: str, x_label: str, y_label: str, low: float) -> list[str]:
    """Square axes from ``low`` to 100 % with the line where both agree."""
    parts = [f'<text x="{x + LEFT}" y="22" font-size="14" font-weight="600">{title}</text>',
             f'<text x="{x + LEFT}" y="{TOP + SIZE + 34}">{x_label}</text>',
             f'<text x="{x + LEFT}" y="36" fill="{SECOND}">{y_label}</text>',
             f'<path d="M{x + LEFT} {TOP + SIZE}L{x + LEFT + SIZE} {TOP}" stroke="{SECOND}" stroke-dasharray="4 4"/>']
    for tick in np.linspace(low, 100, 6):
        px, py = _at(x, tick, tick, low)
        parts.append(f'<path d="M{x + LEFT} {py:.1f}h{SIZE}M{px:.1f} {TOP}v{SIZE}" stroke="{HAIR}"/>'
                     f'<text x="{x + LEFT - 6}" y="{py + 4:.1f}" text-anchor="end">{tick:g}</text>'
                     f'<text x="{px:.1f}" y="{TOP + SIZE + 16}" text-anchor="middle">{tick:g}</text>')
    return parts


def _at(x: int, a: float, b: float, low: float) -> tuple[float, float]:
    scale = SIZE / (100.0 - low)
    return x + LEFT + (a - low) * scale, TOP + SIZE - (b - low) * scale


def intervals(cells: list[dict[str, object]], nominal: list[float]) -> None:
    """Nominal against held share, one thin line a cell: frequency and decay side by side."""
    parts: list[str] = []
    for x, what, colour in ((0, "frequency", BLUE), (SIZE + 90, "decay", OCHRE)):
        parts += _frame(x, f"Intervals of {what}", "nominal, %", "hold the truth, %", 40.0)
        for cell in cells:
            held = cell[what]
            places = (_at(x, a, float(b), 40.0) for a, b in zip(nominal, held, strict=True))  # type: ignore[call-overload]
            points = " ".join(f"{px:.1f},{py:.1f}" for px, py in places)
            parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="1.3"/>')
    write_picture("intervals", 2 * (SIZE + 90), TOP + SIZE + 50, "".join(parts),
                  "First reading: share of intervals that hold the truth against the nominal share, nine cells of 1,000 strikes")


def calibration(rows: list[dict[str, object]]) -> None:
    """Odds claimed against right, and nominal against held intervals, of the two tensions."""
    answered = [r for r in rows if not r["refused"] and r.get("z")]
    parts = _frame(0, "Odds of the main answer", "claimed, %", "right, %", 50.0)
    odds = np.array([100 * float(r["odds"]) for r in answered])  # type: ignore[arg-type]
    right = np.array([bool(r["right"]) for r in answered])
    for low, high in ((50, 80), (80, 90), (90, 95), (95, 98.01), (98.01, 100.1)):
        inside = (odds >= low) & (odds < high)
        if inside.sum() >= 5:
            share = 100 * right[inside].mean()
            px, py = _at(0, float(odds[inside].mean()), share, 50.0)
            spread = 196 * np.sqrt(max(share / 100 * (1 - share / 100), 0.25 / inside.sum()) / inside.sum())
            half = min(spread, 60.0) * SIZE / 50.0
            parts.append(f'<path d="M{px:.1f} {max(py - half, TOP):.1f}V{py + half:.1f}" stroke="{BLUE}"/>'
                         f'<circle cx="{px:.1f}" cy="{py:.1f}" r="4" fill="{BLUE}"/>'
                         f'<text x="{px - 8:.1f}" y="{py + 16:.1f}" text-anchor="end" fill="{INK}">{inside.sum()}</text>')
    x = SIZE + 90
    parts += _frame(x, "Intervals of the tensions", "nominal, %", "hold the truth, %", 40.0)
    quantile = {50: 0.6745, 80: 1.2816, 90: 1.6449, 95: 1.96, 99: 2.5758}
    for values, colour, dash in (([abs(z) for r in answered for z in r["z"]], BLUE, ""),  # type: ignore[attr-defined]
                                 ([abs(float(r["z_ratio"])) for r in answered], OCHRE, "6 3")):  # type: ignore[arg-type]
        held = [100 * float(np.mean(np.array(values) < q)) for q in quantile.values()]
        points = " ".join(f"{px:.1f},{py:.1f}" for px, py in (_at(x, a, b, 40.0) for a, b in zip(quantile, held, strict=True)))
        parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>')
    parts.append(f'<text x="{x + LEFT + 12}" y="{TOP + 18}" fill="{BLUE}">each tension (solid)</text>'
                 f'<text x="{x + LEFT + 12}" y="{TOP + 34}" fill="{OCHRE}">their ratio (broken)</text>')
    write_picture("calibration", 2 * (SIZE + 90), TOP + SIZE + 50, "".join(parts),
                  "Fit of 1,000 synthetic drums: odds against right, intervals against held")


def main() -> None:
    """Draw a picture for every file named, by what it holds."""
    for name in sys.argv[1:]:
        found = json.loads(Path(name).read_text(encoding="utf-8"))
        if "cells" in found:
            intervals(list(found["cells"].values()), [100 * level for level in found["levels"]])
        else:
            calibration(found["rows"])
        print(f"drew what {name} holds into docs/pictures/")


if __name__ == "__main__":
    main()
