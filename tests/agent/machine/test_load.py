"""Processor load: it starts, it loads, and no way out leaves it running."""

import os
import signal
import subprocess
import time
from collections.abc import Iterator

import psutil
import pytest

from agent.machine import load
from agent.machine.workers import GRACE_S
from tests.support.workers import all_end, holding

PARENT = """
import sys, time
from agent.machine.load import load
with load(2):
    print("loaded", flush=True)
    time.sleep(60)
"""


def workers_of(pid: int) -> list[psutil.Process]:
    return [child for child in psutil.Process(pid).children() if "agent.machine.load" in child.cmdline()]


@pytest.fixture
def parent() -> Iterator[subprocess.Popen[str]]:
    """A process of its own that holds a load on two processors."""
    with holding(PARENT, "loaded") as process:
        yield process


def test_every_worker_works_at_low_priority_on_a_processor_of_its_own():
    with load.load(2):
        workers = workers_of(os.getpid())
        began = [sum(worker.cpu_times()[:2]) for worker in workers]
        until, used = time.monotonic() + 10.0, [0.0]
        while min(used) <= 0.1 and time.monotonic() < until:  # at low priority others go first
            time.sleep(0.1)
            now = [sum(worker.cpu_times()[:2]) for worker in workers]
            used = [after - before for after, before in zip(now, began, strict=True)]
        places = {tuple(worker.cpu_affinity()) for worker in workers}
        niceness = {worker.nice() for worker in workers}

    assert len(workers) == 2
    assert all(seconds > 0.1 for seconds in used)
    assert len(places) == min(2, len(os.sched_getaffinity(0)))
    assert niceness == {min(os.nice(0) + load.NICENESS, 19)}


def test_leaving_ends_the_load_at_once():
    with load.load(1):
        workers = workers_of(os.getpid())

    assert len(workers) == 1
    assert not any(worker.is_running() for worker in workers)


def test_a_check_that_raises_ends_the_load():
    workers: list[psutil.Process] = []

    def interrupted() -> None:
        with load.load(1):
            workers.extend(workers_of(os.getpid()))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()

    assert len(workers) == 1
    assert not workers[0].is_running()


def test_a_parent_that_is_killed_takes_the_load_with_it(parent):
    workers = workers_of(parent.pid)
    parent.kill()

    assert len(workers) == 2
    assert all_end(workers, 2.0)


def test_ctrl_c_in_the_terminal_ends_the_load_quietly(parent):
    workers = workers_of(parent.pid)
    assert all(os.getsid(worker.pid) != os.getsid(parent.pid) for worker in workers), (
        "it reaches the parent alone"
    )
    os.killpg(parent.pid, signal.SIGINT)
    _, errors = parent.communicate(timeout=5)

    assert len(workers) == 2
    assert all_end(workers, 2.0)
    assert errors.count("Traceback") == 1, "the parent's own, and none of a worker"


def test_a_parent_that_hangs_is_no_longer_obeyed(parent):
    workers = workers_of(parent.pid)
    parent.send_signal(signal.SIGSTOP)

    assert len(workers) == 2
    assert all_end(workers, load.PATIENCE_S + GRACE_S + 2)


def test_a_computer_that_stood_still_ends_no_load(parent):
    (worker, *_) = workers_of(parent.pid)
    for process in (parent, worker):
        process.send_signal(signal.SIGSTOP)
    time.sleep(load.PATIENCE_S + 0.5)
    worker.send_signal(signal.SIGCONT)
    time.sleep(0.5)
    parent.send_signal(signal.SIGCONT)

    time.sleep(GRACE_S + 1)
    assert worker.is_running()
    assert worker.status() != psutil.STATUS_ZOMBIE


def test_renewal_outlasts_the_patience_of_a_worker():
    with load.load(1):
        (worker,) = workers_of(os.getpid())
        time.sleep(load.PATIENCE_S + 1)
        alive = worker.is_running() and worker.status() != psutil.STATUS_ZOMBIE

    assert alive


def test_a_worker_that_does_not_begin_is_our_fault_and_ends(monkeypatch):
    monkeypatch.setattr(load.sys, "executable", "/bin/false")

    with pytest.raises(RuntimeError, match="did not begin"), load.load(1):
        pass
