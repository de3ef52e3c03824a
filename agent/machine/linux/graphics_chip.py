"""Graphics chips: the file that a load goes through, and what tells of their heat and power.

A driver that draws has a render node (Linux, Documentation/gpu/drm-uapi.rst); those of virtual machines
draw with the chip of their host. Temperatures are those of the chip's own sensor chip, below it on the
bus (Documentation/hwmon/sysfs-interface.rst). `energy1_input` counts microjoule of the whole device
(Documentation/ABI/testing/sysfs-driver-intel-i915-hwmon and -xe-hwmon); `power1_average` and, where that is
not there, `power1_input` are microwatt (drivers/gpu/drm/amd/pm/amdgpu_pm.c), and are summed here over time.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from agent.machine.linux import hwmon, pci
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, first
from reports.model.evidence import Absent, Reading, Why

NODES: Final = "/dev/dri"

_OF_A_HOST: Final = ("virtio-pci", "virtio_gpu", "vmwgfx", "qxl", "bochs-drm", "vboxvideo", "hyperv_drm")
"""Drivers whose chip is none of this unit's."""

_NEAREST: Final = ("edge", "pkg", "gpu core", "")
"""Labels of the temperature to watch, best first; "" fits any (drivers' own, amdgpu_pm.c and xe_hwmon.c)."""


@dataclass(frozen=True, slots=True)
class Chip:
    """A display controller: `node` is its render node, a path in /dev/dri. `sensors` are its own, that
    nearest to its heat first; `folder` holds the files of its sensor chip today, "" where it has none."""

    id: str
    model: Reading | Absent
    on_card: Reading
    node: Reading | Absent
    sensors: tuple[hwmon.Channel, ...]
    folder: str


def chips(tree: Tree) -> tuple[Chip, ...] | Absent:
    """Every display controller."""
    found = pci.of_classes(tree, pci.DISPLAY_CONTROLLERS)
    if isinstance(found, Absent):
        return found
    channels = hwmon.temperatures(tree)
    known = () if isinstance(channels, Absent) else channels
    return tuple(_chip(tree, device, known) for device in found)


def _chip(tree: Tree, device: pci.Device, channels: tuple[hwmon.Channel, ...]) -> Chip:
    below = tree.resolved(device.folder) + "/"
    own = sorted((each for each in channels if each.folder.startswith(below)), key=_rank)
    folder = own[0].folder if own else _sensor_chip(tree, device.folder)
    return Chip(
        id=bus_path(tree, device.folder),
        model=pci.model(tree, device),
        on_card=pci.on_card(device),
        node=_node(tree, device),
        sensors=tuple(own),
        folder=folder,
    )


def _rank(channel: hwmon.Channel) -> int:
    label = channel.label.casefold()
    return next(place for place, known in enumerate(_NEAREST) if known in ("", label))


def _sensor_chip(tree: Tree, device: str) -> str:
    """One that tells of power alone."""
    return next((f"{device}/hwmon/{name}" for name in sorted(tree.listed(f"{device}/hwmon"))), "")


def _node(tree: Tree, device: pci.Device) -> Reading | Absent:
    source = f"{device.folder}/drm"
    driver = tree.driver(device.folder)
    if isinstance(driver, Absent):
        return driver
    if driver.value in _OF_A_HOST:
        return Absent(Why.NOT_SUPPORTED, source, "it draws with a chip outside this computer")
    nodes = [name for name in sorted(tree.listed(source)) if re.fullmatch(r"renderD\d+", name)]
    if not nodes:
        return Absent(Why.NOT_SUPPORTED, source, f"the driver {driver.value} does not draw")
    return Reading(f"{NODES}/{nodes[0]}", "", source)


@dataclass(slots=True)
class ChipEnergy:
    """Joules used by a chip since the first reading; what only tells its power is summed up at each."""

    tree: Tree
    folder: str
    now_s: Callable[[], float]
    _first: int | None = None
    _joules: float = 0.0
    _read_s: float | None = field(default=None)

    def read(self) -> Reading | Absent:
        """The sum so far; not supported where the chip tells neither energy nor power."""
        counted = self.tree.integer(f"{self.folder}/energy1_input")
        if isinstance(counted, Reading):
            self._first = int(counted.value) if self._first is None else self._first
            return Reading((int(counted.value) - self._first) / 1e6, "joules", counted.source)
        power = first(*(self.tree.scaled(f"{self.folder}/power1_{name}", 1_000_000, "W") for name in _POWERS))
        if isinstance(power, Absent):
            return Absent(Why.NOT_SUPPORTED, power.source, "this chip does not tell its power")
        now_s = self.now_s()
        self._joules += float(power.value) * (now_s - (now_s if self._read_s is None else self._read_s))
        self._read_s = now_s
        return Reading(round(self._joules, 6), "joules", power.source)


_POWERS: Final = ("average", "input")
