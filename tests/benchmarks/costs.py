"""What is measured, and against what."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from agent.inventory import Touched, inventory
from agent.machine.linux.blockread import reader
from agent.machine.linux.files import Tree
from agent.machine.live import LiveMachine
from agent.machine.load import load
from checks.storage.reading import LONG_BLOCK
from reports.model.evidence import Reading
from tests.benchmarks.row import Row
from tests.support.captured import CACHE, Captured
from tests.support.tools import PROJECT
from tests.support.trees import Unit, read_description

SENSORS, PER_S = 32, 2
TREE = "32em64t-2n8c+1mic"
"""The captured computer whose inventory opens the most files."""

DEMO = PROJECT / "agent" / "demo"
ORDER = (DEMO / "order.json", "--map", DEMO / "map.json")


def least(action: Callable[[], object], times: int = 5) -> float:
    """Processor time of this process, seconds."""
    taken = []
    for _ in range(times):
        began = time.process_time()
        action()
        taken.append(time.process_time() - began)
    return min(taken)


def sampling(root: Path) -> Iterator[Row]:
    """A second of sampling, as a share of a core; the driver behind a real file is not in it."""
    machine, ids, files = _sensors(root)
    ours = least(lambda: [machine.temperature(each) for _ in range(PER_S) for each in ids])
    plain = least(lambda: [int(path.read_text()) for _ in range(PER_S) for path in files])
    against = "the same files, plain Python"
    yield Row(f"{SENSORS} sensors read twice a second", ours * 100, plain * 100, "%", against, most=1.0)
    resting = _sampled(machine, ids)
    with load(len(os.sched_getaffinity(0))):
        loaded = _sampled(machine, ids)
    against = "the same beside no load"
    yield Row("the same on the beat, every core under load", loaded, resting, "%", against, most=1.0)


def _sensors(root: Path) -> tuple[LiveMachine, list[str], list[Path]]:
    unit = Unit(root)
    chip = unit.device("platform/tarnwick-ec", "hwmon", name="tarnwick")
    for number in range(1, SENSORS + 1):
        unit.file(f"{chip}/temp{number}_input", 40000 + number)
    machine = LiveMachine(root)
    ids = [sensor.id for sensor in machine.temperature_sensors()]
    assert len(ids) == SENSORS
    return machine, ids, [root / f"{chip.lstrip('/')}/temp{number}_input" for number in range(1, SENSORS + 1)]


BEATS: Final = 12


def _sampled(machine: LiveMachine, ids: list[str]) -> float:
    """Percent of a core over some seconds; cold, as after each pause another program had the core."""
    taken = []
    for _ in range(BEATS):
        time.sleep(1 / PER_S)
        began = time.process_time()
        for each in ids:
            machine.temperature(each)
        taken.append(time.process_time() - began)
    return statistics.median(taken) * PER_S * 100


def inventory_of_a_tree(work: Path) -> Row:
    root, name = _largest_tree(work)
    asked = _files_asked(root)
    ours = least(lambda: inventory(LiveMachine(root), lambda kind: Touched.REST))
    plain = least(lambda: [path.read_bytes() for path in asked])
    against = f"its {len(asked)} readable files, plain Python"
    return Row(f"inventory of {name}", ours, plain, "s", against, most=1.0)


def _largest_tree(work: Path) -> tuple[Path, str]:
    work.mkdir()
    if any(CACHE.glob("hwloc_*.orig.tar.*")):
        return Captured(work).root(TREE), "137 PCI functions, 16 cores"
    description = PROJECT / "tests" / "trees" / "tower-keep.umockdev"
    return read_description(description.read_text(), work).root, "an invented tower"


def _files_asked(root: Path) -> list[Path]:
    """What an inventory opens, as often as it does; of files that are not there the reference is spared."""
    asked: list[Path] = []

    class Noting(Tree):
        def real(self, path: str) -> Path:
            asked.append(super().real(path))
            return asked[-1]

    machine = LiveMachine(root)
    machine._tree = Noting(root)
    inventory(machine, lambda kind: Touched.REST)
    return [path for path in asked if path.is_file() and os.access(path, os.R_OK)]


PASS = (sys.executable, "-c", "pass")
PROGRAM = (sys.executable, "-m", "agent.cli")

_LAUNCHER = """
import json, os, resource, subprocess, sys
status = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([status, used.ru_utime + used.ru_stime, used.ru_maxrss]))
"""


def used(*command: object, statuses: tuple[int, ...] = (0,)) -> tuple[float, float]:
    """Processor time in seconds and peak memory in MB of a command and what it started.

    Started by a bare interpreter: what a process held before `exec` counts into its peak.
    """
    words = [sys.executable, "-c", _LAUNCHER, *map(str, command)]
    # compiled once and kept, as an installed program is
    surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run(words, capture_output=True, text=True, check=True, cwd=PROJECT, env=surroundings)
    status, seconds, kilobytes = json.loads(done.stdout)
    assert status in statuses, command
    return seconds, kilobytes / 1024


def starts(work: Path) -> Iterator[Row]:
    """Every start is a new process; the first of each, which compiles, does not count."""
    commands = {
        "--help": (("--help",), 0.25),
        "plan": (("plan", *ORDER), 1.0),
        "inventory": (("inventory", "--bench", work), 1.0),
    }
    work.mkdir()
    plain = _least_of_starts(PASS)
    for name, (words, most) in commands.items():
        ours = _least_of_starts((*PROGRAM, *words))
        yield Row(f"start: benchproof {name}", ours, plain, "s", "python -c pass", most=most)


def _least_of_starts(command: tuple[object, ...], times: int = 5) -> float:
    used(*command)
    return min(used(*command)[0] for _ in range(times))


REHEARSED = (0, 6, 7)
"""Exit statuses of a rehearsal that came to its end."""


def peaks(work: Path) -> Iterator[Row]:
    """The largest of the processes, each with what it holds of shared pages."""
    work.mkdir()
    plain = used(*PASS)[1]
    run = (*PROGRAM, "run", *ORDER, "--rehearse", DEMO / "unit.json", "--unattended", "--out", work / "run")
    for name, command in (("a rehearsal run", run), ("inventory", (*PROGRAM, "inventory", "--bench", work))):
        peak = used(*command, statuses=REHEARSED)[1]
        yield Row(f"peak memory of {name}", peak, plain, "MB", "a bare Python interpreter", most=120.0)


SCANNED = 256 << 20


def read_scan(work: Path) -> Row:
    """Reading all of a drive as the check does, beside dd in blocks of the same size; by the clock.

    Of a file on the drive of this computer: both ask it past the cache.
    """
    work.mkdir()
    image = work / "image"
    image.write_bytes(os.urandom(1 << 20) * (SCANNED >> 20))
    os.sync()
    dd = ("dd", f"if={image}", "of=/dev/null", "iflag=direct", f"bs={LONG_BLOCK}", "status=none")
    # turn by turn, so that a drive that slows down slows both
    turns = [
        (_clocked(lambda: _scan(image)), _clocked(lambda: subprocess.run(dd, check=True))) for _ in range(21)
    ]
    ours, plain = (SCANNED / statistics.median(taken) / 1e6 for taken in zip(*turns, strict=True))
    ratio = statistics.median(dd_s / ours_s for ours_s, dd_s in turns)
    return Row("read scan of 256 MiB", ours, plain, "MB/s", "dd iflag=direct", least=0.9, ratio=ratio)


def _clocked(action: Callable[[], object]) -> float:
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def _scan(image: Path) -> None:
    descriptor = os.open(image, os.O_RDONLY | os.O_DIRECT)
    try:
        with reader(descriptor, str(image)) as drive:
            for offset in range(0, SCANNED, LONG_BLOCK):
                assert isinstance(drive.read(offset, LONG_BLOCK), Reading)
    finally:
        os.close(descriptor)
