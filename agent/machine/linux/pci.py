"""PCI devices (Linux, Documentation/ABI/testing/sysfs-bus-pci; class codes of the PCI Code and ID
Assignment Specification)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from agent.machine.linux import udevdb
from agent.machine.linux.files import Tree, first, gathered, not_understood
from reports.model.evidence import Absent, Reading, Why

DEVICES: Final = "/sys/bus/pci/devices"

RAID_CONTROLLER: Final = 0x0104
OTHER_NETWORK_CONTROLLER: Final = 0x0280
DISPLAY_CONTROLLERS: Final = (0x0300, 0x0301, 0x0302, 0x0380)
CARD_READERS: Final = (0x0805, 0xFF00)
"""SD host controllers, and the readers of makers whose class is none (drivers/misc/cardreader)."""


@dataclass(frozen=True, slots=True)
class Device:
    """One function: its address, its class (base class and subclass) and where its files lie."""

    address: str
    kind: int
    folder: str


def devices(tree: Tree) -> tuple[Device, ...] | Absent:
    """Every function that the kernel enumerated; absent where one could not be asked for its class."""
    names = tree.names(DEVICES)
    return names if isinstance(names, Absent) else gathered(_device(tree, name) for name in names)


def of_class(tree: Tree, kind: int) -> tuple[Device, ...] | Absent:
    """The functions of one class and subclass."""
    found = devices(tree)
    return found if isinstance(found, Absent) else tuple(each for each in found if each.kind == kind)


def of_classes(tree: Tree, kinds: tuple[int, ...]) -> tuple[Device, ...] | Absent:
    """The functions of any of these classes."""
    found = devices(tree)
    return found if isinstance(found, Absent) else tuple(each for each in found if each.kind in kinds)


_SORTS: Final = {
    0x01: "drive or its controller",
    0x02: "network adapter",
    0x03: "graphics adapter",
    0x04: "sound or video device",
    0x06: "slot or bridge",
    0x0C: "USB or serial bus controller",
}
"""By base class."""


def sort(device: Device) -> str:
    """What sort of device it is, in words."""
    return _SORTS.get(device.kind >> 8, "device")


def on_card(device: Device) -> Reading:
    """Whether it sits behind a bridge, as every card does, and not on bus 0 beside the processor.

    A few processors keep their own graphics behind a bridge too; those count as cards.
    """
    return Reading(device.address.split(":")[1] != "00", "", device.folder)


def model(tree: Tree, device: Device) -> Reading | Absent:
    """The name from the system's hardware database, else the two ids in hexadecimal."""
    named = udevdb.property_of(tree, device.folder, "pci", "ID_MODEL_FROM_DATABASE")
    return first(named, _ids(tree, device))


def hidden_storage(tree: Tree) -> Reading | Absent:
    """A controller whose mode hides its drives, by name; not there where none does.

    Two ways: a controller in RAID mode under which the kernel found no drive, and one in front of NVMe
    drives that it has taken over (`remapped_nvme`, drivers/ata/ahci.c).
    """
    found = devices(tree)
    if isinstance(found, Absent):
        return found
    disks = [tree.resolved(f"/sys/class/block/{name}") for name in tree.listed("/sys/class/block")]
    for device in found:
        if _hides(tree, device, disks):
            name = model(tree, device)
            known = name.value if isinstance(name, Reading) else "a controller"
            return Reading(f"{known} at {device.address}", "", device.folder)
    return Absent(Why.NOT_THERE, DEVICES, "no controller hides its drives")


_MODES: Final = {0x0101: "IDE", RAID_CONTROLLER: "RAID", 0x0106: "AHCI"}
"""How a storage controller presents its drives, by class; an NVMe drive is its own controller."""


def controller_mode(tree: Tree) -> Reading | Absent:
    """The modes of the storage controllers, each once (`AHCI`, `AHCI and RAID`)."""
    found = devices(tree)
    if isinstance(found, Absent):
        return found
    modes = {_MODES[device.kind] + _remapping(tree, device) for device in found if device.kind in _MODES}
    if not modes:
        return Absent(Why.NOT_THERE, DEVICES, "no storage controller with a mode")
    return Reading(" and ".join(sorted(modes)), "", DEVICES)


def _remapping(tree: Tree, device: Device) -> str:
    return " with NVMe drives behind it" if _remaps(tree, device) else ""


def _remaps(tree: Tree, device: Device) -> bool:
    remapped = tree.integer(f"{device.folder}/remapped_nvme")
    return isinstance(remapped, Reading) and remapped.value != 0


def _hides(tree: Tree, device: Device, disks: list[str]) -> bool:
    if _remaps(tree, device):
        return True
    behind = tree.resolved(device.folder) + "/"
    return device.kind == RAID_CONTROLLER and not any(disk.startswith(behind) for disk in disks)


def _device(tree: Tree, address: str) -> Device | Absent:
    folder = f"{DEVICES}/{address}"
    code = _hexadecimal(tree, f"{folder}/class")
    if isinstance(code, Absent):
        # a function that left while the bus was listed is of no class
        return Device(address, -1, folder) if code.why is Why.NOT_THERE else code
    return Device(address, int(code.value) >> 8, folder)


def _ids(tree: Tree, device: Device) -> Reading | Absent:
    maker, product = (_hexadecimal(tree, f"{device.folder}/{name}") for name in ("vendor", "device"))
    if isinstance(maker, Absent) or isinstance(product, Absent):
        return maker if isinstance(maker, Absent) else product
    return Reading(f"{maker.value:04x}:{product.value:04x}", "", device.folder)


def _hexadecimal(tree: Tree, path: str) -> Reading | Absent:
    text = tree.text(path)
    if isinstance(text, Absent):
        return text
    try:
        return Reading(int(str(text.value), 16), "", path)
    except ValueError:
        return not_understood(str(text.value), path)
