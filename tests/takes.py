"""Recordings made by the model, for tests of the whole chain: known drums, three strikes, two microphones, noise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from bothheads.physics.response import decaying_partials
from bothheads.records import Drum, Head
from bothheads.sound.audio import write_wav
from bothheads.sound.render import render_partials

FILM = Head(surface_density=0.35306, rods=8, resistance=5.0, stiffness_loss=2e-6)
BASS = Drum("Test bass", 0.5588, 0.4064, FILM, FILM)


def tuned(drum: Drum, batter: float, resonant: float) -> Drum:
    """The drum with both tensions [N/m]."""
    return drum.with_head("batter", tension=batter).with_head("resonant", tension=resonant)


def samples_of(
    drum: Drum, *, gains: tuple[float, ...] = (0.5, 0.8, 1.0), gap_s: float = 1.6, noise_db: float = -65.0, seed: int = 1,
    places: tuple[str, ...] = ("seat", "front"), rate: int = 48000,
) -> np.ndarray:
    """Samples (n, channels): linear strikes of the model at the named places, noise [dB re the peak]."""
    chosen = tuple(p for name in places for p in drum.places if p.name == name)
    here = replace(drum, microphones=chosen)
    poles, amplitudes = decaying_partials(here)
    one, _ = render_partials(poles, amplitudes, sample_rate_hz=rate, seconds=gap_s * 2, push_s=drum.strike.duration)
    out = np.zeros((int((0.4 + gap_s * len(gains)) * rate), len(places)))
    for i, gain in enumerate(gains):
        start = int((0.4 + i * gap_s) * rate)
        part = one[: len(out) - start] * gain
        out[start : start + len(part)] += part
    rng = np.random.default_rng(seed)
    peak = np.abs(out).max()
    return 0.7 * (out / peak + 10 ** (noise_db / 20) * rng.standard_normal(out.shape))


def recording(path: Path, drum: Drum, **options: object) -> Path:
    """The samples as a 24-bit WAV file."""
    write_wav(path, samples_of(drum, **options), int(options.get("rate", 48000)))  # type: ignore[arg-type]
    return path
