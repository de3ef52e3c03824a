"""Cameras (Linux, Documentation/userspace-api/media/v4l: VIDIOC_QUERYCAP).

One camera shows several nodes: pictures, metadata, sometimes a second sensor. A node counts when it
can capture pictures, and nodes of one interface are one camera. What a node can do the node itself
says best; where it may not be opened, udev's note of the same question; where there is neither, a
node's `index`, 0 for the first of its interface.

A USB camera that no driver took is a camera all the same: its interface says so (USB Device Class
Definition for Video Devices 1.5, A.1 and A.2: class 0Eh, subclass 01h).
"""

from __future__ import annotations

import os
import re
import stat
import struct
from collections.abc import Callable
from dataclasses import dataclass
from fcntl import ioctl
from typing import Final

from agent.machine.linux import udevdb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, gathered
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/video4linux"
USB: Final = "/sys/bus/usb/devices"

# linux/videodev2.h: struct v4l2_capability is driver[16] card[32] bus_info[32] and six 32-bit words
_CAPABILITY: Final = struct.Struct("=16s32s32s6I")
_QUERYCAP: Final = 0x80000000 | _CAPABILITY.size << 16 | ord("V") << 8
_PICTURES: Final = 0x00000001 | 0x00001000  # VIDEO_CAPTURE, VIDEO_CAPTURE_MPLANE
_CONVERTER: Final = 0x00008000 | 0x00004000  # memory to memory: a codec, no camera
_VIDEO_CONTROL: Final = ("0e", "01")
_PER_NODE: Final = 0x80000000  # DEVICE_CAPS: the next word speaks of this node alone


@dataclass(frozen=True, slots=True)
class Node:
    """A camera: `id` the bus path of its device, `node` its file under `/dev`, "" without a driver."""

    id: str
    node: str
    model: Reading | Absent
    driver: Reading | Absent


def cameras(tree: Tree, ask: Callable[[str], int] | None = None) -> tuple[Node, ...] | Absent:
    """One node for each camera. `ask` gives the capability bits of a device file or raises OSError."""
    names = tree.names(CLASS)
    if isinstance(names, Absent) and (names.why is not Why.NOT_THERE or not tree.exists("/sys/class")):
        return names
    # the class is made with the first camera: without it there is none that a driver took
    found: dict[str, Node] = {}
    for name in (each for each in tree.listed(CLASS) if re.fullmatch(r"video\d+", each)):
        if captures(tree, name, ask or capabilities):
            node = _node(tree, name)
            found.setdefault(node.id, node)
    idle = _without_driver(tree)
    if isinstance(idle, Absent):
        return idle
    return (*found.values(), *(each for each in idle if each.id not in found))


def captures(tree: Tree, name: str, ask: Callable[[str], int]) -> bool:
    """Whether the node `name` gives pictures."""
    try:
        bits = ask(str(tree.real(f"/dev/{name}")))
    except OSError:
        return _by_udev(tree, name)
    return bool(bits & _PICTURES) and not bits & _CONVERTER


def capabilities(path: str) -> int:
    """The capability bits of this node alone. Opening a camera's node starts nothing."""
    if not stat.S_ISCHR(os.stat(path).st_mode):
        raise OSError(f"{path} is no device")
    # V4L2 asks for O_RDWR and calls that a technicality (open() there); a question needs no right to write
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        answer = bytearray(_CAPABILITY.size)
        ioctl(descriptor, _QUERYCAP, answer)
    finally:
        os.close(descriptor)
    *_, whole, node, _, _, _ = _CAPABILITY.unpack(answer)
    return int(node if whole & _PER_NODE else whole)


def _by_udev(tree: Tree, name: str) -> bool:
    noted = udevdb.properties(tree, f"{CLASS}/{name}", "c").get("ID_V4L_CAPABILITIES")
    if noted is not None:
        return ":capture:" in noted
    return tree.words(f"{CLASS}/{name}/index") in ("", "0")


def _node(tree: Tree, name: str) -> Node:
    device = f"{CLASS}/{name}/device"
    return Node(
        id=bus_path(tree, device if tree.exists(device) else f"{CLASS}/{name}"),
        node=f"/dev/{name}",
        model=tree.text(f"{CLASS}/{name}/name"),
        driver=tree.driver(device),
    )


def _without_driver(tree: Tree) -> tuple[Node, ...] | Absent:
    interfaces = [f"{USB}/{name}" for name in tree.listed(USB) if ":" in name]
    idle = [each for each in interfaces if isinstance(tree.driver(each), Absent)]
    sorts = gathered(_sort(tree, each) for each in idle)
    if isinstance(sorts, Absent):
        return sorts
    return tuple(
        Node(bus_path(tree, each), "", tree.text(f"{_usb_device(tree, each)}/product"), tree.driver(each))
        for each, sort in zip(idle, sorts, strict=True)
        if sort == _VIDEO_CONTROL
    )


def _sort(tree: Tree, interface: str) -> tuple[str, str] | Absent:
    """Class and subclass of an interface."""
    told = gathered(tree.sort(f"{interface}/bInterface{what}") for what in ("Class", "SubClass"))
    return told if isinstance(told, Absent) else (told[0], told[1])


def _usb_device(tree: Tree, interface: str) -> str:
    return tree.resolved(interface).rpartition("/")[0]
