"""Bluetooth controllers (Linux, class `bluetooth`: one `hci` for each that a driver took)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import rfkill, usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, known
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/bluetooth"


@dataclass(frozen=True, slots=True)
class Controller:
    """One controller; `inside` is whether it is part of the unit."""

    id: str
    model: Reading | Absent
    driver: Reading | Absent
    inside: Reading | Absent
    soft_blocked: Reading | Absent
    hard_blocked: Reading | Absent


def controllers(tree: Tree) -> tuple[Controller, ...] | Absent:
    """Every controller; a kernel that has the bus and no class yet has found none."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names if names.why is not Why.NOT_THERE or not tree.exists("/sys/class") else ()
    return tuple(_controller(tree, name) for name in names if re.fullmatch(r"hci\d+", name))


def _controller(tree: Tree, name: str) -> Controller:
    folder = f"{CLASS}/{name}"
    device = f"{folder}/device"
    return Controller(
        id=bus_path(tree, device if tree.exists(device) else folder),
        model=known(tree.text(f"{tree.resolved(device).rpartition('/')[0]}/product")),
        driver=tree.driver(device),
        inside=usb.inside(tree, device),
        soft_blocked=rfkill.blocked(tree, "bluetooth", tree.resolved(folder), "soft"),
        hard_blocked=rfkill.blocked(tree, "bluetooth", tree.resolved(folder), "hard"),
    )
