"""Memory errors that were corrected or not (Linux, Documentation/ABI/testing/sysfs-devices-edac).

Counters since the driver was loaded; only memory with error correction has them. A counter is judged by
how much it grows. `dimm_label` is the socket's name where the firmware told it to the driver.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CONTROLLERS: Final = "/sys/devices/system/edac/mc"


@dataclass(frozen=True, slots=True)
class Counted:
    """The errors of a memory controller, or of one module of it."""

    id: str
    label: str
    corrected: Reading | Absent
    uncorrected: Reading | Absent


def controllers(tree: Tree) -> tuple[Counted, ...] | Absent:
    """Every memory controller; not supported where the memory has no error correction."""
    names = [name for name in tree.listed(CONTROLLERS) if re.fullmatch(r"mc\d+", name)]
    if not names:
        return Absent(Why.NOT_SUPPORTED, CONTROLLERS, "no controller counts errors")
    return tuple(
        _counted(tree, f"{CONTROLLERS}/{name}", name, tree.words(f"{CONTROLLERS}/{name}/mc_name"), "")
        for name in names
    )


def modules(tree: Tree) -> tuple[Counted, ...] | Absent:
    """Every module that a controller counts for; none where the driver counts for the whole only."""
    found = controllers(tree)
    if isinstance(found, Absent):
        return found
    return tuple(each for controller in found for each in _modules(tree, controller.id))


def _modules(tree: Tree, controller: str) -> tuple[Counted, ...]:
    folder = f"{CONTROLLERS}/{controller}"
    names = [name for name in tree.listed(folder) if re.fullmatch(r"(dimm|rank)\d+", name)]
    return tuple(
        _counted(tree, f"{folder}/{name}", f"{controller}/{name}", _label(tree, folder, name), "dimm_")
        for name in names
    )


def _label(tree: Tree, folder: str, name: str) -> str:
    return tree.words(f"{folder}/{name}/dimm_label") or name


def _counted(tree: Tree, folder: str, id: str, label: str, prefix: str) -> Counted:
    return Counted(
        id, label, tree.integer(f"{folder}/{prefix}ce_count"), tree.integer(f"{folder}/{prefix}ue_count")
    )
