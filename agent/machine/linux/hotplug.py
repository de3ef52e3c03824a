"""Devices that appear and leave while we look (udev's monitor; Linux, NETLINK_KOBJECT_UEVENT).

This is the one place that asks udev itself, through pyudev: only an event tells of a device that left and
came back between two looks. What is there now, every reader lists from the file tree: a copied tree then
answers like the real one, and a boot image without udevd like one with it. Where udevd runs, its events are
taken, which come once a device is set up; else the kernel's own.

A device that left can no longer be asked what it was, so names are noted before.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Any, Final, Protocol

from agent.machine.linux import pci, usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, known
from reports.model.evidence import Absent, Reading, Why

SOURCE: Final = "udev events"
UDEVD: Final = "/run/udev/control"

WATCHED: Final = (("usb", "usb_device"), ("pci", None), ("block", "disk"))
"""Subsystem and device type of what a cable or a socket holds, each device once."""

_FOLDERS: Final = ("/sys/bus/usb/devices", "/sys/bus/pci/devices", "/sys/class/block")


class Motion(StrEnum):
    APPEARED = "appeared"
    LEFT = "left"


_MOTIONS: Final = {"add": Motion.APPEARED, "remove": Motion.LEFT}


@dataclass(frozen=True, slots=True)
class Change:
    """One device that moved; `inside` is whether it is part of the unit, as far as was known before."""

    motion: Motion
    id: str
    name: str
    inside: Reading | Absent


class Monitor(Protocol):
    """What is used of pyudev's."""

    def poll(self, timeout: float | None = None) -> Any: ...


@dataclass(frozen=True, slots=True)
class _Noted:
    name: str
    inside: Reading | Absent


class Watch:
    """What moved since it was made; `monitor` is absent where the system gives no events."""

    def __init__(self, tree: Tree, monitor: Monitor | Absent) -> None:
        self._tree = tree
        self._monitor = monitor
        self._noted = _snapshot(tree)

    def changes(self) -> tuple[Change, ...] | Absent:
        """Every change since the last question, oldest first."""
        if isinstance(self._monitor, Absent):
            return self._monitor
        try:
            events = tuple(iter(partial(self._monitor.poll, 0), None))
        except OSError as error:  # ENOBUFS: more of them than the socket could keep
            return Absent(Why.DID_NOT_ANSWER, SOURCE, error.strerror or "")
        return tuple(self._change(event) for event in events if event.action in _MOTIONS)

    def _change(self, event: Any) -> Change:
        folder = f"/sys{event.device_path}"
        motion = _MOTIONS[event.action]
        if motion is Motion.APPEARED:
            self._noted[folder] = _note(self._tree, folder)
        noted = self._noted.get(folder) or _note(self._tree, folder)
        return Change(motion, bus_path(self._tree, folder), noted.name, noted.inside)


@contextmanager
def watching(tree: Tree) -> Iterator[Watch]:
    """Watch the running computer while the context is open."""
    yield Watch(tree, _monitor(tree))


def _monitor(tree: Tree) -> Monitor | Absent:
    """Listening already: what happens from here on is kept by the kernel until it is asked for."""
    import pyudev  # loads the C library, which costs more than a command that watches nothing should pay

    try:
        monitor = pyudev.Monitor.from_netlink(
            pyudev.Context(), source="udev" if tree.exists(UDEVD) else "kernel"
        )
        for subsystem, sort in WATCHED:
            monitor.filter_by(subsystem, sort)
        monitor.start()
    except (OSError, ImportError) as error:  # ImportError: the C library is missing
        return Absent(Why.NOT_SUPPORTED, SOURCE, str(error)[:80])
    return monitor  # type: ignore[no-any-return]


def _snapshot(tree: Tree) -> dict[str, _Noted]:
    """By the folder of the device, as an event names it."""
    found = (tree.resolved(f"{folder}/{name}") for folder in _FOLDERS for name in tree.listed(folder))
    return {folder: _note(tree, folder) for folder in found}


def _note(tree: Tree, folder: str) -> _Noted:
    address = folder.rpartition("/")[2]
    told = known(tree.text(f"{folder}/product"))
    if tree.exists(f"{folder}/class"):
        told = pci.model(tree, pci.Device(address, -1, folder))
    elif tree.exists(f"{folder}/device"):
        told = known(tree.text(f"{folder}/device/model"))
    return _Noted(str(told.value) if isinstance(told, Reading) else "", usb.inside(tree, folder))
