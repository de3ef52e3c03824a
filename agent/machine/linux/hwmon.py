"""Sensor chips: temperatures and tachometers (Linux, Documentation/hwmon/sysfs-interface.rst).

`temp*_input` is millidegree Celsius and `fan*_input` revolutions per minute, already divided by the
pulses per revolution. ENODATA means that the channel is disabled, `temp*_fault` that its sensor is open
or shorted. A chip is named by its driver and by where it sits on its bus: `hwmon3` is another chip
after the next start.

Some chips give the voltage over a thermistor in the `temp*` files, in millivolt, and nothing in the
file says so; the drivers that do are listed in `NOT_CELSIUS`. Converting needs the resistors of
the board, so such a channel is not supported rather than wrong by tens of degrees.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, first
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/hwmon"

NOT_CELSIUS: Final[Mapping[str, frozenset[int]]] = {
    "vt1211": frozenset({1, 3, 4, 5, 6, 7}),
    "vt8231": frozenset({1, 2, 3, 4, 5, 6}),
}
"""Driver to temperature channels that are no celsius (comments over TEMP_FROM_REG in Linux
drivers/hwmon/vt1211.c and vt8231.c: thermistors give the voltage at the pin, channel 1 an unscaled
diode)."""

PROCESSOR: Final[tuple[tuple[str, str], ...]] = (
    ("coretemp", "Package id 0"),
    ("coretemp", "Physical id 0"),
    ("k10temp", "Tdie"),
    ("k10temp", "Tctl"),
    ("k8temp", ""),
    ("fam15h_power", ""),
    ("via_cputemp", ""),
    ("cpu_thermal", ""),
    ("soc_thermal", ""),
    ("", "CPU"),
)
"""Driver and label of the sensor on the processor itself, best first; "" fits any. Labels are those of
the drivers (drivers/hwmon/coretemp.c, k10temp.c); the last line is for embedded controllers."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One temperature or fan of a chip: `id` stays the same over starts.

    `folder` holds its files today. It is the device's own and not the class link, so that a chip which
    takes over the number of one that went away is not mistaken for it.
    """

    id: str
    chip: str
    label: str
    folder: str
    number: int

    def file(self, prefix: str, item: str) -> str:
        return f"{self.folder}/{prefix}{self.number}_{item}"


def temperatures(tree: Tree) -> tuple[Channel, ...] | Absent:
    """Every temperature channel of every chip."""
    return _channels(tree, "temp")


def fans(tree: Tree) -> tuple[Channel, ...] | Absent:
    """Every tachometer of every chip."""
    return _channels(tree, "fan")


def celsius(tree: Tree, channel: Channel) -> Reading | Absent:
    """What the sensor says now."""
    return _temperature(tree, channel, "input")


def critical(tree: Tree, channel: Channel) -> Reading | Absent:
    """The critical limit that the chip reports, else its emergency limit."""
    return first(_temperature(tree, channel, "crit"), _temperature(tree, channel, "emergency"))


def rpm(tree: Tree, channel: Channel) -> Reading | Absent:
    """What the tachometer says now; a reading of 0 is a fan that stands still or is unplugged."""
    enable = channel.file("fan", "enable")
    if tree.words(enable) == "0":
        return Absent(Why.SWITCHED_OFF, enable)
    return tree.integer(channel.file("fan", "input"), "rpm")


def nearest_processor(channels: tuple[Channel, ...]) -> Channel | None:
    """The channel that sits on the processor, None where no driver says so."""
    for chip, label in PROCESSOR:
        for channel in channels:
            if chip in ("", channel.chip) and label.casefold() in ("", channel.label.casefold()):
                return channel
    return None


def _temperature(tree: Tree, channel: Channel, item: str) -> Reading | Absent:
    source = channel.file("temp", item)
    if channel.number in NOT_CELSIUS.get(channel.chip, frozenset()):
        return Absent(Why.NOT_SUPPORTED, source, "the driver gives a voltage here, not a temperature")
    if tree.words(channel.file("temp", "enable")) == "0":
        return Absent(Why.SWITCHED_OFF, source)
    if tree.words(channel.file("temp", "fault")) == "1":
        return Absent(Why.DID_NOT_ANSWER, source, "the chip reports its sensor as open or shorted")
    return tree.scaled(source, 1000, "celsius")


def _channels(tree: Tree, prefix: str) -> tuple[Channel, ...] | Absent:
    chips = tree.names(CLASS)
    if isinstance(chips, Absent):
        unknown = chips.why is Why.NOT_THERE
        return Absent(Why.NOT_SUPPORTED, CLASS, "the kernel shows no sensors") if unknown else chips
    taken: dict[str, int] = {}
    return tuple(channel for chip in chips for channel in _of_chip(tree, f"{CLASS}/{chip}", prefix, taken))


def _of_chip(tree: Tree, chip: str, prefix: str, taken: dict[str, int]) -> tuple[Channel, ...]:
    folder = tree.resolved(_attributes(tree, chip))
    name = tree.words(f"{folder}/name") or "unnamed"
    id = _unique(f"{name}@{_place(tree, chip)}", taken)
    return tuple(
        Channel(f"{id}/{prefix}{channel}", name, _label(tree, folder, prefix, channel), folder, channel)
        for channel in _numbers(tree, folder, prefix)
    )


def _attributes(tree: Tree, chip: str) -> str:
    """Old drivers keep their files in the parent device; the class folder is then without a name."""
    device = f"{chip}/device"
    return device if not tree.exists(f"{chip}/name") and tree.exists(f"{device}/name") else chip


def _place(tree: Tree, chip: str) -> str:
    device = f"{chip}/device"
    if tree.exists(device):
        return bus_path(tree, device)
    parent = tree.resolved(chip).rpartition("/hwmon/")[0]
    return "virtual" if parent in ("", "/sys/devices/virtual", "/sys/class") else bus_path(tree, parent)


def _unique(id: str, taken: dict[str, int]) -> str:
    """Two chips of one driver at one place (two virtual ones, say) are told apart by their order."""
    taken[id] = taken.get(id, 0) + 1
    return id if taken[id] == 1 else f"{id}#{taken[id]}"


def _numbers(tree: Tree, folder: str, prefix: str) -> tuple[int, ...]:
    found = (re.fullmatch(rf"{prefix}(\d+)_input", name) for name in tree.listed(folder))
    return tuple(sorted(int(match[1]) for match in found if match))


def _label(tree: Tree, folder: str, prefix: str, channel: int) -> str:
    return tree.words(f"{folder}/{prefix}{channel}_label") or f"{prefix}{channel}"
