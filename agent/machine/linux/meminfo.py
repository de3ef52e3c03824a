"""`/proc/meminfo`: what the kernel has to give out.

Its `kB` are KiB (Linux, Documentation/filesystems/proc.rst). Read here and not through psutil, which
knows no other root than the running machine's; the tests compare the two.
"""

from __future__ import annotations

import re
from typing import Final

from agent.machine.linux import cgroup
from agent.machine.linux.files import Tree, not_understood, number
from reports.model.evidence import Absent, Reading, Why

MEMINFO: Final = "/proc/meminfo"


def total(tree: Tree) -> Reading | Absent:
    """`MemTotal` in bytes: less than is fitted, by what firmware and graphics keep for themselves."""
    return field(tree, "MemTotal")


def available(tree: Tree) -> Reading | Absent:
    """What can be had without swapping, bytes: `MemAvailable`, or less where a control group bounds us."""
    free, room = field(tree, "MemAvailable"), cgroup.headroom(tree)
    if isinstance(free, Absent) or room is None:
        return free
    return min(free, room, key=lambda each: int(each.value))


def field(tree: Tree, name: str) -> Reading | Absent:
    """One line of the file, in bytes."""
    text = tree.text(MEMINFO)
    if isinstance(text, Absent):
        return text
    line = re.search(rf"^{re.escape(name)}:(.*)$", str(text.value), re.MULTILINE)
    if line is None:
        return Absent(Why.NOT_THERE, MEMINFO, name)
    value = re.fullmatch(r"\s*(\d+) kB", line[1])
    return number(int(value[1]) << 10, "bytes", MEMINFO) if value else not_understood(line[0], MEMINFO)
