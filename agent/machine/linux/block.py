"""Whole drives (Linux, Documentation/ABI/stable/sysfs-block; SCSI Primary Commands for the VPD pages).

Only sysfs and udev's notes are read: no block device is opened here, so nothing can spin up, change or
mount a drive. `size` counts 512-byte sectors whatever the drive's own sector size is.

SCSI cuts the model to 16 characters; behind libata the whole name and serial stand in VPD page 89h,
which holds the drive's IDENTIFY data (ACS-3 7.12.7: serial in words 10 to 19, model in 27 to 46, two
characters to a word, high byte first).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import udevdb, usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, first, gathered, known, not_understood, number
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/block"
MOUNTS: Final = "/proc/self/mountinfo"
COMMAND_LINE: Final = "/proc/cmdline"

SECTOR_BYTES: Final = 512

_NO_DRIVE: Final = re.compile(r"(loop|ram|zram|dm-|md|nbd|fd|sr)\d+.*|mmcblk\d+(boot\d+|rpmb|gp\d+)")
"""Memory, files and networks posing as drives, optical ones, and the hidden areas of an eMMC."""

_TRANSPORTS: Final = (
    ("usb", re.compile(r"/usb\d+/")),
    ("nvme", re.compile(r"/nvme")),
    ("sata", re.compile(r"/ata\d+/")),
    ("mmc", re.compile(r"/mmc\d+/")),
    ("virtio", re.compile(r"/virtio\d+/")),
)
"""By a step of the device's path; the first that fits, so that a drive behind a USB bridge is usb."""

_BOOT_PLACES: Final = re.compile(r"/|/run/.*|/(usr/)?lib/live/.*|/boot.*")


@dataclass(frozen=True, slots=True)
class Disk:
    """A whole drive. `node` is its name today (`sda`), `id` what stays; `capacity` in bytes."""

    id: str
    node: str
    folder: str
    transport: Reading | Absent
    model: Reading | Absent
    serial: Reading | Absent
    capacity: Reading | Absent
    removable: Reading | Absent
    boot_stick: bool


def disks(tree: Tree) -> tuple[Disk, ...] | Absent:
    """Every whole drive that a driver took, in the order of their names."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    return tuple(_disk(tree, name) for name in names if _whole_drive(tree, name))


@dataclass(frozen=True, slots=True)
class Partition:
    """A partition by the GUIDs of its table, lower case; `kind` is its type."""

    id: Reading | Absent
    kind: Reading | Absent


def partitions(tree: Tree) -> tuple[Partition, ...] | Absent:
    """The partitions of drives inside the unit, as udev found their tables; none is opened here."""
    found = disks(tree)
    if isinstance(found, Absent):
        return found
    inside = (disk for disk in found if not disk.boot_stick and not _from_outside(disk))
    return tuple(
        Partition(_noted(tree, part, "ID_PART_ENTRY_UUID"), _noted(tree, part, "ID_PART_ENTRY_TYPE"))
        for disk in inside
        for part in (f"{disk.folder}/{name}" for name in tree.listed(disk.folder))
        if tree.exists(f"{part}/partition")
    )


def _from_outside(disk: Disk) -> bool:
    on_usb = isinstance(disk.transport, Reading) and disk.transport.value == "usb"
    return on_usb or (isinstance(disk.removable, Reading) and bool(disk.removable.value))


def _noted(tree: Tree, part: str, name: str) -> Reading | Absent:
    """What udev noted of a partition, in lower case."""
    said = udevdb.property_of(tree, part, "b", name)
    if isinstance(said, Absent):
        return Absent(Why.NOT_SUPPORTED, said.source, "udev noted nothing of this partition")
    return Reading(str(said.value).casefold(), "", said.source)


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader of memory cards on USB: it poses as a removable drive, with or without a card."""

    id: str
    model: Reading | Absent
    driver: Reading | Absent


def card_readers(tree: Tree) -> tuple[Reader, ...] | Absent:
    """The readers inside the unit: removable drives on a USB port that the firmware calls fixed.

    A kernel without block devices shows none; absent where a drive could not be asked whether it takes cards.
    """
    drives = disks(tree)
    on_usb = [disk for disk in (() if isinstance(drives, Absent) else drives) if _on_usb(disk)]
    takes_cards = gathered(_takes_cards(tree, disk) for disk in on_usb)
    if isinstance(takes_cards, Absent):
        return takes_cards
    return tuple(
        Reader(disk.id, disk.model, tree.driver(f"{disk.folder}/device"))
        for disk, takes in zip(on_usb, takes_cards, strict=True)
        if takes
    )


def _on_usb(disk: Disk) -> bool:
    return isinstance(disk.transport, Reading) and disk.transport.value == "usb"


def _takes_cards(tree: Tree, disk: Disk) -> bool | Absent:
    """Where the firmware does not say whether a port is inside, it is taken for a socket."""
    inside, removable = usb.inside(tree, disk.folder), disk.removable
    if isinstance(inside, Absent):
        return False if inside.why is Why.NOT_SUPPORTED else inside
    return removable if isinstance(removable, Absent) else bool(inside.value and removable.value)


def _whole_drive(tree: Tree, name: str) -> bool:
    folder = f"{CLASS}/{name}"
    hidden = tree.words(f"{folder}/hidden") == "1"  # one path of several to one NVMe namespace
    partition = tree.exists(f"{folder}/partition")
    return not (_NO_DRIVE.fullmatch(name) or hidden or partition) and tree.exists(f"{folder}/device")


def _disk(tree: Tree, name: str) -> Disk:
    folder = f"{CLASS}/{name}"
    transport = _transport(tree, folder)
    return Disk(
        id=bus_path(tree, _on_the_bus(tree, folder)),
        node=name,
        folder=folder,
        transport=Reading(transport, "", folder),
        model=_model(tree, folder, transport),
        serial=_serial(tree, folder, transport),
        capacity=_capacity(tree, folder),
        removable=tree.flag(f"{folder}/removable"),
        boot_stick=_boot_stick(tree, name, folder, transport),
    )


def _on_the_bus(tree: Tree, folder: str) -> str:
    """The folder whose path tells the bus: with several paths to one NVMe namespace, its controller's."""
    if not tree.resolved(folder).startswith("/sys/devices/virtual/nvme-subsystem/"):
        return folder
    controllers = [name for name in tree.listed(f"{folder}/device") if re.fullmatch(r"nvme\d+", name)]
    namespace = tree.resolved(folder).rpartition("n")[2]
    return f"{folder}/device/{controllers[0]}/{controllers[0]}n{namespace}" if controllers else folder


def _transport(tree: Tree, folder: str) -> str:
    path = tree.resolved(folder)
    return next((name for name, step in _TRANSPORTS if step.search(path)), "other")


def _capacity(tree: Tree, folder: str) -> Reading | Absent:
    sectors = tree.integer(f"{folder}/size")
    if isinstance(sectors, Absent):
        return sectors
    if sectors.value == 0:
        return Absent(Why.NOT_THERE, sectors.source, "no medium, or the drive does not know its size")
    return number(int(sectors.value) * SECTOR_BYTES, "bytes", sectors.source)


def _model(tree: Tree, folder: str, transport: str) -> Reading | Absent:
    """The fullest of what identify data, bus and udev say."""
    named = known(tree.text(f"{folder}/device/{'name' if transport == 'mmc' else 'model'}"))
    identified = _identify(tree, folder, 27, 46) if transport == "sata" else named
    return first(identified, named, udevdb.property_of(tree, folder, "b", "ID_MODEL"))


def _serial(tree: Tree, folder: str, transport: str) -> Reading | Absent:
    """The drive's own; a USB bridge's only where the drive behind it says nothing."""
    own = [known(tree.text(f"{folder}/{place}")) for place in ("device/serial", "serial")]
    noted = udevdb.property_of(tree, folder, "b", "ID_SERIAL_SHORT")
    if transport == "sata":
        return first(_identify(tree, folder, 10, 19), _unit_serial(tree, folder), noted, *own)
    if transport == "usb":
        return first(_unit_serial(tree, folder), known(_usb_serial(tree, folder)), noted, *own)
    return first(*own, _unit_serial(tree, folder), noted)


def identify_word(tree: Tree, folder: str, word: int) -> Reading | Absent:
    """One word of the IDENTIFY data of the drive with the block folder `folder`."""
    words = _words(tree, folder, word, word)
    if isinstance(words, Absent):
        return words
    return Reading(int.from_bytes(words, "little"), "", f"{folder}/device/vpd_pg89")


def _identify(tree: Tree, folder: str, first_word: int, last_word: int) -> Reading | Absent:
    """Characters of the IDENTIFY data, two to a word, high byte first."""
    words = _words(tree, folder, first_word, last_word)
    if isinstance(words, Absent):
        return words
    swapped = b"".join(words[i + 1 : i + 2] + words[i : i + 1] for i in range(0, len(words), 2))
    return _ascii(swapped, f"{folder}/device/vpd_pg89")


def _words(tree: Tree, folder: str, first_word: int, last_word: int) -> bytes | Absent:
    """Words of the IDENTIFY data inside VPD page 89h, where it begins at byte 60 (SAT-3)."""
    source = f"{folder}/device/vpd_pg89"
    page = tree.data(source)
    if isinstance(page, Absent):
        return page
    words = page[60 + 2 * first_word : 60 + 2 * last_word + 2]
    if len(words) != 2 * (last_word - first_word + 1):
        return not_understood(page[:16].hex(" "), source)
    return words


def _unit_serial(tree: Tree, folder: str) -> Reading | Absent:
    """VPD page 80h: four bytes of header, then the serial."""
    source = f"{folder}/device/vpd_pg80"
    page = tree.data(source)
    return page if isinstance(page, Absent) else _ascii(page[4:], source)


def _usb_serial(tree: Tree, folder: str) -> Reading | Absent:
    """The `serial` of the USB device: the nearest folder above that counts as one (has `bDeviceClass`)."""
    place = tree.resolved(folder)
    while place.count("/") > 3:
        if tree.exists(f"{place}/bDeviceClass"):
            return tree.text(f"{place}/serial")
        place = place.rpartition("/")[0]
    return Absent(Why.NOT_THERE, f"{folder}/device")


def _ascii(data: bytes, source: str) -> Reading | Absent:
    text = data.decode("ascii", "backslashreplace").strip(" \0")
    return known(Reading(text, "", source) if text.isprintable() else not_understood(text, source))


def _boot_stick(tree: Tree, name: str, folder: str, transport: str) -> bool:
    """A drive outside the unit that the running system came from.

    It is mounted where a system boots from, or the kernel's command line names a partition of it. A
    drive inside the unit is never a stick, even when the system runs from it.
    """
    if transport not in ("usb", "mmc") and tree.words(f"{folder}/removable") != "1":
        return False
    parts = [folder, *(f"{folder}/{part}" for part in tree.listed(folder) if part.startswith(name))]
    return any(_booted_from(tree, part) for part in parts)


def _booted_from(tree: Tree, part: str) -> bool:
    if tree.words(f"{part}/dev") in _mounted(tree):
        return True
    noted = udevdb.properties(tree, part, "b")
    by_kernel = re.search(r"^PARTUUID=(\S+)$", tree.words(f"{part}/uevent"), re.MULTILINE)
    uuid = noted.get("ID_PART_ENTRY_UUID") or (by_kernel[1] if by_kernel else "")
    return bool(uuid) and uuid.casefold() in tree.words(COMMAND_LINE).casefold()


def _mounted(tree: Tree) -> frozenset[str]:
    """Device numbers behind the places a system boots from (proc(5): fields 3 and 5 of mountinfo)."""
    fields = (line.split() for line in tree.words(MOUNTS).splitlines())
    return frozenset(line[2] for line in fields if len(line) > 4 and _BOOT_PLACES.fullmatch(line[4]))
