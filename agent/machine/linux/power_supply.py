"""Mains and batteries (Linux, Documentation/ABI/testing/sysfs-class-power).

`online` of a mains or USB supply: 0 not connected, 1 connected, 2 connected and programmable. A supply
whose `scope` is `Device` belongs to a mouse or pen and says nothing of the unit.
"""

from __future__ import annotations

from typing import Final

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/power_supply"

_STATUS: Final = {"Charging": True, "Full": True, "Not charging": True, "Discharging": False}


def on_mains(tree: Tree) -> Reading | Absent:
    """Whether mains power is connected.

    A unit without a battery that runs at all runs from the mains. One with a battery and no supply that
    says more is judged by whether the battery discharges.
    """
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    supplies = [f"{CLASS}/{name}" for name in names if tree.words(f"{CLASS}/{name}/scope") != "Device"]
    batteries = [supply for supply in supplies if tree.words(f"{supply}/type") == "Battery"]
    answers = [_online(tree, supply) for supply in supplies if supply not in batteries]
    said = [answer for answer in answers if isinstance(answer, Reading)]
    if said:
        return next((answer for answer in said if answer.value), said[0])
    if batteries:
        return _by_battery(tree, batteries)
    return next(iter(answers), Reading(True, "", f"{CLASS}: no battery, so mains"))


def _online(tree: Tree, supply: str) -> Reading | Absent:
    raw = tree.integer(f"{supply}/online")
    return raw if isinstance(raw, Absent) else Reading(raw.value != 0, "", raw.source)


def _by_battery(tree: Tree, batteries: list[str]) -> Reading | Absent:
    source = f"{batteries[0]}/status"
    statuses = [_STATUS.get(tree.words(f"{battery}/status")) for battery in batteries]
    if False in statuses:
        return Reading(False, "", source)
    if True in statuses:
        return Reading(True, "", source)
    return Absent(Why.NOT_UNDERSTOOD, source, tree.words(source))
