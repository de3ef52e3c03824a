"""Errors on PCI Express links (Linux, Documentation/ABI/testing/sysfs-bus-pci-devices-aer_stats).

Each file lists the kinds of error with their counts since the start and ends with a total. Counters
are judged by how much they grow: a few corrected errors at start are common (common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from agent.machine.linux import pci
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, not_understood, number
from reports.model.evidence import Absent, Reading, Why


@dataclass(frozen=True, slots=True)
class Errors:
    """The totals of one function since the start; `what` is its sort in words."""

    id: str
    what: str
    corrected: Reading | Absent
    nonfatal: Reading | Absent
    fatal: Reading | Absent


def errors(tree: Tree) -> tuple[Errors, ...] | Absent:
    """Every function that counts its errors; not supported where none does."""
    found = pci.devices(tree)
    if isinstance(found, Absent):
        return found
    counting = [each for each in found if tree.exists(f"{each.folder}/aer_dev_correctable")]
    if not counting:
        return Absent(Why.NOT_SUPPORTED, pci.DEVICES, "no device counts the errors of its link")
    return tuple(_errors(tree, each) for each in counting)


def _errors(tree: Tree, device: pci.Device) -> Errors:
    folder = device.folder
    return Errors(
        id=bus_path(tree, folder),
        what=pci.sort(device),
        corrected=_total(tree, f"{folder}/aer_dev_correctable", "COR"),
        nonfatal=_total(tree, f"{folder}/aer_dev_nonfatal", "NONFATAL"),
        fatal=_total(tree, f"{folder}/aer_dev_fatal", "FATAL"),
    )


def _total(tree: Tree, path: str, kind: str) -> Reading | Absent:
    text = tree.text(path)
    if isinstance(text, Absent):
        return text
    total = re.search(rf"^TOTAL_ERR_{kind} (\d+)$", str(text.value), re.MULTILINE)
    return number(int(total[1]), "", path) if total else not_understood(str(text.value), path)
