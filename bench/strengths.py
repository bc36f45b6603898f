"""Real drums at several strengths: resting pitch, its bar over strengths and windows, what is explained from 150 ms on.

usage: python bench/strengths.py [FOLDER]   (files NAME-1-*.flac, NAME-2-*.flac ... are one drum; default the shipped ones)
A note is held when it lies within its 95 % bar of its drum's median; a window (the ring from 100, 150, 250 ms on read
anew, by the same reader / by the first reading, another model) when it lies within the bar of its own strike; in brackets,
within that bar and the window's own joined.
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


def windows_of(x: np.ndarray, rate: int, onset_s: float, end_s: float, note_hz: float) -> list[list[tuple[float, float]]]:
    """(cents from the note, own 95 % bar) from later in the ring: by the reader of takes, by the first reading.

    A window without a partial within 3 % of the note is left out.
    """
    from bothheads.sound.noise import START_S
    from bothheads.sound.reading import read_spans

    out: list[list[tuple[float, float]]] = [[], []]
    for start in STARTS_S:
        begin = max(0, int((onset_s + start - START_S) * rate))  # what rang before is cut off: it is no pause
        span = SimpleNamespace(onset_s=0.0, end_s=end_s - begin / rate, peak_dbfs=(0.0,), delay_s=(0.0,))
        for row, quick in zip(out, (False, True), strict=True):
            found = read_spans(x[begin:], rate, [span], quick=quick)
            if found is None:
                continue
            k = int(np.argmin(np.abs(found.frequency_hz - note_hz)))
            f, sd = float(found.frequency_hz[k]), float(found.frequency_sd_hz[k])
            if abs(f / note_hz - 1.0) < 0.03:
                row.append((CENT * (f / note_hz - 1.0), CENT * 1.96 * sd / f))
    return out


def main() -> None:
    """Read every strike alone and print one line each, then the shares held."""
    from bothheads.session import audio_files
    from bothheads.sound.audio import read_audio
    from bothheads.sound.reading import read_samples

    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "tests" / "data" / "recordings"
    drums = defaultdict(list)
    for path in audio_files(folder):
        name = _drum(path.stem)
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
        drums[name].append((note.frequency_hz, bar, later))
        told = " / ".join(" ".join(f"{m:+.1f}" for m, _ in row) for row in later)
        print(f"{path.stem:22s} {note.frequency_hz:8.3f} Hz, bar {CENT * bar / note.frequency_hz:5.2f} cents, windows {told}; "
              f"explained from 150 ms {late or 0:.1f} dB", flush=True)
    for name, rows in drums.items():
        f = np.array([r[0] for r in rows])
        held = sum(abs(r[0] - np.median(f)) <= r[1] for r in rows)
        print(f"{name}: range {CENT * np.log(f.max() / f.min()):.1f} cents; notes held {held} of {len(rows)}, windows "
              f"{_held(rows, 0)} / {_held(rows, 1)}; bar {np.median([CENT * r[1] / r[0] for r in rows]):.1f} cents")


def _held(rows: list[tuple[float, float, list[list[tuple[float, float]]]]], which: int) -> str:
    seen = [(abs(m), CENT * bar / f, own) for f, bar, later in rows for m, own in later[which]]
    return f"{sum(m <= b for m, b, _ in seen)} ({sum(m <= np.hypot(b, own) for m, b, own in seen)}) of {len(seen)}"


def _drum(stem: str) -> str:
    """What stands before the number in a file's name; without a number the whole of it."""
    words = stem.split("-")
    return "-".join(words[: next((i for i, word in enumerate(words) if word.isdigit()), len(words))])


if __name__ == "__main__":
    main()
