"""Where a USB device sits (Linux, Documentation/ABI/testing/sysfs-bus-usb).

`removable` of a device says what the firmware or its hub knows of the port: `fixed` inside the unit,
`removable` at a socket, `unknown` where nobody wrote it down. A hub at a socket makes everything behind it
removable.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from agent.machine.linux.files import Tree, gathered
from reports.model.evidence import Absent, Reading, Why

_ROOT_HUB: Final = re.compile(r"usb\d+")


def inside(tree: Tree, device: str) -> Reading | Absent:
    """Whether the device at `device` is part of the unit; what sits on no USB bus is."""
    ports = gathered(_removable(tree, tree.resolved(device)))
    if isinstance(ports, Absent):
        return ports
    if "removable" in ports:
        return Reading(False, "", f"{device}: USB removable")
    if ports and ports[0] != "fixed":
        return Absent(Why.NOT_SUPPORTED, f"{device}: USB removable", "the firmware does not say where it is")
    return Reading(True, "", f"{device}: {'USB removable' if ports else 'not on USB'}")


def _removable(tree: Tree, place: str) -> Iterator[str | Absent]:
    """`removable` of the device and of the hubs above it, nearest first; "" where there is no such file."""
    while place.count("/") > 2:
        # the root hub (usb1) is the controller itself
        if tree.exists(f"{place}/bDeviceClass") and not _ROOT_HUB.fullmatch(place.rpartition("/")[2]):
            yield tree.sort(f"{place}/removable")
        place = place.rpartition("/")[0]
