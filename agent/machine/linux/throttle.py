"""How often the processor slowed down because of heat (Linux,
Documentation/ABI/testing/sysfs-devices-system-cpu: `thermal_throttle`).

Counters since the start; they exist for the processors of one maker only. Every logical processor repeats
its package's counters, and both threads of a core may count the same event: a package and a core are
counted once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CPUS: Final = "/sys/devices/system/cpu"


@dataclass(frozen=True, slots=True)
class Throttled:
    """Events since the start, and for how long the packages were slowed (seconds)."""

    core_events: Reading | Absent
    package_events: Reading | Absent
    package_time: Reading | Absent


def throttled(tree: Tree) -> Throttled:
    """Sums over all cores and all packages."""
    cpus = [f"{CPUS}/{name}" for name in tree.listed(CPUS) if re.fullmatch(r"cpu\d+", name)]
    return Throttled(
        core_events=_sum(tree, cpus, "core_throttle_count", "core"),
        package_events=_sum(tree, cpus, "package_throttle_count", "package"),
        package_time=_seconds(_sum(tree, cpus, "package_throttle_total_time_ms", "package")),
    )


def _sum(tree: Tree, cpus: Iterable[str], name: str, per: str) -> Reading | Absent:
    """The largest count of each core or package, added."""
    most: dict[str, int] = {}
    for cpu in cpus:
        count = tree.integer(f"{cpu}/thermal_throttle/{name}")
        if isinstance(count, Absent):
            if count.why is not Why.NOT_THERE:
                return count
            continue
        place = _place(tree, cpu, per)
        most[place] = max(most.get(place, 0), int(count.value))
    source = f"{CPUS}/cpu*/thermal_throttle/{name}"
    return Reading(sum(most.values()), "", source) if most else Absent(Why.NOT_SUPPORTED, source)


def _place(tree: Tree, cpu: str, per: str) -> str:
    """The package, or the core within it; a kernel that shows neither has one package, each cpu a core."""
    package = tree.words(f"{cpu}/topology/physical_package_id") or "0"
    core = tree.words(f"{cpu}/topology/core_id") or cpu
    return package if per == "package" else f"{package}/{core}"


def _seconds(milliseconds: Reading | Absent) -> Reading | Absent:
    if isinstance(milliseconds, Absent):
        return milliseconds
    return Reading(int(milliseconds.value) / 1000, "s", milliseconds.source)
