"""The command contract: keys, exit codes, and one JSON object on stdout and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from evidence import assert_published
from takes import BASS, recording, tuned


def test_read(run, strike) -> None:  # type: ignore[no-untyped-def]
    code, answer, err = run("read", strike, "--channels", "seat,front", "--json")
    assert code == 0
    assert answer["schema"] == "bothheads.reading/1"
    assert answer["channels"] == ["seat", "front"]
    assert [s["onset_s"] for s in answer["strikes"]] == pytest.approx([0.4, 2.0, 3.6], abs=0.003)
    assert {"frequency_hz", "frequency_sd_hz", "decay_s", "decay_sd_s", "t60_s", "level_db", "level_dbfs", "strikes"} <= set(
        answer["partials"][0])
    hertz = [p["frequency_hz"] for p in answer["partials"]]
    assert hertz == sorted(hertz)
    for channel in range(2):
        heard = [p["level_db"][channel] for p in answer["partials"] if p["level_db"][channel] is not None]
        assert max(heard) == 0.0
    assert {"frequency_hz", "sd_hz", "decay_s", "t60_s", "name", "refused"} <= set(answer["note"])
    assert "Drum note" in err


def test_predict(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    code, answer, _ = run("predict", drum_file, "--json")
    assert code == 0
    assert answer["schema"] == "bothheads.prediction/1"
    assert set(answer["partials"][0]["level_db"]) == {"seat", "front", "side", "top"}
    assert_published(answer["feel"]["air_round_trip_ms"], 2e3 * 0.4064 / 343.2, 1e-9, source="2 depth / c", kind="closed form")
    tighter = run("predict", drum_file, "--set", "batter.tension=1200", "--json")[1]
    assert tighter["note"]["frequency_hz"] > answer["note"]["frequency_hz"]
    turned = run("predict", drum_file, "--turns", "batter=+1/8", "--json")[1]
    assert turned["note"]["frequency_hz"] > answer["note"]["frequency_hz"]
    assert turned["note"]["sd_hz"] > 0


def test_predict_renders_one_channel_a_place(run, drum_file, tmp_path) -> None:  # type: ignore[no-untyped-def]
    from bothheads.sound.audio import read_audio

    code, answer, err = run("predict", drum_file, "--render", tmp_path / "p.wav", "--json")
    assert code == 0
    assert "made by the model" in err
    sound = read_audio(tmp_path / "p.wav").samples
    assert sound.shape == (96000, 4)
    assert_published(20 * np.log10(np.abs(sound).max()), -1.0, 0.01, source="contract: peak at -1 dBFS", kind="closed form")
    assert answer["render_gain_db"] < 0
    assert answer["feel"]["contact_ms"] > 1
    assert answer["glide_cents"] > 0


def test_fit_finds_what_made_the_sound(run, bare_file, strike) -> None:  # type: ignore[no-untyped-def]
    """The same model made the sound, so this checks the chain, not the physics."""
    code, answer, _ = run("fit", bare_file, strike, "--channels", "seat,front", "--json")
    assert code == 0, answer
    assert answer["schema"] == "bothheads.fit/1"
    for head, tension in (("batter", 900.0), ("resonant", 700.0)):
        assert_published(answer[head]["tension"], tension, 0.05, relative=True, kind="independent code",
                         source="the forecast that made the recording; film mass is free by 5 %")
    assert answer["odds"] <= 0.99
    assert answer["odds"] + sum(a["odds"] for a in answer["alternatives"]) == pytest.approx(1.0, abs=0.02)
    assert answer["identifiable"] is True
    assert {"measured_hz", "model_hz", "cents", "m"} <= set(answer["partials"][0])


def test_plan(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    now = run("predict", drum_file, "--json")[1]["note"]["frequency_hz"]
    code, answer, _ = run("plan", drum_file, "--note", f"{now * 1.03:.2f}Hz", "--json")
    assert code == 0
    assert answer["schema"] == "bothheads.plan/1"
    step = answer["steps"][0]
    assert step["head"] in ("batter", "resonant")
    assert sorted(step["order"]) == sorted(r["rod"] for r in step["rods"])
    assert all(r["eighths"] > 0 for r in step["rods"])
    assert answer["cautions"]


def test_compare(run, strike, tmp_path) -> None:  # type: ignore[no-untyped-def]
    other = recording(tmp_path / "b.wav", tuned(BASS, 1000.0, 700.0), gains=(0.3, 0.4, 0.5))
    code, answer, _ = run("compare", strike, other, "--render", tmp_path / "pair", "--json")
    assert code == 0
    assert answer["schema"] == "bothheads.comparison/1"
    assert (tmp_path / "pair-a.wav").exists()
    assert (tmp_path / "pair-b.wav").exists()
    note = next(d for d in answer["differences"] if "note" in d["what"])
    assert note["b"] > note["a"]
    same = run("compare", strike, strike, "--json")[1]
    assert same["gain_db"] == pytest.approx(0.0, abs=1e-9)
    assert same["delay_ms"] == pytest.approx(0.0, abs=1e-6)


def test_a_folder_is_read_and_can_be_resumed(run, strike, tmp_path) -> None:  # type: ignore[no-untyped-def]
    import json
    import shutil

    folder = tmp_path / "many"
    folder.mkdir()
    for name in ("a", "b"):
        shutil.copy(strike, folder / f"{name}.wav")
    (folder / "c.wav").write_bytes(b"no sound")
    out = tmp_path / "readings.jsonl"
    assert run("read", folder, "--out", out)[0] == 0
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert [bool(line.get("schema")) for line in lines] == [True, True, False]
    out.write_text("".join(json.dumps(line) + "\n" for line in lines[:1]) + '{"file": "half')
    assert run("read", folder, "--out", out)[0] == 0
    again = [json.loads(line)["file"] for line in out.read_text().splitlines()]
    assert sorted(again) == sorted(line["file"] for line in lines)


def test_several_files_are_read_in_one_call(run, strike, tmp_path, capsys) -> None:  # type: ignore[no-untyped-def]
    import shutil

    from bothheads.__main__ import main

    other, broken = tmp_path / "b.wav", tmp_path / "c.wav"
    shutil.copy(strike, other)
    broken.write_bytes(b"no sound")
    capsys.readouterr()
    assert main(["read", str(strike), str(other), str(broken)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert [line.split(": ")[1] for line in said[:2]] == ["Drum note", "Drum note"]
    assert said[2].startswith(f"{broken}: ") and "Hz" not in said[2]
    assert main(["read", str(strike), str(other), "--taps", "--rods", "8"]) == 2
    assert "name one file" in capsys.readouterr().err


def test_four_states_and_the_forecast_of_the_fourth(run, bare_file, tmp_path) -> None:  # type: ignore[no-untyped-def]
    """Three states with turns between them; the fourth is forecast before it is read (one turn = 400 N/m here)."""
    assert run("log", "add", bare_file, "--json")[1]["drum"] == 1
    batter, resonant = 800.0, 700.0
    moves = [(0.0, 0.0), (0.25, 0.0), (0.0, 0.25), (0.125, 0.125)]
    for i, (tb, tr) in enumerate(moves):
        batter, resonant = batter + 400 * tb, resonant + 400 * tr
        take = recording(tmp_path / f"{i}.wav", tuned(BASS, batter, resonant), seed=i)
        turns = ("--turns", f"batter={tb},resonant={tr}") if i else ()
        if i == 3:
            forecast = run("predict", "Test bass", "--turns", f"batter={tb},resonant={tr}", "--json")[1]
        code, state, _ = run("log", "take", "Test bass", take, "--channels", "seat,front", *turns, "--json")
        assert code == 0
        assert state["schema"] == "bothheads.state/1"
        assert state["state"] == i + 1
    heard = state["reading"]["note"]["frequency_hz"]
    assert_published(1200 * np.log2(forecast["note"]["frequency_hz"] / heard), 0.0, 25.0, kind="independent code",
                     source="the recording of the fourth state")
    spread = 1200 * np.log2(1 + forecast["note"]["sd_hz"] / forecast["note"]["frequency_hz"])
    assert 2.0 < spread < 60.0
    code, _, _ = run("plan", "Test bass", "--state", "1", "--json")
    assert code in (0, 3)
    shown = run("log", "show", "Test bass", "--json")[1]
    assert [s["state"] for s in shown["states"]] == [1, 2, 3, 4]
    assert run("log", "card", "Test bass", "4", "--out", tmp_path / "card.html")[0] == 0
    card = (tmp_path / "card.html").read_text()
    assert f"{heard:.1f} Hz" in card
    assert run("log", "export", tmp_path / "all.zip", "--json")[1]["takes"] == 4
    other = tmp_path / "other.sqlite"
    assert run("log", "import", tmp_path / "all.zip", "--log", other, "--json")[1]["takes"] == 4
    assert run("log", "check", "--log", other, "--json")[1]["clean"] is True
