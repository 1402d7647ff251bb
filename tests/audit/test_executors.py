"""The same tasks by one process, by several and by a cluster; workers that die take nothing else with them."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import pytest

from photoaz.audit import executors
from photoaz.audit.executors import AHEAD, Alone, Crew, Processes, _flow, crew
from photoaz.errors import InputError


def square(x: int) -> int:
    return x * x


def dies_over_seven(x: int) -> int:
    if x == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return x * x


def dies_once(task: tuple[str, int]) -> int:
    mark = Path(task[0])
    if task[1] == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return task[1]


def slow(x: int) -> int:
    time.sleep(0.02)
    return x


def fails(x: int) -> int:
    raise ValueError(f"task {x}")


@pytest.fixture(scope="module")
def pool() -> Iterator[Crew]:
    with crew(2, None) as it:
        yield it


def test_results_are_the_same_whoever_does_them(pool: Crew) -> None:
    expected = {k: k * k for k in range(40)}
    for doers in (Alone(), pool):
        assert {d.task: d.result for d in doers.do(square, range(40))} == expected


def test_a_cluster_gives_the_same() -> None:
    distributed = pytest.importorskip("distributed", reason="needs dask.distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
        ) as cluster,
        crew(1, cluster.scheduler_address) as doers,
    ):
        assert {d.task: d.result for d in doers.do(square, range(20))} == {k: k * k for k in range(20)}


def test_a_task_that_kills_its_worker_is_named_and_the_others_are_done() -> None:
    pool = Processes(2)
    done = {d.task: d for d in pool.do(dies_over_seven, range(12))}
    pool.close()
    assert {k: d.result for k, d in done.items()} == {k: None if k == 7 else k * k for k in range(12)}
    assert done[7].died == "the worker process died 2 times over it (out of memory?)"


def test_what_a_cluster_gives_up_is_named_and_the_others_are_done() -> None:
    class Cluster(Executor):
        def submit(self, work: Any, /, task: int) -> Future[int]:  # type: ignore[override]
            future: Future[int] = Future()
            if task == 2:
                future.cancel()
                future.set_running_or_notify_cancel()
            elif task == 5:
                future.set_exception(MemoryError())
            else:
                future.set_result(work(task))
            return future

    hand: list[int] = []
    done = {d.task: d for d in _flow(Cluster(), 2, square, iter(range(8)), hand, deadly=MemoryError)}
    assert {k: d.result for k, d in done.items()} == {k: None if k in (2, 5) else k * k for k in range(8)}
    assert (done[2].died, done[5].died) == ("the cluster gave it up", "no worker of the cluster survived it")
    assert hand == []


def test_a_worker_that_dies_by_chance_costs_nothing(tmp_path: Path) -> None:
    pool = Processes(2)
    tasks = [(str(tmp_path / "mark"), k) for k in range(8)]
    done = list(pool.do(dies_once, tasks))
    pool.close()
    assert sorted(d.result for d in done if d.result is not None) == list(range(8))
    assert all(d.died is None for d in done)


def test_tasks_are_taken_as_they_are_needed(pool: Crew) -> None:
    taken = []

    def tasks() -> Iterator[int]:
        for k in range(1000):
            taken.append(k)
            yield k

    for n, _ in enumerate(pool.do(slow, tasks()), start=1):
        assert len(taken) <= n + 2 * AHEAD + 2
        if n == 30:
            break


def test_an_error_in_a_worker_is_not_swallowed(pool: Crew) -> None:
    with pytest.raises(ValueError, match=r"task \d"):
        list(pool.do(fails, range(3)))
    assert [d.result for d in pool.do(square, [3])] == [9]


def test_a_scheduler_that_does_not_answer_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(executors, "SCHEDULER_S", 1.0)
    pytest.importorskip("distributed", reason="needs dask.distributed")
    with pytest.raises(InputError, match=r"--scheduler tcp://127\.0\.0\.1:9: found"), crew(1, "tcp://127.0.0.1:9"):
        pass
