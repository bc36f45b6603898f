"""Fetch real strikes from a Debian package and cut the shipped recordings from them.

    python builders/recordings.py            rebuild tests/data/recordings and src/bothheads/data/recordings
    python builders/recordings.py --fetch    only fetch and unpack into .cache/drumkits (with the GPL 24-bit kit,
                                             which is used by bench/ and is not shipped)

Needs `apt-get download` and `dpkg`, no root. Nothing is fetched twice. Only files under CC0, CC-BY or CC-BY-SA are
cut; the licence stands in each kit's own drumkit.xml and is checked before anything is written.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

ROOT = Path(__file__).resolve().parent.parent
CACHE = ROOT / ".cache" / "drumkits"
PACKAGE = "hydrogen-drumkits"
KITS = CACHE / "tree" / "usr" / "share" / "hydrogen" / "data" / "drumkits"
FREE = ("Attribution-Share Alike 3.0", "Attribution-ShareAlike 3.0", "creativecommons.org/licenses/by/3.0", "Commons 0")
LAYERED = "BJA_Pacific"  # CC-BY-SA-3.0: toms and kick at eight strengths, 44.1 kHz, 16 bit, two equal channels
TWO_HEADED = "circAfrique v4"  # CC-BY-SA-3.0: rope-tuned drums with two heads, one strength each
STRENGTHS = ("very-soft", "soft", "medium", "hard", "very-hard")


@dataclass(frozen=True)
class Cut:
    """One shipped recording: where it comes from, how it is called, and whether the demo's wheel holds it."""

    kit: str
    source: str
    name: str
    in_wheel: bool = False


def layers(prefix: str, numbers: tuple[int, ...], drum: str, wheel: tuple[int, ...]) -> list[Cut]:
    """Five strengths of one drum; ``wheel``: positions (from 1) that travel inside the wheel."""
    return [
        Cut(LAYERED, f"{prefix}_{number:02d}.aiff", f"{drum}-{i}-{word}", i in wheel)
        for i, (number, word) in enumerate(zip(numbers, STRENGTHS, strict=True), 1)
    ]


CUTS = [
    *layers("TM", (1, 2, 3, 4, 6), "tom-high", (1, 2, 3, 4, 5)),
    *layers("TM2", (1, 3, 5, 6, 8), "tom-low", (1, 2, 3, 4, 5)),
    *layers("BD", (1, 2, 3, 4, 6), "kick", (1, 2, 3, 4, 5)),
    Cut(TWO_HEADED, "Dununba1 Head Hit.wav", "two-headed-low"),
    Cut(TWO_HEADED, "Sangban1 Head Hit.wav", "two-headed-mid"),
]


def fetch() -> Path:
    """The unpacked package's kits, fetched on the first call."""
    if KITS.is_dir():
        return KITS
    for program in ("apt-get", "dpkg"):
        if shutil.which(program) is None:
            sys.exit(f"{program} is needed to fetch {PACKAGE}: run this on Debian, or unpack the package into {CACHE}.")
    CACHE.mkdir(parents=True, exist_ok=True)
    if not list(CACHE.glob("*.deb")):
        subprocess.run(["apt-get", "download", PACKAGE], cwd=CACHE, check=True)
    archive = next(CACHE.glob("*.deb"))
    subprocess.run(["dpkg", "-x", str(archive), str(CACHE / "tree")], check=True)
    return KITS


def licence(kit: Path) -> str:
    """The licence as the kit's own file words it; exits when it is not one that may be shipped."""
    text = (kit / "drumkit.xml").read_text(encoding="utf-8", errors="replace")
    words = text.split("<license>", 1)[1].split("<", 1)[0].strip() if "<license>" in text else "none stated"
    if not any(free in words for free in FREE):
        sys.exit(f"{kit.name} is under '{words}' and may not be shipped.")
    return words


def cut(source: Path, target: Path) -> str:
    """Write ``source`` as FLAC at its own width; says what was left out."""
    x, rate = soundfile.read(source, dtype="int32", always_2d=True)
    width = {"PCM_16": "PCM_16", "PCM_24": "PCM_24"}[soundfile.info(source).subtype]
    left_out = "nothing"
    if x.shape[1] == 2 and np.array_equal(x[:, 0], x[:, 1]):
        x, left_out = x[:, :1], "second channel (equal to the first)"
    soundfile.write(target, x, rate, width, format="FLAC")
    return left_out


def build() -> None:
    """Cut every recording, copy the wheel's share, and print the table for SOURCES.md and CREDITS.md."""
    kits = fetch()
    tests = ROOT / "tests" / "data" / "recordings"
    wheel = ROOT / "src" / "bothheads" / "data" / "recordings"
    for folder in (tests, wheel):
        folder.mkdir(parents=True, exist_ok=True)
        for old in folder.glob("*.flac"):
            old.unlink()
    for one in CUTS:
        words = licence(kits / one.kit)
        target = tests / f"{one.name}.flac"
        left_out = cut(kits / one.kit / one.source, target)
        if one.in_wheel:
            shutil.copyfile(target, wheel / target.name)
        print(f"| {target.name} | {one.kit}/{one.source} | {words} | {left_out} | {target.stat().st_size} bytes |")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fetch", action="store_true", help="only fetch and unpack")
    print(fetch()) if parser.parse_args().fetch else build()
