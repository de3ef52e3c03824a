"""The real-time clock (Linux, Documentation/ABI/testing/sysfs-class-rtc).

`since_epoch` is its date and time as seconds since 1970, as if it were UTC; whether it is, or local time,
only the owner's system knows. A clock that lost its power refuses with EINVAL until it is set.
"""

from __future__ import annotations

from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/rtc"


def seconds(tree: Tree) -> Reading | Absent:
    """The time of the clock that the kernel set its own by (`hctosys`), else of the first one."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    if not names:
        return Absent(Why.NOT_THERE, CLASS, "no real-time clock")
    chosen = next((name for name in names if tree.words(f"{CLASS}/{name}/hctosys") == "1"), names[0])
    return tree.integer(f"{CLASS}/{chosen}/since_epoch", "s")
