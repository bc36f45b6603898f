"""``fit --taps``: a round of taps of finite-element truth joins strikes heard by a microphone inside the drum."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bothheads import drumfile
from bothheads.records import Drum, Head, Microphone
from bothheads.sound.audio import write_wav
from evidence import assert_canary, assert_published
from takes import samples_of, tuned

DATA = Path(__file__).parents[1] / "data" / "rods"
TRUTH = next(h for h in json.loads((DATA / "rods.json").read_text())["heads"] if h["name"] == "r18")


def as_drum() -> Drum:
    rods = TRUTH["rods"]
    film = Head(TRUTH["sigma"], rods, resistance=3.0, stiffness_loss=2e-6)
    return Drum("tapped bass", 2 * TRUTH["radius_m"], TRUTH["depth_m"], film, film)


def written(tmp_path: Path, drum: Drum) -> Path:
    path = tmp_path / "tapped.toml"
    path.write_text(drumfile.write(drum), encoding="utf-8")
    return path


def test_taps_tell_the_heads_apart_where_levels_cannot(run, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    true = tuned(as_drum(), TRUTH["mean_tension"], 0.8 * TRUTH["mean_tension"])
    strike = tmp_path / "strike.wav"
    write_wav(strike, samples_of(true, places=("front",)), 48000)
    inside = written(tmp_path, replace(as_drum(), microphones=(Microphone("inside", 0.05, 0.0, 0.1),)))

    code, alone, _ = run("fit", inside, strike, "--channels", "inside", "--json")
    assert code == 0 and not alone["identifiable"] and 0.4 < alone["odds"] < 0.7
    code, joined, _ = run("fit", inside, strike, "--channels", "inside", "--taps", f"batter={DATA / 'r18.flac'}", "--json")
    assert code == 0 and joined["identifiable"] and joined["odds"] > 0.9

    def check(nudge: float = 0.0) -> None:
        assert_published(joined["batter"]["tension"] / TRUTH["mean_tension"] + nudge, 1.0, 0.03,
                         source="rods.json, finite elements with the full stress tensor", kind="independent code")

    check()
    assert_canary(check)


@pytest.mark.parametrize(("given", "sentence"), [
    ("r18.flac", "takes batter=FILE or resonant=FILE"), ("snare=x.flac", "takes batter=FILE"), ("batter=no.flac", "no.flac"),
])
def test_a_round_named_wrongly_is_a_sentence(run, bare_file, strike, given, sentence) -> None:  # type: ignore[no-untyped-def]
    code, out, err = run("fit", bare_file, strike, "--taps", given)
    assert code == 2 and out == "" and sentence in err and len(err.strip().splitlines()) == 1
