"""The processor's caches (Linux, Documentation/ABI/testing/sysfs-devices-system-cpu, `cache/index*`)."""

from __future__ import annotations

import re
from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CPUS: Final = "/sys/devices/system/cpu"
_UNITS: Final = {"": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30}


def last_level(tree: Tree) -> Reading | Absent:
    """Bytes of the largest cache of the highest level that any processor has."""
    sizes = [found for cpu in tree.listed(CPUS) if re.fullmatch(r"cpu\d+", cpu) for found in _of(tree, cpu)]
    if not sizes:
        return Absent(Why.NOT_THERE, f"{CPUS}/cpu0/cache")
    level, size = max(sizes)
    return Reading(size, "bytes", f"{CPUS}, cache of level {level}")


def _of(tree: Tree, cpu: str) -> list[tuple[int, int]]:
    """(level, bytes) of each cache of one processor that holds data."""
    folder, found = f"{CPUS}/{cpu}/cache", []
    for name in tree.listed(folder):
        level = tree.integer(f"{folder}/{name}/level")
        size = re.fullmatch(r"(\d+)([KMG]?)", tree.words(f"{folder}/{name}/size"))
        if isinstance(level, Reading) and size and tree.words(f"{folder}/{name}/type") != "Instruction":
            found.append((int(level.value), int(size[1]) * _UNITS[size[2]]))
    return found
