"""Trusted platform modules (Linux, Documentation/ABI/stable/sysfs-class-tpm)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/tpm"

_VERSIONS: Final = {"1": "1.2", "2": "2.0"}
"""By `tpm_version_major`: the family of the specification that the module follows."""


@dataclass(frozen=True, slots=True)
class Module:
    """One module; `version` is the family of the specification."""

    id: str
    version: Reading | Absent


def modules(tree: Tree) -> tuple[Module, ...] | Absent:
    """Every module that a driver took; the kernel makes the class whether or not there is one."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    chips = (f"{CLASS}/{name}" for name in names if re.fullmatch(r"tpm\d+", name))
    return tuple(Module(bus_path(tree, chip), _version(tree, chip)) for chip in chips)


def _version(tree: Tree, chip: str) -> Reading | Absent:
    major = tree.text(f"{chip}/tpm_version_major")
    if isinstance(major, Absent):
        return major
    if major.value not in _VERSIONS:
        return Absent(Why.NOT_UNDERSTOOD, major.source, str(major.value))
    return Reading(_VERSIONS[str(major.value)], "", major.source)
