"""A log in which every view has something to show: states with turns, a kit, taps, muffling, tests, lessons.

All sound in it is rendered by the model from drums whose tensions are known, and goes the whole way of a take.

    python bench/page_log.py LOG.sqlite
"""

from __future__ import annotations

import io
import os
import sys
import wave
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from bothheads import drumfile, session  # noqa: E402
from bothheads.physics.hoop import HOOPS, Mount  # noqa: E402
from bothheads.physics.uneven import Film, even_pull  # noqa: E402

RATE = 48000
HALL = """
name = "Dance-hall bass drum"
diameter_in = 20
depth_in = 14
[batter]
film_mil = 10
rods = 8
tension = 560
resistance = 6
[resonant]
film_mil = 10
rods = 8
tension = 430
resistance = 5
"""
TOMS = (("Twelve", 12, 8, 6, 900, 1100), ("Fourteen", 14, 10, 6, 800, 980), ("Sixteen", 16, 14, 8, 700, 900))
STATES = (  # batter, resonant tension, what was turned, what lies on it, place, remark
    (560, 430, "", "", "church hall", "as it came, tiled floor"),
    (590, 430, "batter=0.125", "", "dance hall", ""),
    (590, 470, "resonant=0.125", "", "dance hall", "after the parade"),
    (590, 470, "", 'muffling=[{kind = "pad", heads = ["batter"], radius_m = 0.05, mass_kg = 0.02, resistance = 60}]',
     "dance hall", "one folded cloth"),
    (590, 470, "", 'muffling=[{kind = "pad", heads = ["batter"], radius_m = 0.09, mass_kg = 0.06, resistance = 60}]',
     "dance hall", ""),
    (620, 470, "batter=0.125", "muffling=[]", "dance hall", "nothing on it again"),
)


def struck(drum: Any, *, count: int = 2, gap_s: float = 2.2, seed: int = 0, places: list[int] | None = None) -> bytes:
    """``count`` strikes of a drum as the model sounds, noise under them, as a WAV of the drum's places."""
    rng = np.random.default_rng(seed)
    with wave.open(io.BytesIO(session.render(drum, sample_rate_hz=RATE, seconds=gap_s)[0])) as file:
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, file.getsampwidth())
        channels, width = file.getnchannels(), file.getsampwidth()
    whole = np.zeros((len(raw), 4), np.uint8)
    whole[:, 4 - width:] = raw
    one = whole.view("<i4").reshape(-1, channels) / 2147483648.0
    if places is not None:
        one = one[:, places]
    out = rng.normal(0, 3e-5, (round((0.5 + gap_s * count) * RATE), one.shape[1]))
    for i in range(count):
        at = round((0.4 + gap_s * i) * RATE)
        out[at:at + len(one)] += one[:len(out) - at] * rng.uniform(0.35, 0.6)
    return wav(out)


def wav(samples: np.ndarray) -> bytes:
    """Samples (n, channels) as a WAV of 16 bits."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes())
    return out.getvalue()


def taps_sound(rods: int, radius: float, film_kg: float, tension: float, seed: int) -> bytes:
    """A round of taps on an uneven head, from the same modes as ``bench/taps.py``."""
    from taps import sound

    rng = np.random.default_rng(seed)
    mount = Mount(radius=radius, rods=rods, surface_density=film_kg, hoop=HOOPS["wood"], rod_stiffness=3e6,
                  edge="slip").with_gain(400.0)
    turns = rng.normal(0, 1, rods)
    turns = (turns - turns.mean()) * 0.08
    pull = even_pull(tension) + mount.pull_per_turn() @ turns
    x, _, _ = sound(rng, mount, Film(radius, film_kg, 0.35, edge="slip"), pull, -60.0, 1.3)
    return wav(x[:, None])


def keep(log: Any, folder: Path, ref: str, data: bytes, name: str, **details: Any) -> None:
    """A take kept the way an upload is."""
    path = folder / name
    path.write_bytes(data)
    session.take_files(ref, [path], log=log, **details)


def fill(path: Path, say: Any = print) -> None:
    """The whole log."""
    path.parent.mkdir(parents=True, exist_ok=True)
    folder = path.parent / "sounds"
    folder.mkdir(exist_ok=True)
    with session.open_log(path) as log:
        hall = drumfile.parse(HALL)[0]
        file = folder / "drum.toml"
        file.write_text(HALL.replace("tension = 560\n", "").replace("tension = 430\n", ""), encoding="utf-8")
        session.add_drum(file, log=log)
        for i, (batter, resonant, turns, lies, place, remark) in enumerate(STATES):
            drum = hall.with_head("batter", tension=float(batter)).with_head("resonant", tension=float(resonant))
            drum = session.with_changes(drum, [lies] if lies else [])
            keep(log, folder, "Dance-hall bass drum", struck(drum, seed=i), f"hall-{i + 1}.wav", turns=turns or (),
                 sets=[lies] if lies else [], place=place, remark=remark)
            say(f"state {i + 1} of {hall.name}")
        for i, (name, diameter, depth, rods, batter, resonant) in enumerate(TOMS):
            text = (f'name = "{name}"\ndiameter_in = {diameter}\ndepth_in = {depth}\n[batter]\nfilm_mil = 7.5\nrods = {rods}\n'
                    f'resistance = 8\n[resonant]\nfilm_mil = 7.5\nrods = {rods}\nresistance = 8\n')
            file.write_text(text, encoding="utf-8")
            session.add_drum(file, log=log)
            drum = drumfile.parse(text)[0].with_head("batter", tension=float(batter)).with_head("resonant", tension=float(resonant))
            keep(log, folder, name, struck(drum, seed=40 + i), f"tom-{i}.wav", place="dance hall")
            say(f"state 1 of {name}")
        _taps(log, folder, hall)
        log.set_note(1, "blind/1-6", [
            {"a": 1, "b": 6, "question": "lower", "trials": 12, "answered": 12, "right": 11},
            {"a": 1, "b": 6, "question": "which", "trials": 12, "answered": 5, "right": None},
            {"a": 1, "b": 6, "question": "lower", "trials": 16, "answered": 16, "right": 9}])


def _taps(log: Any, folder: Path, hall: Any) -> None:
    """A round on the batter, read and kept as the page keeps it; the resonant head stays untapped."""
    path = folder / "round.wav"
    path.write_bytes(taps_sound(hall.batter.rods, hall.radius, hall.batter.surface_density, 620.0, 3))
    taps = session.read_taps(path, rods=hall.batter.rods, drum=hall, head="batter")
    session.keep_taps(log, 1, "batter", session.as_json(taps))
    if not taps.refused:
        session.plan(session.load_drum("1", log=log), even="batter", taps=path, log=log)



if __name__ == "__main__":
    fill(Path(sys.argv[1]))
