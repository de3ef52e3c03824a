"""Thermal zones (Linux, Documentation/driver-api/thermal/sysfs-api.rst).

`temp` is millidegree Celsius; `type` the name; trip points of type `critical` are where the kernel
would switch the unit off. Most zones show up among the hwmon chips as well: those are left to `hwmon`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/thermal"
PREFIX: Final = "zone "
"""How ids of zones begin, so that they are told from those of chips."""

PROCESSOR: Final = ("x86_pkg_temp", "cpu-thermal", "cpu_thermal", "soc-thermal", "TCPU")
"""Zone types that sit on the processor, best first (drivers/thermal/intel/x86_pkg_temp_thermal.c and
common device trees)."""


@dataclass(frozen=True, slots=True)
class Zone:
    """One zone: `id` stays the same over starts, `folder` is where its files lie today."""

    id: str
    type: str
    folder: str


def zones(tree: Tree) -> tuple[Zone, ...] | Absent:
    """The zones that hwmon does not show already."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    folders = [f"{CLASS}/{name}" for name in names if re.fullmatch(r"thermal_zone\d+", name)]
    taken: dict[str, int] = {}
    return tuple(_zone(tree, folder, taken) for folder in folders if not _shown_by_hwmon(tree, folder))


def celsius(tree: Tree, zone: Zone) -> Reading | Absent:
    """What the zone says now."""
    source = f"{zone.folder}/temp"
    if tree.words(f"{zone.folder}/mode") == "disabled":
        return Absent(Why.SWITCHED_OFF, source)
    return tree.scaled(source, 1000, "celsius")


def critical(tree: Tree, zone: Zone) -> Reading | Absent:
    """The lowest trip point of type `critical`."""
    trips = [
        tree.scaled(f"{zone.folder}/{name.removesuffix('_type')}_temp", 1000, "celsius")
        for name in tree.listed(zone.folder)
        if re.fullmatch(r"trip_point_\d+_type", name) and tree.words(f"{zone.folder}/{name}") == "critical"
    ]
    # 0 and below is how firmware says that a trip point is not set
    sound = [trip for trip in trips if isinstance(trip, Reading) and trip.value > 0]  # type: ignore[operator]
    return min(sound, key=lambda trip: float(trip.value), default=Absent(Why.NOT_THERE, zone.folder))


def nearest_processor(found: tuple[Zone, ...]) -> Zone | None:
    """The zone that sits on the processor, None where no type says so."""
    return next((zone for type in PROCESSOR for zone in found if zone.type == type), None)


def _zone(tree: Tree, folder: str, taken: dict[str, int]) -> Zone:
    type = tree.words(f"{folder}/type") or "unnamed"
    device = f"{folder}/device"
    id = f"{PREFIX}{type}" + (f"@{bus_path(tree, device)}" if tree.exists(device) else "")
    taken[id] = taken.get(id, 0) + 1
    return Zone(id if taken[id] == 1 else f"{id}#{taken[id]}", type, folder)


def _shown_by_hwmon(tree: Tree, folder: str) -> bool:
    return any(name.startswith("hwmon") for name in tree.listed(folder))
