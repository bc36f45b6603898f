"""Draws docs/pictures/*.svg and docs/physics.md from the model: run after the model has changed.

usage: python builders/pictures.py
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import cos, log2, pi, sin
from pathlib import Path

import numpy as np

from bothheads.physics.air import with_properties
from bothheads.physics.beater import FELT, WOOD
from bothheads.physics.feel import feel
from bothheads.physics.forecast import forecast
from bothheads.physics.membrane import film_modes
from bothheads.physics.stretch import forecast_glide
from bothheads.physics.weather import Rim, carried, tension_slope
from bothheads.records import Air, Drum, Head, Prediction

OUT = Path(__file__).parent.parent / "docs" / "pictures"
INK, SECOND, HAIR, BLUE, OCHRE = "#1a1916", "#4d4a42", "#dcd8cc", "#1c4e92", "#946200"
FILM = Head(surface_density=0.35306, rods=10, tension=600.0, resistance=5.0, stiffness_loss=2e-6)
DRUM = Drum("22 x 16", 0.5588, 0.4064, FILM, FILM)
Row = tuple[str, Sequence[float], Sequence[float], str, str]  # name, x, y, colour, dash


def chart(name: str, title: str, x_label: str, y_label: str, rows: Sequence[Row], *, log_y: bool = False) -> None:
    """One chart: every line carries its name; solid and broken tell heads apart without hue."""
    width, height, left, right, top, bottom = 760, 430, 64, 150, 44, 48
    xs = np.concatenate([np.asarray(r[1], float) for r in rows])
    ys = np.concatenate([np.asarray(r[2], float) for r in rows])
    x0, x1 = xs.min(), xs.max()
    scale = np.log2 if log_y else np.asarray
    y0, y1 = scale(ys.min() * (0.95 if log_y else 1.0)), scale(ys.max() * (1.05 if log_y else 1.0))
    pad = 0.0 if log_y else 0.06 * (y1 - y0 + 1e-12)
    y0, y1 = y0 - pad, y1 + pad

    def at(x: float, y: float) -> tuple[float, float]:
        return (left + (x - x0) / (x1 - x0) * (width - left - right),
                height - bottom - (float(scale(y)) - y0) / (y1 - y0) * (height - top - bottom))

    parts = [f'<text x="{left}" y="24" font-size="16" font-weight="600">{title}</text>']
    for tick in _ticks(float(ys.min()), float(ys.max()), log_y):
        _, y = at(x0, tick)
        parts.append(f'<path d="M{left} {y:.1f}H{width - right}" stroke="{HAIR}"/>'
                     f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{tick:g}</text>')
    for tick in _ticks(float(x0), float(x1), False):
        x, _ = at(tick, ys.min())
        parts.append(f'<text x="{x:.1f}" y="{height - bottom + 18}" text-anchor="middle">{tick:g}</text>')
    parts.append(f'<text x="{left}" y="{height - 8}">{x_label}</text><text x="{left}" y="40" fill="{SECOND}">{y_label}</text>')
    ends = []
    for label, x, y, colour, dash in rows:
        points = " ".join(f"{px:.1f},{py:.1f}" for px, py in (at(a, b) for a, b in zip(x, y, strict=True)))
        parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>')
        ends.append([at(x[-1], y[-1])[1], label, colour])
    ends.sort()
    for i in range(1, len(ends)):
        ends[i][0] = max(ends[i][0], ends[i - 1][0] + 14)
    parts += [f'<text x="{width - right + 6}" y="{y + 4:.1f}" fill="{c}">{text}</text>' for y, text, c in ends]
    write_picture(name, width, height, "".join(parts), title)


def _ticks(low: float, high: float, log: bool) -> list[float]:
    if log:
        return [v for v in (20, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400) if low * 0.95 <= v <= high * 1.05]
    step = 10 ** np.floor(np.log10((high - low) or 1.0))
    step = step / 2 if (high - low) / step < 4 else step
    first = np.ceil(low / step) * step
    return [float(round(v, 10)) for v in np.arange(first, high + step / 2, step) if v <= high + 1e-9]


def write_picture(name: str, width: int, height: int, body: str, title: str) -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    (OUT / f"{name}.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" aria-label="{title}" '
        f'font-family="sans-serif" font-size="12" fill="{INK}"><rect width="100%" height="100%" fill="#fff"/>{body}</svg>\n',
        encoding="utf-8")


def shapes() -> None:
    """Film shapes (m, n): filled where the film is up, ruled where it is down, nodal lines drawn."""
    body, size = [], 120
    for i, (m, n) in enumerate([(0, 1), (1, 1), (2, 1), (0, 2), (3, 1), (1, 2)]):
        cx, cy, r = 70 + i * (size + 6), 76, 52
        cells = []
        grid = 26
        for a in range(grid):
            for b in range(grid):
                x, y = (2 * (a + 0.5) / grid - 1), (2 * (b + 0.5) / grid - 1)
                rho = float(np.hypot(x, y))
                if rho > 0.99:
                    continue
                value = float(film_modes(m, n, np.array([rho]))[n - 1, 0]) * cos(m * float(np.arctan2(y, x)))
                peak = abs(value) / 2.6
                side = 2 * r / grid * min(1.0, peak) ** 0.5
                px, py = cx + x * r, cy - y * r
                fill = INK if value > 0 else "none"
                cells.append(f'<rect x="{px - side / 2:.1f}" y="{py - side / 2:.1f}" width="{side:.1f}" height="{side:.1f}" '
                             f'fill="{fill}" stroke="{INK}" stroke-width=".4"/>')
        nodes = "".join(f'<path d="M{cx} {cy}l{r * cos(t):.1f} {-r * sin(t):.1f}m0 0l{-2 * r * cos(t):.1f} {2 * r * sin(t):.1f}" '
                        f'stroke="{SECOND}" stroke-dasharray="3 3"/>'
                        for t in (pi * (2 * k + 1) / (2 * m) for k in range(m)))
        body.append(f'<circle cx="{cx}" cy="{cy}" r="{r}" fill="none" stroke="{INK}" stroke-width="1.5"/>{"".join(cells)}{nodes}'
                    f'<text x="{cx}" y="{cy + r + 20}" text-anchor="middle">({m},{n})</text>')
    write_picture("shapes", 6 * (size + 6) + 20, 164, "".join(body), "Film shapes: m nodal diameters, n nodal circles")


def _rungs(predictions: Sequence[Prediction], label: str, pick: int) -> list[float]:
    found = []
    for p in predictions:
        mine = sorted(q.frequency_hz for q in p.partials if q.label == label)
        found.append(mine[min(pick, len(mine) - 1)] if mine else float("nan"))
    return found


def raised_past() -> tuple[np.ndarray, list[Prediction]]:
    """Rungs as the batter is raised past the resonant head (600 N/m)."""
    tension = np.linspace(300.0, 1200.0, 25)
    predictions = [forecast(DRUM.with_head("batter", tension=float(t))) for t in tension]
    note = [p.note.frequency_hz or 0.0 for p in predictions]
    rows: list[Row] = [("note (0,1)", tension, note, INK, "")]
    low, high = _rungs(predictions, "(1,1)", 0), _rungs(predictions, "(1,1)", 1)
    rows += [("(1,1) slacker head", tension, low, BLUE, ""), ("(1,1) tighter head", tension, high, OCHRE, "6 3")]
    own_b = [p.head_pitch_hz["batter"] for p in predictions]
    own_r = [p.head_pitch_hz["resonant"] for p in predictions]
    rows += [("batter alone", tension, own_b, BLUE, "2 3"), ("resonant alone", tension, own_r, OCHRE, "2 3")]
    chart("raised-past", "The batter raised past the resonant head (600 N/m), 22 x 16 in", "batter tension, N/m", "Hz", rows,
          log_y=True)
    return tension, predictions


def _tuned(drum: Drum, note: float) -> Drum:
    """Both heads at one tension that gives ``note`` [Hz], by bisection in ln T."""
    low, high = np.log(60.0), np.log(9000.0)
    for _ in range(24):
        t = float(np.exp((low + high) / 2))
        d = drum.with_head("batter", tension=t).with_head("resonant", tension=t)
        hertz = forecast(d, fmax_hz=150.0).note.frequency_hz or 0.0
        low, high = (np.log(t), high) if hertz < note else (low, np.log(t))
    return d


def sweeps() -> list[str]:
    """Depth and diameter at fixed tension and at fixed note; gives table rows."""
    depths = np.arange(8, 23, 2)
    fixed = [forecast(replace(DRUM, depth=d * 0.0254)) for d in depths]
    chart("depth-tension", "Depth at fixed tension (600 N/m both), 22 in", "depth, in", "Hz",
          [("note", depths, [p.note.frequency_hz or 0 for p in fixed], INK, ""),
           ("(0,1) heads against each other", depths, _rungs(fixed, "(0,2)", 0), BLUE, "6 3")], log_y=True)
    sizes = np.arange(16, 27, 2)
    same = [_tuned(replace(DRUM, diameter=s * 0.0254), 50.0) for s in sizes]
    chart("diameter-note", "Diameter at the same note (50 Hz), 16 in deep: the larger head is the tighter one", "diameter, in",
          "N/m", [("tension, both heads", sizes, [d.batter.tension or 0 for d in same], INK, "")])
    tails = [forecast(d).note.t60_s or 0 for d in same]
    chart("diameter-tail", "Diameter at the same note (50 Hz): tail", "diameter, in", "s to fall 60 dB",
          [("tail of the note", sizes, tails, INK, "")])
    rows = []
    for s, d in zip(sizes, same, strict=True):
        f, w = feel(d), feel(d, beater=WOOD)
        rows.append(f"| {s} x 16 in | {d.batter.tension:.0f} | {f.contact_ms:.1f} | {f.rebound:.2f} | {w.contact_ms:.1f} | "
                    f"{f.air_round_trip_ms:.2f} |")
    deep = [_tuned(replace(DRUM, depth=d * 0.0254), 50.0) for d in (10, 14, 18, 22)]
    for inches, d in zip((10, 14, 18, 22), deep, strict=True):
        f, w = feel(d), feel(d, beater=WOOD)
        rows.append(f"| 22 x {inches} in | {d.batter.tension:.0f} | {f.contact_ms:.1f} | {f.rebound:.2f} | {w.contact_ms:.1f} | "
                    f"{f.air_round_trip_ms:.2f} |")
    return rows


def glide_rows() -> list[str]:
    """How far the note starts sharp, stroke by stroke."""
    return [f"| {force:.0f} | {forecast_glide(replace(DRUM, strike=replace(DRUM.strike, force=force))) or 0.0:.1f} |"
            for force in (4.0, 8.0, 15.0, 30.0)]


def carried_rows() -> list[str]:
    """The drum carried from 5 to 21 C under three kinds of rim."""
    rims: tuple[Rim, ...] = ("rigid", "wood", "steel")
    before = forecast(replace(DRUM, air=with_properties(Air(temperature_c=5.0)))).note.frequency_hz or 1.0
    rows = [f"| (at 5 C) | {FILM.tension:.0f} | {before:.1f} | |"]
    for rim in rims:
        drum, _ = carried(DRUM, from_c=5.0, to_c=21.0, rim=rim)
        note = forecast(drum).note.frequency_hz or 1.0
        rows.append(f"| {rim} | {drum.batter.tension:.0f} | {note:.1f} | {1200 * log2(note / before):+.0f} |")
    return rows


def main() -> None:
    """Draw everything and write the page that shows it."""
    shapes()
    tension, predictions = raised_past()
    low, high = predictions[0].note.frequency_hz or 1, predictions[-1].note.frequency_hz or 1
    rows = sweeps()
    page = (Path(__file__).parent / "physics_page.md").read_text(encoding="utf-8")
    page = page.replace("{feel_rows}", "\n".join(rows)).replace(
        "{note_rise}", f"{1200 * log2(high / low):.0f}").replace("{tension_ratio}", f"{tension[-1] / tension[0]:.0f}")
    page = page.replace("{glide_rows}", "\n".join(glide_rows())).replace("{carried_rows}", "\n".join(carried_rows()))
    both = f"{DRUM.name} in, both heads {FILM.tension:.0f} N/m"
    page = page.replace("{glide_drum}", both).replace("{carried_drum}", both).replace(
        "{slope}", f"{tension_slope(FILM.surface_density, rim='rigid'):.1f}")
    page = page.replace("{felt}", f"{FELT.mass * 1000:.0f} g at {FELT.speed:.0f} m/s")
    (OUT.parent / "physics.md").write_text(page, encoding="utf-8")
    print(f"wrote {OUT.parent / 'physics.md'} and {len(list(OUT.glob('*.svg')))} pictures")


if __name__ == "__main__":
    main()
