"""Workers: order kept, and a task that crashes, hangs or eats memory costs itself alone."""

from __future__ import annotations

import os
import signal
import time

import pytest

from api.isolation import Lost, run_isolated

HERE = __name__


def double(task: int) -> int:
    return 2 * task


def misbehave(task: str) -> str:
    """What the task says; used to see what the others notice of it."""
    if task == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if task == "hang":
        time.sleep(600)
    if task == "eat":
        bytearray(20 * 1024**3)
    if task.startswith("wait"):
        time.sleep(float(task.removeprefix("wait ")))
    return f"{task}, done"


def eat(task: int) -> str:
    try:
        bytearray(task)
    except MemoryError:
        return "refused"
    return "granted"


def process_id(task: int) -> int:
    return os.getpid()


@pytest.mark.parametrize("jobs", [1, 3])
def test_results_come_in_the_order_of_the_tasks(jobs: int) -> None:
    assert list(run_isolated(f"{HERE}:double", range(20), jobs=jobs, deadline_s=30.0)) == [2 * i for i in range(20)]


def test_a_slow_task_does_not_change_the_order() -> None:
    tasks = ["wait 0.5", "a", "b", "wait 0.1", "c"]
    found = list(run_isolated(f"{HERE}:misbehave", tasks, jobs=2, deadline_s=30.0))
    assert found == [f"{task}, done" for task in tasks]


def test_no_tasks_give_no_results() -> None:
    assert list(run_isolated(f"{HERE}:double", [], jobs=2, deadline_s=30.0)) == []


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_crash_costs_its_own_task_alone(jobs: int) -> None:
    tasks = ["a", "crash", "b", "crash", "crash", "c"]
    found = list(run_isolated(f"{HERE}:misbehave", tasks, jobs=jobs, deadline_s=30.0))
    assert found == ["a, done", Lost.CRASHED, "b, done", Lost.CRASHED, Lost.CRASHED, "c, done"]


def test_a_hang_ends_at_its_deadline() -> None:
    started = time.monotonic()
    found = list(run_isolated(f"{HERE}:misbehave", ["a", "hang", "b"], jobs=2, deadline_s=1.5))
    assert found == ["a, done", Lost.TIMED_OUT, "b, done"]
    assert time.monotonic() - started < 20.0


def test_memory_beyond_all_measure_is_refused() -> None:
    found = list(run_isolated(f"{HERE}:eat", [10**6, 20 * 1024**3], jobs=1, deadline_s=30.0))
    assert found == ["granted", "refused"]


def test_workers_are_kept_and_are_no_more_than_asked_for() -> None:
    ids = set(run_isolated(f"{HERE}:process_id", range(12), jobs=2, deadline_s=30.0))
    assert len(ids) <= 2
    assert os.getpid() not in ids


def test_workers_end_when_nobody_wants_more() -> None:
    running = run_isolated(f"{HERE}:process_id", range(50), jobs=2, deadline_s=30.0)
    worker = next(running)
    running.close()
    with pytest.raises(ProcessLookupError):
        os.kill(worker, 0)
