"""What a log says of the sayings: states made by the model, kept in a real log, looked through for pairs that bear on each."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bothheads import session, wire
from bothheads.drumfile import write
from bothheads.errors import InputError
from bothheads.infer import ladder
from bothheads.log.store import Log
from bothheads.physics.air import with_properties
from bothheads.physics.forecast import forecast
from bothheads.plan.sayings import SAYINGS
from bothheads.plan.sayings.changes import change
from bothheads.plan.sayings.logged import heard
from bothheads.plan.sayings.record import Heard
from bothheads.records import Air, Drum, Fit, FitPair, Head, HeadFit, Muffling, Note, Opening, Partial, Reading, Turn
from bothheads.session.sayings import histories

FILM = Head(0.353, 8, tension=800.0, resistance=5.0)
BASS = Drum("Dance-hall bass", 0.508, 0.3556, FILM, replace(FILM, tension=700.0))
PAD = Muffling("pad", ("batter",), y=-0.13, radius=0.09, mass=0.03, resistance=100.0)
RNG = np.random.default_rng(5)


def read(drum: Drum) -> tuple[dict[str, Any], dict[str, Any]]:
    """Reading and fit of the model's own sound: 2 cents, 3 % of the tail, 1 % of the tensions."""
    said = forecast(drum)
    note = (said.note.frequency_hz or 0.0) * float(np.exp(RNG.normal(0, 0.0012)))
    decay = (said.note.decay_s or 0.0) * float(np.exp(RNG.normal(0, 0.03)))
    partials = tuple(Partial(p.frequency_hz, 0.02, p.decay_s, 0.02, (0.0,), (-20.0,)) for p in said.partials[:8])
    reading = Reading(48000, ("front",), (), partials, Note(note, 0.03, decay, 6.9078 * decay, "A1+0"))
    known = ladder.known_tensions(drum)
    assert known is not None
    heads = [HeadFit(t * float(np.exp(RNG.normal(0, 0.01))), 0.02 * t) for t in known]
    pairs = tuple(FitPair(p.frequency_hz, p.frequency_hz, 0.0, p.m) for p in said.partials[:12] if p.m is not None)
    return wire.reading(reading), wire.fit(Fit(heads[0], heads[1] if drum.resonant else None, 0.97, (), pairs, True, None))


def keep(log: Log, drum_id: int, drum: Drum, day: int, **more: Any) -> None:
    reading, fit = read(drum)
    log.add_state(drum_id, drum=drum, reading=reading, fit=fit, made_at=f"2026-04-{day:02d}T19:00:00Z", **more)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Log]:
    """One bass drum: as it was, with a pad, bare, with an opening, warmer, a quarter turn up; and a deeper one at its note."""
    with session.open_log(tmp_path_factory.mktemp("log") / "log.sqlite") as opened:
        one = opened.add_drum(BASS, write(BASS)).id
        keep(opened, one, BASS, 1)
        keep(opened, one, replace(BASS, muffling=(PAD,)), 2)
        keep(opened, one, BASS, 3)
        keep(opened, one, BASS.with_head("resonant", opening=Opening(0.127, 0.11, -0.06)), 4)
        cool, warm = (replace(BASS, air=with_properties(Air(temperature_c=t))) for t in (15.0, 25.0))
        keep(opened, one, cool, 5)
        keep(opened, one, ladder.with_tensions(warm, 790.0, 692.0), 6)
        keep(opened, one, ladder.with_tensions(warm, 880.0, 692.0), 7, turns=(Turn("batter", 0.25),))
        deep = replace(ladder.with_tensions(BASS, 900.0, 800.0), name="Deep bass", depth=0.4572)
        two = opened.add_drum(deep, write(deep)).id
        keep(opened, two, deep, 1)
        yield opened


def say(log: Log, name: str) -> Heard:
    saying = next(s for s in SAYINGS if s.id == name)
    assert saying.claim is not None
    return heard(saying.claim, saying.logged, histories(log))


def test_pairs_that_differ_in_one_thing_are_found(log: Log) -> None:
    strip = say(log, "felt-strip-shortens")  # bare and muffled: 2 with 1, 3, 5, 6
    assert (strip.count, strip.drums, strip.as_said) == (4, 1, 4)
    assert strip.median is not None and strip.median < -20
    opened = say(log, "opening-keeps-the-note")  # 4 with 1, 3, 5, 6
    assert opened.count == 4 and opened.median is not None and opened.median > 10
    turned = say(log, "quarter-turn-is-heard")  # 7 with 1, 3, 6: with 5 the air changed as well
    assert turned.count == 3 and turned.as_said == 3
    assert turned.median is not None and 20 < turned.median < 120
    deep = say(log, "short-rings-longer")
    assert deep.count == 1 and deep.drums == 1


def test_weather_is_told_from_untouched_drums_only(log: Log) -> None:
    warm = say(log, "heat-loosens")  # 5-6: 10 K, no turns; 5-7 was turned
    assert warm.count == 1
    cold = say(log, "cold-tightens")
    assert cold.count == 1 and cold.median == -(warm.median or 0.0)


def test_single_states_speak_of_ratios(log: Log) -> None:
    ratio = say(log, "tapped-rod-over-note")
    assert ratio.count >= 6 and ratio.drums == 2
    assert ratio.median == pytest.approx(1.75, abs=0.12)


def test_what_no_state_bears_on_is_said(log: Log) -> None:
    assert say(log, "both-heads-muffle-more") == Heard(because="no logged drum bears on it")
    assert say(log, "rug-changes-everything").because == "a log holds nothing that could speak of it"


def test_changes_between_states(log: Log) -> None:
    states = histories(log)[0]
    assert change(states[0:2]).what == {"muffling"}
    assert change(states[0:3]).what == frozenset()
    assert change(states[2:4]).what == {"opening"}
    assert change(states[4:6]).what == {"air"} and change(states[4:6]).warmer == pytest.approx(10.0)
    assert change(states[5:7]).what == {"batter"} and change(states[5:7]).turns == (0.25, 0.0)
    assert change(states[4:7]).what == {"air", "batter"}
    assert change([states[0], replace(states[1], drum=replace(BASS, resonant=None))]).what == {"head off"}


def test_a_log_that_contradicts_forbids_the_verdict(tmp_path: Path) -> None:
    """Six invented pairs in which an opening doubles the ring: the model's 'holds' may no longer be given."""
    with session.open_log(tmp_path / "log.sqlite") as opened:
        drum_id = opened.add_drum(BASS, write(BASS)).id
        for day in range(1, 13):
            drum = BASS if day % 2 else BASS.with_head("resonant", opening=Opening(0.127, 0.11, -0.06))
            reading, fit = read(BASS)
            reading["note"]["t60_s"] = 2.0 if day % 2 else 0.9
            opened.add_state(drum_id, drum=drum, reading=reading, fit=fit, made_at=f"2026-04-{day:02d}T19:00:00Z")
        report = session.sayings(only="small-opening-keeps-the-ring", log=opened, drums=8)
        alone = session.sayings(only="small-opening-keeps-the-ring", drums=8)
    a, b = report.answers[0], alone.answers[0]
    assert a.logged.count >= 6 and a.logged.as_said == 0
    assert b.verdict == "holds"
    assert (a.verdict, a.because) == ("cannot tell", "the model and the logged drums contradict each other")
    said = session.sayings_json(report)
    assert said["log"] == {"drums": 1, "states": 12}
    assert json.loads(json.dumps(said, allow_nan=False)) == said


def test_the_object_of_the_contract() -> None:
    said = session.sayings_json(session.sayings(only="size-step,thin-shell-is-rounder", drums=5))
    assert said["schema"] == "bothheads.sayings/1" and said["drums"] == {"bass": 5, "tom": 3} and said["log"] is None
    one, other = said["sayings"]
    assert one["id"] == "size-step" and one["kind"] == "common practice, no source"
    assert one["model"]["trials"] == 8 and one["model"]["as_said"] + one["model"]["against"] + one["model"]["unheard"] == 1
    assert one["logged"]["because"] == "a log holds nothing that could speak of it"
    assert other["model"] is None and other["verdict"] == "cannot tell" and "rigid" in other["because"]


def test_too_few_drums_are_refused() -> None:
    with pytest.raises(InputError, match="--drums must be from 4 to 200"):
        session.sayings(drums=2)
