"""Memory is taken up to a floor, piece by piece, and what cannot be had is not taken."""

import json
import os
import subprocess
import sys

import numpy as np
import psutil
import pytest

from agent.machine import region
from tests.support.tools import PROJECT

PIECE, MIB = region.PIECE, 1 << 20


def free(unit, mib):
    unit.file("/proc/meminfo", f"MemAvailable:   {mib * 1024} kB")


def test_a_region_is_as_large_as_asked_for_and_resident(unit):
    free(unit, 4000)
    before = psutil.Process().memory_info().rss
    held = region.taken(2 * PIECE, 100 * MIB, unit.tree)
    grown = psutil.Process().memory_info().rss - before

    assert held.words.nbytes == 2 * PIECE
    assert held.words.dtype == np.uint64
    assert grown >= 2 * PIECE - MIB


def test_taking_ends_before_the_system_has_less_than_the_floor(unit):
    left = iter((500, 460, 432, 431, 340, 300))

    def another_program_grows():
        free(unit, next(left))

    free(unit, 500)
    held = region.taken(10 * PIECE, 400 * MIB, unit.tree, another_program_grows)

    assert held.words.nbytes == 3 * PIECE, "432 MiB leave room for one more piece of 32, 431 do not"


def test_where_nothing_is_to_spare_nothing_is_taken(unit):
    free(unit, 100)

    assert len(region.taken(PIECE, 100 * MIB, unit.tree).words) == 0


def test_a_kernel_that_does_not_say_what_is_free_gets_nothing_taken(unit):
    assert len(region.taken(PIECE, 0, unit.tree).words) == 0


@pytest.mark.parametrize("permitted", [True, False])
def test_whether_it_could_be_locked_is_told(unit, permitted):
    free(unit, 4000)

    assert region.taken(PIECE, MIB, unit.tree, lock=lambda address, size: permitted).locked is permitted


def test_swapping_is_seen(unit):
    unit.file("/proc/self/status", "Name:\tx\nVmSwap:\t       0 kB\nThreads:\t1")
    assert not region.swapped(unit.tree)

    unit.file("/proc/self/status", "Name:\tx\nVmSwap:\t      16 kB\nThreads:\t1")
    assert region.swapped(unit.tree)


PREPARED = """
import json, mmap, resource
from pathlib import Path
from agent.machine import region
resource.setrlimit(resource.RLIMIT_AS, (1 << 30, resource.RLIM_INFINITY))
region.prepare(4 << 30)
try:
    mmap.mmap(-1, 6 << 30, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    more = True
except OSError:
    more = False
size = len(mmap.mmap(-1, 4 << 30, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS))
print(json.dumps([Path("/proc/self/oom_score_adj").read_text().strip(), size, more]))
"""


def test_whoever_takes_a_region_is_the_first_to_go_and_bound_to_it():
    done = subprocess.run(
        [sys.executable, "-c", PREPARED],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
    )

    assert json.loads(done.stdout) == ["1000", 4 << 30, False]
