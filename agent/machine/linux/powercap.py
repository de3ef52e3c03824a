"""Energy counters of the processor package (Linux, Documentation/power/powercap/powercap.rst).

`energy_uj` counts microjoule and starts again at 0 after `max_energy_range_uj`; since 2020 only root
may read it. A zone `package-N` is a whole processor, its children are parts of it and are not added.
Some processors show the same package twice, once through registers and once through memory
(`intel-rapl`, `intel-rapl-mmio`): of two zones of one name only the first counts.

Read often enough: a package of 100 W goes once around a range of 262 kJ in 44 minutes, and a second
time around cannot be seen.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/powercap"


def joules_between(before: int, after: int, energy_range: int) -> float:
    """What flowed from one reading to the next, joules; all arguments in microjoule."""
    used = after - before
    return (used if used >= 0 else used + energy_range) / 1e6


@dataclass(slots=True)
class PackageEnergy:
    """Joules used by all packages since the first reading; holds the last raw value of each."""

    tree: Tree
    _last: dict[str, int] = field(default_factory=dict)
    _joules: float = 0.0

    def read(self) -> Reading | Absent:
        """The sum so far. Any package that does not answer leaves the sum as it is, and is the answer."""
        zones = packages(self.tree)
        if isinstance(zones, Absent):
            return zones
        for zone in zones:
            used = self._advance(zone)
            if isinstance(used, Absent):
                return used
            self._joules += used
        return Reading(round(self._joules, 6), "joules", f"{CLASS} ({', '.join(_short(zones))})")

    def _advance(self, zone: str) -> float | Absent:
        now = self.tree.integer(f"{zone}/energy_uj")
        top = self.tree.integer(f"{zone}/max_energy_range_uj")
        if isinstance(now, Absent):
            return now
        before = self._last.get(zone, int(now.value))
        if int(now.value) < before and isinstance(top, Absent):
            return top
        self._last[zone] = int(now.value)
        return joules_between(before, int(now.value), int(top.value) if isinstance(top, Reading) else 0)


def packages(tree: Tree) -> tuple[str, ...] | Absent:
    """The folders of the packages' zones, one for each package."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    found: dict[str, str] = {}
    for folder in (f"{CLASS}/{name}" for name in names):
        name = tree.words(f"{folder}/name")
        if re.fullmatch(r"package-\d+", name):
            found.setdefault(name, folder)
    return tuple(found.values()) or Absent(Why.NOT_THERE, CLASS, "no package counts its energy")


def long_term_limit(tree: Tree) -> Reading | Absent:
    """Watts that all packages may use for long, by the limit that firmware or system set; not supported where
    none is switched on. Each constraint has a name, and a zone its switch (the same document)."""
    zones = packages(tree)
    if isinstance(zones, Absent):
        return zones
    limits = [_long_term(tree, zone) for zone in zones]
    watts = 0.0
    for limit in limits:
        if isinstance(limit, Absent):
            return limit
        watts += float(limit.value)
    return Reading(watts, "W", f"{CLASS} ({', '.join(_short(zones))})")


def _long_term(tree: Tree, zone: str) -> Reading | Absent:
    names = (match for name in tree.listed(zone) if (match := re.fullmatch(r"constraint_(\d+)_name", name)))
    for match in names:
        if tree.words(f"{zone}/{match[0]}") == "long_term":
            off = tree.words(f"{zone}/enabled") == "0"
            path = f"{zone}/constraint_{match[1]}_power_limit_uw"
            return Absent(Why.NOT_SUPPORTED, path, "off") if off else tree.scaled(path, 1_000_000, "W")
    return Absent(Why.NOT_SUPPORTED, zone, "no limit for long")


def _short(zones: tuple[str, ...]) -> list[str]:
    return [zone.rpartition("/")[2] for zone in zones]
