"""Cores that compute: every one on its own, wrong answers told at once, and nothing is left running."""

import os
import signal
import time
from contextlib import suppress

import psutil
import pytest

from agent.machine import compute
from agent.machine.workers import GRACE_S, PATIENCE_S
from tests.support.workers import all_end, holding


def workers_of(pid: int) -> list[psutil.Process]:
    return [child for child in psutil.Process(pid).children() if "agent.machine.compute" in child.cmdline()]


def test_every_core_of_this_computer_computes_right_and_is_kept_to_its_own():
    seen: list[tuple[int, ...]] = []

    def watch(done: float) -> bool:
        seen.extend(tuple(worker.cpu_affinity()) for worker in workers_of(os.getpid()))
        return True

    cores, cut = compute.trial(2.0, watch)

    assert cut == ""
    assert [core.number for core in cores] == sorted(os.sched_getaffinity(0))
    assert all(core.pinned and core.wrong == {} and core.ended == "" for core in cores)
    assert {(core.number,) for core in cores} <= set(seen)
    assert workers_of(os.getpid()) == []


def test_the_watch_ends_it():
    cores, cut = compute.trial(60.0, lambda done: False)

    assert cut == "it was told to stop"
    assert all(core.ended == "" for core in cores)


def test_wrong_answers_of_one_core_are_its_own():
    core = compute.Core(3)

    core.take(b'{"pinned": true}\n{"wrong": {"matrix": 2}}\n{"wrong": {"mat')
    core.take(b'rix": 1}}\n{"wrong": {"integer": 1}}\n{"rounds": 1}\n')

    assert (core.pinned, core.rounds, core.wrong) == (True, 1, {"matrix": 3, "integer": 1})


def test_a_worker_that_the_kernel_ends_has_told_what_it_found_and_is_noted():
    def watch(done: float) -> bool:
        for worker in workers_of(os.getpid())[:1]:
            worker.send_signal(signal.SIGILL)
        return done < 0.2

    cores, _ = compute.trial(10.0, watch, (min(os.sched_getaffinity(0)),))

    assert cores[0].ended == f"its process was ended by signal {signal.SIGILL.value}"
    assert cores[0].pinned


def test_a_core_that_the_process_may_not_use_is_not_taken_for_tried():
    elsewhere = max(os.sched_getaffinity(0)) + 1000

    (core,), _ = compute.trial(0.5, lambda done: True, (elsewhere,))

    assert core.pinned is False


def test_a_parent_that_is_killed_takes_the_work_with_it():
    script = (
        "from agent.machine import compute\n"
        "compute.trial(60.0, lambda done: print('working', flush=True) is None)\n"
    )
    with holding(script, "working") as parent:
        workers = workers_of(parent.pid)

    assert workers
    assert all_end(workers, PATIENCE_S + GRACE_S + 5)


def test_a_check_that_raises_ends_the_work():
    workers: list[psutil.Process] = []

    def watch(done: float) -> bool:
        workers.extend(workers_of(os.getpid()))
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compute.trial(60.0, watch)

    assert workers
    with suppress(psutil.NoSuchProcess):
        time.sleep(0.1)
        assert not any(worker.is_running() for worker in workers)
