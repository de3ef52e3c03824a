"""What is inside a unit, by what stays the same, and how two such lists differ.

What is plugged in from outside is left out as far as the bus tells: the bench's stick, other USB drives.
A device is the same one if its serial is; where it tells none, if its model is, since behind a new board
bus paths may be others.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from checks.judging import same_text, text
from checks.machine import Machine
from checks.placeholders import is_placeholder
from reports.model.baseline import Device, Devices, Inside
from reports.model.evidence import Absent, Reading, Why

_SOLDERED: Final = frozenset({"chip", "row of chips", "die"})
"""Form factors of memory that is part of a board (DSP0134, table 77)."""


def devices_inside(machine: Machine) -> Inside:
    """What `machine` has inside, by what stays the same."""
    return Inside(drives(machine), modules(machine), radios(machine), cameras(machine))


def drives(machine: Machine) -> Devices:
    """Drives that are neither the stick nor on USB nor removable."""
    found = machine.drives()
    if isinstance(found, Absent):
        return found
    inside = [each for each in found if not each.boot_stick and text(each.transport) != "usb"]
    return tuple(
        Device(each.id, each.model, each.serial, soldered=text(each.transport) == "mmc")
        for each in inside
        if not (isinstance(each.removable, Reading) and each.removable.value)
    )


def modules(machine: Machine) -> Devices:
    """Filled slots; one of unknown size is filled, as far as anyone can tell."""
    found = machine.memory_slots()
    if isinstance(found, Absent):
        return found
    return tuple(
        Device(
            " ".join(filter(None, (text(each.locator), text(each.bank)))),
            each.part_number,
            each.serial,
            soldered=text(each.form_factor).casefold() in _SOLDERED,
        )
        for each in found
        if not (isinstance(each.capacity, Reading) and each.capacity.value == 0)
    )


def radios(machine: Machine) -> Devices:
    """Wireless adapters."""
    found = machine.radios()
    if isinstance(found, Absent):
        return found
    return tuple(Device(each.id, each.model, _untold(each.id)) for each in found)


def cameras(machine: Machine) -> Devices:
    """Cameras."""
    found = machine.cameras()
    if isinstance(found, Absent):
        return found
    return tuple(Device(each.id, each.model, _untold(each.id)) for each in found)


def _untold(id: str) -> Absent:
    return Absent(Why.NOT_SUPPORTED, id, "it tells no serial")


@dataclass(frozen=True, slots=True)
class Differences:
    """What is not as at intake: pairs that changed in one place, what is gone, what is new."""

    changed: tuple[tuple[Device, Device], ...]
    vanished: tuple[Device, ...]
    appeared: tuple[Device, ...]


def differences(intake: Iterable[Device], now: Iterable[Device]) -> Differences:
    """Pairs by serial, then by model in one place, then by model anywhere; what is left differs."""
    before, after = list(intake), list(now)
    for same in (_same_serial, _same_in_place, _same_model):
        for device in tuple(before):
            match = next((other for other in after if same(device, other)), None)
            if match is not None:
                before.remove(device)
                after.remove(match)
    changed = tuple((old, new) for old in before for new in after if old.id == new.id)
    return Differences(
        changed,
        tuple(device for device in before if device not in [old for old, _ in changed]),
        tuple(device for device in after if device not in [new for _, new in changed]),
    )


def _same_serial(one: Device, other: Device) -> bool:
    return tells(one) and same_text(text(one.serial), text(other.serial))


def _same_in_place(one: Device, other: Device) -> bool:
    return one.id == other.id and not _other_serial(one, other) and text(one.model) == text(other.model)


def _same_model(one: Device, other: Device) -> bool:
    return not _other_serial(one, other) and same_text(text(one.model), text(other.model))


def _other_serial(one: Device, other: Device) -> bool:
    return tells(one) and tells(other)  # equal ones were paired before


def tells(device: Device) -> bool:
    return not is_placeholder(text(device.serial))


def name(device: Device) -> str:
    """Model and serial as far as it tells them, else where it is."""
    serial = text(device.serial) if tells(device) else ""
    return " ".join(filter(None, (text(device.model), serial))) or f"at {device.id}"
