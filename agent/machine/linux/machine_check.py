"""Machine checks that the processors raised (Linux, arch/x86/kernel/irq.c: lines of /proc/interrupts).

`MCE` counts exceptions, `THR` interrupts of error thresholds (corrected errors), `DFR` those of deferred
errors, one column for each processor. `MCP`, polls, is no error. Processors of other makes have no such line.
"""

from __future__ import annotations

import re
from typing import Final

from agent.machine.linux.files import Tree, number
from reports.model.evidence import Absent, Reading, Why

FILE: Final = "/proc/interrupts"

_LINE: Final = re.compile(r"^ *(?:MCE|THR|DFR):((?: +\d+)+)", re.MULTILINE)


def raised(tree: Tree) -> Reading | Absent:
    """How many since the start, of all processors."""
    data = tree.data(FILE)
    if isinstance(data, Absent):
        return data
    found = _LINE.findall(data.decode(errors="replace"))
    if not found:
        return Absent(Why.NOT_SUPPORTED, FILE, "no line counts machine checks")
    return number(sum(int(count) for line in found for count in line.split()), "", FILE)
