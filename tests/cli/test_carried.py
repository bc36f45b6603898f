"""`predict --from-c --to-c`: a drum carried into other air, as the command line answers it."""

from __future__ import annotations

from evidence import assert_published


def test_predict_in_other_air(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    before = run("predict", drum_file, "--json")[1]
    code, warm, err = run("predict", drum_file, "--from-c", "5", "--to-c", "21", "--rim", "rigid", "--json")
    assert code == 0
    assert warm["note"]["frequency_hz"] < before["note"]["frequency_hz"]
    assert_published(warm["feel"]["air_round_trip_ms"], 2e3 * 0.4064 / 344.4, 2e-3, source="Cramer 1993 at 21 C, 50 %",
                     kind="published")
    assert any("not known" in line for line in warm["warnings"])
    assert "rigid rim" in err
    steel = run("predict", drum_file, "--from-c", "5", "--to-c", "21", "--rim", "steel", "--json")[1]
    assert warm["note"]["frequency_hz"] < steel["note"]["frequency_hz"] < before["note"]["frequency_hz"]


def test_one_temperature_is_not_enough(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    code, answer, err = run("predict", drum_file, "--to-c", "21", "--json")
    assert code == 2
    assert not answer
    assert "both temperatures: --from-c 5 --to-c 21" in err


def test_below_freezing_is_a_temperature_and_slack_is_refused(run, drum_file) -> None:  # type: ignore[no-untyped-def]
    assert run("predict", drum_file, "--from-c", "-4", "--to-c", "5", "--json")[0] == 0
    code, answer, err = run("predict", drum_file, "--from-c", "-30", "--to-c", "40", "--rim", "rigid", "--json")
    assert code == 2
    assert answer == ""
    assert "hang slack" in err
