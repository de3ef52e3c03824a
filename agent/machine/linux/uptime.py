"""Seconds since the start (proc_uptime(5): the first number of /proc/uptime)."""

from __future__ import annotations

import re
from typing import Final

from agent.machine.linux.files import Tree, not_understood
from reports.model.evidence import Absent, Reading

FILE: Final = "/proc/uptime"


def seconds(tree: Tree) -> Reading | Absent:
    """Time asleep included."""
    text = tree.text(FILE)
    if isinstance(text, Absent):
        return text
    first = re.match(r"\d+(\.\d+)?(?=\s)", str(text.value))
    return Reading(float(first[0]), "s", FILE) if first else not_understood(str(text.value), FILE)
