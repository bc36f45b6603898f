"""Long work: seen, stopped, taken up again, and nothing lost; a plain form waits for it."""

from __future__ import annotations

import json
import re
import time

import pytest

from bothheads import session
from bothheads.errors import InputError
from bothheads.web import labour
from bothheads.web.bench import wav_bytes
from bothheads.web.jobs import Jobs

from .conftest import sound_of


def until(job, *states, seconds=60.0):
    """Waits for one of these states."""
    end = time.monotonic() + seconds
    while job.state not in states and time.monotonic() < end:
        time.sleep(0.02)
    assert job.state in states, (job.state, job.stage, job.error)


@pytest.fixture
def recording():
    return wav_bytes(sound_of(43.0, 2.0), 48000)


def sent(client, multipart, recording, **headers):
    body, kind = multipart({"batter": "1", "resonant": "0", "place": "yard"}, {"recording": ("yard.wav", recording)})
    return client("POST", "/drums/1/takes", body=body, content_type=kind, **headers)


def test_a_script_is_told_the_job_and_follows_it_to_the_state(fresh, multipart, recording):
    answer = sent(fresh, multipart, recording, accept="application/json")
    assert answer.status == 202
    name, stages = json.loads(answer.text)["job"], []
    end = time.monotonic() + 90
    while time.monotonic() < end:
        said = json.loads(fresh("GET", f"/api/jobs/{name}/look").text)
        stages.append(said["stage"])
        if said["state"] not in ("waiting", "running"):
            break
        time.sleep(0.05)
    assert said["state"] == "done", said
    assert said["where"] == "/drums/1/states/4"
    assert {"reading yard.wav", "finding both heads"} & set(stages)
    with session.open_log(fresh.app.state.desk.log_path) as log:
        assert log.last_state(1).place == "yard"


def test_a_stopped_take_waits_with_its_recording_and_goes_on(fresh, multipart, recording):
    work = fresh.app.state.desk
    name = json.loads(sent(fresh, multipart, recording, accept="application/json").text)["job"]
    job = work.jobs.get(name)
    until(job, "running")
    fresh("POST", f"/api/jobs/{name}/stop")
    assert job.over.wait(10)
    assert job.state == "stopped" and not job.process.is_alive()
    page = fresh("GET", "/drums/1").text
    assert "stopped; the recording waits here" in page and "Keep as state 4" in page
    assert next(iter(job.folder.rglob("*.wav"))).read_bytes() == recording
    assert fresh("POST", f"/jobs/{name}/again").status == 303
    until(job, "done")
    assert job.over.wait(10)
    assert not job.folder.exists()
    assert "Keep as state 5" in fresh("GET", "/drums/1").text
    assert "At work" not in fresh("GET", "/drums/1").text


def test_a_stop_at_any_moment_of_the_beginning_ends_the_work(fresh, multipart, recording):
    """Before its turn, while its process is born, just after: the work ends and no state comes of it."""
    for pause in (0.0, 0.005, 0.05, 0.3):
        name = json.loads(sent(fresh, multipart, recording, accept="application/json").text)["job"]
        job = fresh.app.state.desk.jobs.get(name)
        time.sleep(pause)
        fresh("POST", f"/api/jobs/{name}/stop")
        assert job.over.wait(20)
        assert job.state == "stopped" and (job.process is None or not job.process.is_alive()), pause
        fresh("POST", f"/jobs/{name}/away")
    assert "Keep as state 4" in fresh("GET", "/drums/1").text


def test_thrown_away_is_gone(fresh, multipart, recording):
    name = json.loads(sent(fresh, multipart, recording, accept="application/json").text)["job"]
    job = fresh.app.state.desk.jobs.get(name)
    fresh("POST", f"/jobs/{name}/away")
    assert job.over.wait(10)
    assert not job.folder.exists()
    assert "from an earlier start" in fresh("GET", f"/api/jobs/{name}/look").text
    assert "Keep as state 4" in fresh("GET", "/drums/1").text


def test_a_job_that_dies_says_so_and_a_refusal_says_why(tmp_path, monkeypatch):
    jobs = Jobs(tmp_path / "log.sqlite")
    job = jobs.start("take", 1, "nothing", {"drum": "1", "paths": [], "details": {}}, str)
    with pytest.raises(InputError, match=r"no drum|needs a recording|no log"):
        jobs.finish(job)
    job = jobs.start("nonsense", 1, "a kind that is not there", {}, str)
    until(job, "failed")
    assert re.search("stopped in the middle", job.error)


def test_every_kind_of_work_has_a_name():
    assert set(labour.KINDS) == {"take", "taps", "walk", "choose"}
