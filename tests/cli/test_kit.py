"""Several drums on one interface: each strike goes to its drum, bleed is not a strike."""

from __future__ import annotations

import numpy as np

from bothheads import drumfile
from bothheads.sound.audio import write_wav
from takes import BASS, samples_of, tuned


def test_two_drums_with_bleed(run, tmp_path) -> None:  # type: ignore[no-untyped-def]
    from dataclasses import replace

    kick = tuned(BASS, 900.0, 700.0)
    tom = tuned(replace(BASS, name="Test tom", diameter=0.3556, depth=0.3), 1200.0, 1400.0)
    low = samples_of(kick, places=("front",), gains=(1.0, 0.8))[:, 0]
    late = samples_of(tom, places=("front",), gains=(1.0, 0.9), seed=2)[:, 0]
    high = np.concatenate([np.zeros(38400), late])  # struck 0.8 s later
    n = min(len(low), len(high))
    low, high = low[:n], high[:n]
    write_wav(tmp_path / "kit.wav", 0.6 * np.stack([low + 0.06 * high, high + 0.06 * low], axis=1), 48000)
    for name, drum in (("kick", kick), ("tom", tom)):
        (tmp_path / f"{name}.toml").write_text(drumfile.write(drum), encoding="utf-8")
    kit = tmp_path / "kit.toml"
    kit.write_text(f'[[drum]]\nchannel = "kick"\ndrum = "{tmp_path}/kick.toml"\n'
                   f'[[drum]]\nchannel = "tom1"\ndrum = "{tmp_path}/tom.toml"\n', encoding="utf-8")
    code, answer, _ = run("read", tmp_path / "kit.wav", "--kit", kit, "--channels", "kick,tom1", "--json")
    assert code == 0
    onsets = {name: [round(s["onset_s"], 1) for s in r["strikes"]] for name, r in answer["drums"].items()}
    assert onsets == {"kick": [0.4, 2.0], "tom1": [1.2, 2.8]}
    notes = {name: r["note"]["frequency_hz"] for name, r in answer["drums"].items()}
    assert notes["tom1"] > 1.5 * notes["kick"]
    code, out, err = run("read", tmp_path / "kit.wav", "--kit", kit, "--channels", "kick")
    assert (code, out) == (2, "")
    assert "1 channel names for 2 channels" in err
