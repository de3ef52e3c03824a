"""Trials of real memory: bad bits are found, the system keeps what it needs, nothing outlives its purpose."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.machine import pattern, workers
from agent.machine.linux.files import Tree
from agent.machine.live import LiveMachine
from agent.machine.pattern import Asked, Ended, Tried
from agent.running import isolate
from agent.running.isolate import measured_apart
from checks.measures.march import ROUNDS, ROW_RUNS, RUN_WORDS, table
from checks.memory.pattern import PATTERN
from reports.model.evidence import Absent, Reading, Why
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, subject
from tests.support.tools import PROJECT
from tests.support.trees import Unit
from tests.support.workers import all_end, holding

MIB = 1 << 20


def small(unit: Unit, mib: int = 500, cache: str = "1024K") -> Unit:
    """A computer with little free memory and a small cache."""
    unit.file("/proc/meminfo", f"MemAvailable:   {mib * 1024} kB")
    for name, content in (("level", 3), ("size", cache), ("type", "Unified")):
        unit.file(f"/sys/devices/system/cpu/cpu0/cache/index3/{name}", content)
    return unit


def whole_rows(size: int) -> int:
    return size - size % (8 * ROW_RUNS * RUN_WORDS)


def on(done: float) -> bool:
    return True


# -- bad bits ------------------------------------------------------------------------------------------

FORCER = """
import sys, numpy as np
words = np.memmap(sys.argv[1], np.uint64, "r+")
places = [(1_000, 5), (1_001, 63), (700_123, 0)]
print("forcing", flush=True)
while True:
    for place, bit in places:
        words[place] |= np.uint64(1 << bit)
"""


@contextmanager
def forced(path: Path) -> Iterator[None]:
    """Another process that holds three bits of the file's memory at one."""
    process = subprocess.Popen([sys.executable, "-c", FORCER, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "forcing\n"
    try:
        yield
    finally:
        process.kill()
        process.communicate()


def tried(words: np.ndarray, rounds: int) -> tuple[int, dict[int, int]]:
    """How often it read wrong, and the bits that differed, by byte offset."""
    said: list[dict] = []
    trial = Tried(table(words), said.append, lambda: None)
    with suppress(Ended):
        trial.run(ROUNDS[:rounds])
    named = [each["word"] for each in said if "word" in each]
    return trial.wrong, {offset: expected ^ read for offset, _, expected, read in named}


def test_bits_that_something_else_holds_are_found_where_they_are_and_nowhere_else(tmp_path):
    path = tmp_path / "memory"
    np.zeros(MIB, np.uint64).tofile(path)
    words = np.memmap(path, np.uint64, "r+")
    assert tried(words, 1) == (0, {})

    with forced(path):
        wrong, bits = tried(words, 2)

    assert wrong > 0
    assert bits == {8_000: 1 << 5, 8_008: 1 << 63, 5_600_984: 1}


def test_a_trial_that_finds_nothing_but_faults_ends_early(tmp_path, monkeypatch):
    monkeypatch.setattr(pattern, "ENOUGH", 3)
    monkeypatch.setattr(pattern, "LOOK_S", 0.0)
    path = tmp_path / "memory"
    np.zeros(MIB, np.uint64).tofile(path)
    with forced(path), pytest.raises(Ended, match="enough"):
        Tried(table(np.memmap(path, np.uint64, "r+")), lambda said: None, lambda: None).run(ROUNDS)


# -- whole trials --------------------------------------------------------------------------------------


def test_all_processors_try_a_region_each_and_say_how_far_they_came(unit):
    told: list[float] = []
    small(unit)

    trial = pattern.trial(
        unit.tree, Asked(0.6, 2, 60.0), lambda done: told.append(done) is None, processors=(0, 1)
    )

    assert (trial.rounds, trial.wrong, trial.words, trial.ended) == (2, 0, (), "")
    assert trial.regions == (whole_rows(150 * MIB),) * 2
    assert trial.available == Reading(500 * MIB, "bytes", "/proc/meminfo")
    assert told == sorted(told)


def test_a_trial_ends_when_its_time_is_up(unit):
    trial = pattern.trial(small(unit).tree, Asked(0.5, 10, 3.0), on, processors=(0,))

    assert trial.ended == "its time was up"
    assert trial.rounds < 10


def test_a_trial_ends_when_whoever_looks_on_objects(unit):
    trial = pattern.trial(small(unit).tree, Asked(0.5, 10, 60.0), lambda done: False, processors=(0,))

    assert trial.ended == "it was told to stop"


def test_a_computer_that_does_not_say_what_is_free_is_not_tried(unit):
    assert pattern.trial(unit.tree, Asked(0.9, 1, 5.0), on).why is Why.NOT_THERE


def workers_of(pid: int) -> list[psutil.Process]:
    alive = (it for it in psutil.Process(pid).children() if it.status() != psutil.STATUS_ZOMBIE)
    return [it for it in alive if "agent.machine.pattern" in it.cmdline()]


def test_a_worker_that_the_kernel_ends_leaves_no_round_behind(unit):
    def kill_one(done: float) -> bool:
        both = workers_of(os.getpid())
        if done > 0 and len(both) == 2:
            both[0].kill()
        return True

    trial = pattern.trial(small(unit).tree, Asked(0.6, 10, 60.0), kill_one, processors=(0, 1))

    assert trial.ended == "a worker was ended by the system"
    assert trial.rounds < 10


@given(
    st.integers(1, 2**40),
    st.floats(0.01, 1.0),
    st.integers(1, 256),
    st.sampled_from([None, 1 << 20, 32 << 20, 1 << 30]),
)
def test_regions_never_take_more_than_the_share_and_are_large_or_one(available, share, processors, cache):
    known = Absent(Why.NOT_THERE, "cache") if cache is None else Reading(cache, "bytes", "cache")
    size, helpers = pattern.divided(available, share, processors, known)

    assert 1 <= helpers <= processors
    assert size == MIB or size * helpers <= available * share
    assert size == MIB or (size + pattern.OVERHEAD) * helpers <= available - pattern.LEAST_LEFT
    assert helpers == 1 or (cache is not None and size >= 8 * cache)


# -- leaving -------------------------------------------------------------------------------------------

PARENT = """
import sys
from pathlib import Path
from agent.machine.linux.files import Tree
from agent.machine.pattern import Asked, trial
trial(Tree(Path(sys.argv[1])), Asked(0.6, 10, 60.0), lambda done: print("going", flush=True) is None, (0, 1))
"""


@pytest.fixture
def parent(unit) -> Iterator[subprocess.Popen[str]]:
    """A process of its own that tries memory with two workers."""
    with holding(PARENT, "going", str(small(unit).root)) as process:
        yield process


@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGSTOP])
def test_a_parent_that_is_killed_or_hangs_leaves_no_memory_taken(parent, sent):
    left = workers_of(parent.pid)
    parent.send_signal(sent)

    assert len(left) == 2
    assert all_end(left, workers.PATIENCE_S + workers.GRACE_S + 5)


# -- bounds --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tries:
    """A check that tries more than a measuring process may use, until its first round is under way."""

    tree: Tree
    deadline_s: float = 60.0
    evidence: type = int

    def measure(self, machine, about, session):
        trial = pattern.trial(self.tree, Asked(0.6, 10, 60.0), lambda done: done == 0.0, (0,))
        return sum(trial.regions)


def test_the_bound_of_a_measuring_process_does_not_bind_what_it_tries(unit, monkeypatch):
    monkeypatch.setattr(isolate, "HEADROOM_BYTES", 100 * MIB)
    tree = small(unit).tree

    tried_bytes = measured_apart(Tries(tree), LiveMachine(unit.root), subject(PartKind.MEMORY), Bench())

    assert tried_bytes == whole_rows(300 * MIB)


GROUPED = """
import os, sys
from pathlib import Path
Path(sys.argv[1], "cgroup.procs").write_text(str(os.getpid()))
from agent.machine.linux.files import Tree
from agent.machine.pattern import Asked, trial
done = trial(Tree(), Asked(0.9, 1, 60.0), lambda done: True)
print(done.available.value, sum(done.regions), done.rounds, done.ended)
"""


@pytest.fixture
def group() -> Iterator[Path]:
    """A control group that may hold 400 MiB; made by root alone."""
    for root, limit in (("/sys/fs/cgroup/memory", "memory.limit_in_bytes"), ("/sys/fs/cgroup", "memory.max")):
        folder = Path(root, f"benchproof-test-{os.getpid()}")
        if not Path(root, "cgroup.procs").exists():
            continue
        try:
            folder.mkdir()
            (folder / limit).write_text(str(400 * MIB))
        except OSError:
            with suppress(OSError):
                folder.rmdir()
            continue
        yield folder
        for _ in range(50):
            with suppress(OSError):
                folder.rmdir()
                return
            time.sleep(0.1)
        return
    pytest.skip("control groups that bound memory cannot be made here")


def killed(folder: Path) -> int:
    """How many processes of the group the kernel ended for want of memory."""
    events = (
        folder / "memory.oom_control"
        if (folder / "memory.oom_control").exists()
        else folder / "memory.events"
    )
    counts = dict(line.split() for line in events.read_text().splitlines())
    return int(counts["oom_kill"])


def test_nine_tenths_of_what_a_tight_group_leaves_are_tried_and_nothing_is_killed(group):
    done = subprocess.run(
        [sys.executable, "-c", GROUPED, str(group)],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
        timeout=120,
    )
    available, tried_bytes, rounds, *ended = done.stdout.split()

    assert killed(group) == 0
    assert (rounds, ended) == ("1", [])
    assert int(available) <= 400 * MIB
    assert 0.5 * int(available) < int(tried_bytes) < 0.9 * int(available)


def test_the_check_asks_the_live_machine_for_a_trial(unit):
    asked = []

    class Asks(LiveMachine):
        def memory_trial(self, share, rounds, seconds, watch):
            asked.append((share, rounds, seconds))
            return Absent(Why.NOT_PERMITTED, "here")

    PATTERN.measure(Asks(unit.root), subject(PartKind.MEMORY), Bench())

    assert asked == [(0.4, 2, 60.0)]
