"""Display connectors (Linux, Documentation/gpu/drm-kms.rst; class `drm`).

A connector is named for its card and its sort: eDP, LVDS and DSI lead to a panel inside the unit, the rest
to a socket (or, in some all-in-ones, to the panel all the same). `edid` is empty where nothing answered.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import edid
from agent.machine.linux.files import Tree, not_understood
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/drm"

_CONNECTOR: Final = re.compile(r"card\d+-(?P<name>(?P<sort>.+)-\d+)")
_INSIDE: Final = ("eDP", "LVDS", "DSI")
_STATES: Final = {"connected": True, "disconnected": False}


@dataclass(frozen=True, slots=True)
class Connector:
    """One connector. `fault` is what is wrong with the panel's own data, "" where they are sound; `model`
    is the panel's name, or its maker's letters and product number."""

    id: str
    internal: bool
    connected: Reading | Absent
    fault: Reading | Absent
    model: Reading | Absent


def connectors(tree: Tree) -> tuple[Connector, ...] | Absent:
    """Every connector of every card; absent where no driver shows any."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    found = [
        match for name in names if (match := _CONNECTOR.fullmatch(name)) and match["sort"] != "Writeback"
    ]
    if not found:
        return Absent(Why.NOT_THERE, CLASS, "no display driver shows a connector")
    return tuple(_connector(tree, match) for match in found)


def _connector(tree: Tree, match: re.Match[str]) -> Connector:
    folder = f"{CLASS}/{match[0]}"
    data = tree.data(f"{folder}/edid")
    told = _told(data, f"{folder}/edid")
    return Connector(
        id=match["name"],
        internal=match["sort"] in _INSIDE,
        connected=_connected(tree, f"{folder}/status"),
        fault=told if isinstance(told, Absent) else Reading(told.fault, "", f"{folder}/edid"),
        model=told if isinstance(told, Absent) else _model(told, f"{folder}/edid"),
    )


def _connected(tree: Tree, path: str) -> Reading | Absent:
    status = tree.text(path)
    if isinstance(status, Absent):
        return status
    state = _STATES.get(str(status.value))
    return not_understood(str(status.value), path) if state is None else Reading(state, "", path)


def _told(data: bytes | Absent, source: str) -> edid.Edid | Absent:
    if isinstance(data, Absent):
        return data
    return edid.read(data) if data else Absent(Why.NOT_THERE, source, "empty")


def _model(told: edid.Edid, source: str) -> Reading | Absent:
    """`TRN 4660`, with the name where there is one."""
    if not told.maker:
        return not_understood(told.fault, source)
    numbered = f"{told.maker} {told.product}"
    return Reading(f"{numbered} {told.name}".strip(), "", source)
