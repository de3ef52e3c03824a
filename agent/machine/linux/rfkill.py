"""Switches that silence radios (Linux, Documentation/ABI/stable/sysfs-class-rfkill).

A switch is the radio's own (a child of its phy or controller) or the unit's (a key, a slider, an
airplane mode of the embedded controller), which silences every radio of its type. So one radio may
stand behind several switches, and one phy may be listed twice: any of them silences it.
"""

from __future__ import annotations

from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/rfkill"


def blocked(tree: Tree, kind: str, radio: str, item: str) -> Reading | Absent:
    """Whether a switch of `kind` ("wlan", "bluetooth") silences `radio`; `item` is "soft" or "hard".

    `radio` is the device folder of the radio. Not there where it has no switch at all.
    """
    near = [switch for name in tree.listed(CLASS) if _concerns(tree, switch := f"{CLASS}/{name}", radio)]
    states = [state for switch in near if (state := _state(tree, switch, kind, item)) is not None]
    readings = [state for state in states if isinstance(state, Reading)]
    closed = [state for state in readings if state.value]
    return next(iter((*closed, *readings, *states)), Absent(Why.NOT_THERE, CLASS, "no switch"))


def _state(tree: Tree, switch: str, kind: str, item: str) -> Reading | Absent | None:
    """None where the switch silences another kind."""
    sort = tree.sort(f"{switch}/type")
    if isinstance(sort, Absent):
        return sort
    return tree.flag(f"{switch}/{item}") if sort == kind else None


def _concerns(tree: Tree, switch: str, radio: str) -> bool:
    place = tree.resolved(switch)
    own = place.startswith(tree.resolved(radio) + "/")
    return own or not ("/ieee80211/" in place or "/bluetooth/" in place)
