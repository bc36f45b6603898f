"""The pool and the cluster: every task once, errors apart, killed processes replaced."""

from __future__ import annotations

from pathlib import Path

import pytest

import run_jobs
from bothheads.errors import InputError
from bothheads.runs import engine as engines
from bothheads.runs.cluster import on_cluster
from bothheads.runs.engine import Engine, Progress, engine_for
from bothheads.runs.pool import in_pool
from bothheads.runs.task import KILLED, Task


def tasks(count: int) -> list[Task]:
    return [Task(i, i) for i in range(count)]


@pytest.mark.parametrize("kind", ["here", "pool"])
def test_every_task_is_done_once_and_an_error_is_its_own(kind: str) -> None:
    found = list(Engine(kind, 2, "").run(run_jobs.square, tasks(20)))  # type: ignore[arg-type]
    assert sorted(o.key for o in found) == list(range(20))
    assert all(o.value == o.key**2 for o in found if o.key != 13)
    assert next(o for o in found if o.key == 13).failed == "ValueError: unlucky"


def test_a_killed_process_is_replaced_and_its_task_done_again(tmp_path: Path) -> None:
    given = [Task(i, str(tmp_path / f"mark{i}")) for i in range(3)]
    assert [o.value for o in in_pool(run_jobs.kills_itself_once, given, jobs=2)] == ["alive"] * 3


def test_a_task_that_kills_every_process_is_given_up() -> None:
    (outcome,) = in_pool(run_jobs.kills_itself, [Task(7, None)], jobs=1)
    assert (outcome.key, outcome.failed) == (7, KILLED)


def test_a_run_can_be_left_in_the_middle() -> None:
    running = in_pool(run_jobs.square, tasks(50), jobs=2)
    next(running)
    running.close()


def test_processes_have_one_thread_each() -> None:
    assert [o.value for o in in_pool(run_jobs.one_thread, tasks(1), jobs=1)] == [("1", "1")]


def test_the_cluster_does_the_same_and_leaves_nothing_in_the_home_folder(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    found = list(on_cluster(run_jobs.square, tasks(20), jobs=1))
    assert sorted(o.key for o in found) == list(range(20))
    assert next(o for o in found if o.key == 13).failed == "ValueError: unlucky"
    assert not list(tmp_path.iterdir())


def test_a_local_cluster_that_does_not_come_up_is_tried_twice_and_named(monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []

    def never(**_: object) -> None:
        tried.append(1)
        raise RuntimeError("no process came up")

    monkeypatch.setattr("distributed.LocalCluster", never)
    with pytest.raises(InputError, match=r"the local cluster did not start \(no process came up\): try again"):
        list(on_cluster(run_jobs.square, tasks(1), jobs=1))
    assert len(tried) == 2


def test_a_scheduler_that_does_not_answer_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bothheads.runs.cluster.WAIT_S", 0.2)
    with pytest.raises(InputError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        list(on_cluster(run_jobs.square, tasks(1), jobs=1, scheduler="tcp://127.0.0.1:9"))


def test_a_running_scheduler_is_used() -> None:
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50) as there:
        found = list(on_cluster(run_jobs.square, tasks(5), jobs=9, scheduler=there.scheduler_address))
    assert sorted(o.value for o in found) == [0, 1, 4, 9, 16]


def test_the_engine_is_chosen_by_size_and_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    assert engine_for(10**6, jobs=1).kind == "here"
    few, many = engine_for(300, jobs=2), engine_for(10**6, jobs=2)
    assert few.kind == "pool" and "too few for a cluster" in few.why
    assert many.kind == "cluster" and "1000000 points" in many.why
    assert engine_for(10, jobs=2, scheduler="tcp://a:1").kind == "cluster"
    assert engine_for(10**6, jobs=2, asked="pool").kind == "pool"
    monkeypatch.setattr(engines, "is_installed", lambda: False)
    without = engine_for(10**6, jobs=2)
    assert without.kind == "pool" and "Dask is not installed" in without.why
    for wish in ({"asked": "cluster"}, {"scheduler": "tcp://a:1"}):
        with pytest.raises(InputError, match=r"a cluster needs Dask: install bothheads\[sweep\]"):
            engine_for(10, jobs=2, **wish)
    with pytest.raises(InputError, match="--jobs must be from 1 to 512"):
        engine_for(10, jobs=0)
    with pytest.raises(InputError, match="--scheduler names a cluster"):
        engine_for(10, jobs=2, asked="pool", scheduler="tcp://a:1")


def test_progress_is_lines_where_there_is_no_terminal() -> None:
    from io import StringIO

    stream = StringIO()
    shown = Progress(100, 40, stream=stream)
    shown.add(30)
    shown.add(30)
    shown.close()
    assert stream.getvalue().startswith("100 of 100 points, ")
    assert stream.getvalue().count("\n") == 1


def test_progress_writes_over_itself_on_a_terminal() -> None:
    from io import StringIO

    class Terminal(StringIO):
        def isatty(self) -> bool:
            return True

    stream = Terminal()
    shown = Progress(2, stream=stream)
    shown.add(2)
    shown.close()
    assert stream.getvalue().startswith("\r[##############################] 2 of 2 points")
    assert stream.getvalue().endswith("\n")
