"""Mains and batteries (Linux, Documentation/ABI/testing/sysfs-class-power).

`online` of a mains or USB supply: 0 not connected, 1 connected, 2 connected and programmable. A supply
whose `scope` is `Device` belongs to a mouse or pen and says nothing of the unit.

A battery's capacity comes in microwatt hours (`energy_*`) or microampere hours (`charge_*`), as its gauge
counts; which one it is, the driver chooses, and both files then are of one kind. `cycle_count` is 0 where
the firmware does not count (ACPI specification 6.5, _BIX).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, first, gathered, known
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/power_supply"

_STATUS: Final = {"Charging": True, "Full": True, "Not charging": True, "Discharging": False}


MICRO: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Cell:
    """A battery: capacities in watt_hours or ampere_hours, `design` as made, `full` as last charged full."""

    id: str
    model: Reading | Absent
    present: Reading | Absent
    design: Reading | Absent
    full: Reading | Absent
    cycles: Reading | Absent


def batteries(tree: Tree) -> tuple[Cell, ...] | Absent:
    """Every battery that feeds the unit; a kernel without the class has no driver for any."""
    supplies = _supplies(tree)
    if isinstance(supplies, Absent):
        return supplies
    return tuple(_cell(tree, supply.folder) for supply in supplies if supply.is_battery)


@dataclass(frozen=True, slots=True)
class _Supply:
    folder: str
    is_battery: bool


def _supplies(tree: Tree) -> tuple[_Supply, ...] | Absent:
    """What feeds the unit; absent where one could not be asked what it is."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    found = gathered(_supply(tree, f"{CLASS}/{name}") for name in names)
    return found if isinstance(found, Absent) else tuple(each for each in found if each is not None)


def _supply(tree: Tree, folder: str) -> _Supply | Absent | None:
    """None where it feeds a mouse or pen."""
    told = gathered(tree.sort(f"{folder}/{file}") for file in ("type", "scope"))
    if isinstance(told, Absent):
        return told
    sort, scope = told
    return None if scope == "Device" else _Supply(folder, sort == "Battery")


@dataclass(frozen=True, slots=True)
class Charge:
    """How a battery charges: `status` in the kernel's words; `level` and `starts_below` as shares of full."""

    id: str
    status: Reading | Absent
    level: Reading | Absent
    starts_below: Reading | Absent


def charges(tree: Tree) -> tuple[Charge, ...] | Absent:
    """Every battery that feeds the unit and is in its place."""
    found = _supplies(tree)
    if isinstance(found, Absent):
        return found
    batteries = (supply.folder for supply in found if supply.is_battery)
    return tuple(_charge(tree, folder) for folder in batteries if tree.words(f"{folder}/present") != "0")


def _charge(tree: Tree, supply: str) -> Charge:
    return Charge(
        id=bus_path(tree, supply),
        status=_status(tree, supply),
        level=_share(tree, f"{supply}/capacity"),
        starts_below=_threshold(tree, supply),
    )


def _status(tree: Tree, supply: str) -> Reading | Absent:
    """One of the words of the class; `Unknown` says nothing."""
    said = tree.text(f"{supply}/status")
    if isinstance(said, Absent) or said.value in _STATUS:
        return said
    return Absent(Why.NOT_UNDERSTOOD, said.source, str(said.value))


def _share(tree: Tree, path: str) -> Reading | Absent:
    percent = tree.integer(path)
    if isinstance(percent, Absent):
        return percent
    if int(percent.value) < 0:
        return Absent(Why.NOT_UNDERSTOOD, path, str(percent.value))
    return Reading(min(int(percent.value), 100) / 100, "", path)  # a worn gauge holds more than its full


def _threshold(tree: Tree, supply: str) -> Reading | Absent:
    """`charge_control_start_threshold`; 0 is set to nothing."""
    share = _share(tree, f"{supply}/charge_control_start_threshold")
    if isinstance(share, Reading) and share.value == 0:
        return Absent(Why.NOT_THERE, share.source, "set to nothing")
    return share


def _cell(tree: Tree, supply: str) -> Cell:
    return Cell(
        id=bus_path(tree, supply),
        model=known(tree.text(f"{supply}/model_name")),
        present=tree.flag(f"{supply}/present"),
        design=_capacity(tree, supply, "full_design"),
        full=_capacity(tree, supply, "full"),
        cycles=_cycles(tree, supply),
    )


def _capacity(tree: Tree, supply: str, what: str) -> Reading | Absent:
    energy = tree.scaled(f"{supply}/energy_{what}", MICRO, "watt_hours")
    return first(energy, tree.scaled(f"{supply}/charge_{what}", MICRO, "ampere_hours"))


def _cycles(tree: Tree, supply: str) -> Reading | Absent:
    counted = tree.integer(f"{supply}/cycle_count")
    if isinstance(counted, Reading) and counted.value == 0:
        return Absent(Why.NOT_SUPPORTED, counted.source, "new, or not counted")
    return counted


def on_mains(tree: Tree) -> Reading | Absent:
    """Whether mains power is connected.

    A unit without a battery that runs at all runs from the mains. One with a battery and no supply that
    says more is judged by whether the battery discharges.
    """
    supplies = _supplies(tree)
    if isinstance(supplies, Absent):
        return supplies
    batteries = [supply.folder for supply in supplies if supply.is_battery]
    answers = [_online(tree, supply.folder) for supply in supplies if not supply.is_battery]
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
