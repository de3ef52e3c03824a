"""The real-time clock (Linux, Documentation/ABI/testing/sysfs-class-rtc).

`since_epoch` is its date and time as seconds since 1970, as if it were UTC; whether it is, or local time,
only the owner's system knows. A clock that lost its power refuses with EINVAL until it is set.
"""

from __future__ import annotations

from typing import Final

from agent.machine.linux.files import Tree, not_understood
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/rtc"

_FIRST_S, _LAST_S = -62_135_596_800, 253_402_300_799
"""The years 1 to 9999, all that a date can be written in; `date -u -d 9999-12-31T23:59:59 +%s`."""


def seconds(tree: Tree) -> Reading | Absent:
    """The time of the clock that the kernel set its own by (`hctosys`), else of the first one."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    if not names:
        return Absent(Why.NOT_THERE, CLASS, "no real-time clock")
    chosen = next((name for name in names if tree.words(f"{CLASS}/{name}/hctosys") == "1"), names[0])
    said = tree.integer(f"{CLASS}/{chosen}/since_epoch", "s")
    if isinstance(said, Reading) and not _FIRST_S <= int(said.value) <= _LAST_S:
        return not_understood(str(said.value), said.source)
    return said
