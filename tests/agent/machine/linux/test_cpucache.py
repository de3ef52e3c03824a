"""The largest cache: what a trial of memory must reach past."""

import subprocess

from agent.machine.linux import cpucache
from agent.machine.linux.files import Tree
from reports.model.evidence import Reading, Why
from tests.support.tools import need


def cache(unit, cpu, index, level, size, type="Unified"):
    folder = f"/sys/devices/system/cpu/cpu{cpu}/cache/index{index}"
    for name, content in (("level", level), ("size", size), ("type", type)):
        unit.file(f"{folder}/{name}", content)


def test_the_last_level_counts_and_of_unlike_cores_the_larger_one(unit):
    cache(unit, 0, 0, 1, "32K", "Data")
    cache(unit, 0, 1, 1, "128K", "Instruction")
    cache(unit, 0, 2, 2, "2048K")
    cache(unit, 0, 3, 3, "12M")
    cache(unit, 10, 3, 3, "16384K")

    assert cpucache.last_level(unit.tree).value == 16 << 20


def test_a_size_that_makes_no_sense_is_passed_over(unit):
    cache(unit, 0, 2, 2, "512K")
    cache(unit, 0, 3, 3, "much")

    assert cpucache.last_level(unit.tree).value == 512 << 10


def test_a_computer_that_shows_no_cache_says_so(unit):
    assert cpucache.last_level(unit.tree).why is Why.NOT_THERE


def test_this_computer_s_is_what_lscpu_says():
    rows = subprocess.run(
        [need("lscpu"), "--bytes", "--caches=LEVEL,ONE-SIZE"], capture_output=True, text=True, check=True
    ).stdout.split("\n")[1:]
    largest = max(tuple(map(int, row.split())) for row in rows if row)

    found = cpucache.last_level(Tree())

    assert isinstance(found, Reading)
    assert found.value == largest[1]
