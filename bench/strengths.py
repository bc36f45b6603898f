"""Real drums at several strengths: resting pitch, its bar over strengths and windows, what is explained from 150 ms on.

usage: python bench/strengths.py [FOLDER]   (files NAME-1-*.flac, NAME-2-*.flac ... are one drum; default the shipped ones)
A note is held when it lies within its 95 % bar of its drum's median; a window (the ring from 100, 150, 250 ms on read
anew, by the same reader / by the first reading, another model) when it lies within the bar of its own strike.
"""

from __future__ import annotations

import os
import sys
from collections import defaultdict
from pathlib import Path
from types import SimpleNamespace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

import numpy as np  # noqa: E402

STARTS_S = (0.1, 0.15, 0.25)
CENT = 1200.0 / np.log(2.0)


def windows_of(x: np.ndarray, rate: int, onset_s: float, end_s: float, note_hz: float) -> list[list[float | None]]:
    """The note [Hz] from later in the ring, by the reader of takes and by the first reading; None: no partial within 3 %."""
    from bothheads.sound.noise import START_S
    from bothheads.sound.reading import read_spans

    out: list[list[float | None]] = [[], []]
    for start in STARTS_S:
        span = SimpleNamespace(onset_s=onset_s + start - START_S, end_s=end_s, peak_dbfs=(0.0,), delay_s=(0.0,))
        for row, quick in zip(out, (False, True), strict=True):
            found = read_spans(x, rate, [span], quick=quick)
            near = [] if found is None else [float(f) for f in found.frequency_hz if abs(f / note_hz - 1.0) < 0.03]
            row.append(min(near, key=lambda f: abs(f - note_hz)) if near else None)
    return out


def main() -> None:
    """Read every strike alone and print one line each, then the shares held."""
    from bothheads.session import audio_files
    from bothheads.sound.audio import read_audio
    from bothheads.sound.reading import read_samples

    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "tests" / "data" / "recordings"
    drums = defaultdict(list)
    for path in audio_files(folder):
        name, _, _ = path.stem.rpartition("-") if not any(c.isdigit() for c in path.stem) else _split(path.stem)
        sound = read_audio(path)
        x = np.asarray(sound.samples, float).reshape(len(sound.samples), -1)
        reading = read_samples(x, sound.sample_rate_hz)
        note, late = reading.note, reading.explained_late_db
        if note.frequency_hz is None or note.sd_hz is None or not reading.strikes:
            print(f"{path.stem:22s} no note; explained from 150 ms {late or 0:.1f} dB", flush=True)
            continue
        s = reading.strikes[0]
        end = s.end_s if s.end_s is not None else len(x) / sound.sample_rate_hz
        later = windows_of(x, sound.sample_rate_hz, s.onset_s, end, note.frequency_hz)
        bar = 1.96 * note.sd_hz
        moves = [[None if f is None else CENT * (f / note.frequency_hz - 1.0) for f in row] for row in later]
        drums[name].append((note.frequency_hz, bar, moves))
        told = " / ".join(" ".join("-" if m is None else f"{m:+.1f}" for m in row) for row in moves)
        print(f"{path.stem:22s} {note.frequency_hz:8.3f} Hz, bar {CENT * bar / note.frequency_hz:5.2f} cents, windows {told}; "
              f"explained from 150 ms {late or 0:.1f} dB", flush=True)
    for name, rows in drums.items():
        f = np.array([r[0] for r in rows])
        held = sum(abs(r[0] - np.median(f)) <= r[1] for r in rows)
        print(f"{name}: range {CENT * np.log(f.max() / f.min()):.1f} cents; notes held {held} of {len(rows)}, windows "
              f"{_held(rows, 0)} / {_held(rows, 1)}; bar {np.median([CENT * r[1] / r[0] for r in rows]):.1f} cents")


def _held(rows: list[tuple[float, float, list[list[float | None]]]], which: int) -> str:
    seen = [(abs(m), CENT * bar / f) for f, bar, moves in rows for m in moves[which] if m is not None]
    return f"{sum(m <= b for m, b in seen)} of {len(seen)}"


def _split(stem: str) -> tuple[str, str, str]:
    words = stem.split("-")
    k = next(i for i, w in enumerate(words) if w.isdigit())
    return "-".join(words[:k]), "", "-".join(words[k:])


if __name__ == "__main__":
    main()
