"""The firmware's variables, read-only (Linux, Documentation/filesystems/efivarfs.rst).

Each file holds four bytes of attributes and the value. Boot entries are EFI_LOAD_OPTIONs (UEFI
Specification 2.10, 3.1.3). A system that was installed registers a short-form path, which begins with the
partition (3.1.2, 10.3.5.1); what the firmware lists by itself, such as sticks and networks, comes and goes
with what is plugged in and begins with the way to the device.
"""

from __future__ import annotations

import struct
import uuid
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree, not_understood
from reports.model.evidence import Absent, Reading, Why

FIRMWARE: Final = "/sys/firmware/efi"
VARIABLES: Final = f"{FIRMWARE}/efivars"
GLOBAL: Final = "8be4df61-93ca-11d2-aa0d-00e098032b8c"
"""EFI_GLOBAL_VARIABLE (UEFI 2.10, 3.3)."""

_ACTIVE: Final = 0x1
_MEDIA, _HARD_DRIVE, _HARD_DRIVE_LENGTH = 0x04, 0x01, 42
_GUID_SIGNATURE: Final = 0x02


@dataclass(frozen=True, slots=True)
class BootEntry:
    """A boot entry: `partition` is the GUID of the partition that its path begins with, "" where none."""

    variable: str
    name: str
    active: bool
    partition: str


def secure_boot(tree: Tree) -> Reading | Absent:
    """Whether Secure Boot was on when the firmware started the kernel (`SecureBoot`, 3.3)."""
    data = _variable(tree, "SecureBoot")
    if isinstance(data, Absent):
        return data
    if data not in (b"\x00", b"\x01"):
        return not_understood(data.hex(), _path("SecureBoot"))
    return Reading(data == b"\x01", "", _path("SecureBoot"))


def boot_entries(tree: Tree) -> tuple[BootEntry, ...] | Absent:
    """Every entry of `BootOrder`, in that order; numbers without a variable name nothing and are left out."""
    order = _variable(tree, "BootOrder")
    if isinstance(order, Absent):
        return order
    if len(order) % 2:
        return not_understood(order.hex(), _path("BootOrder"))
    found: list[BootEntry] = []
    for (number,) in struct.iter_unpack("<H", order):
        entry = _entry(tree, f"Boot{number:04X}")
        if isinstance(entry, BootEntry):
            found.append(entry)
        elif entry.why is not Why.NOT_THERE:
            return entry
    return tuple(found)


def installed_systems(tree: Tree) -> tuple[Reading, ...] | Absent:
    """The names of active entries that begin with a partition, in the order they are tried."""
    entries = boot_entries(tree)
    if isinstance(entries, Absent):
        return entries
    return tuple(
        Reading(each.name, "", _path(each.variable)) for each in entries if each.active and each.partition
    )


def _entry(tree: Tree, variable: str) -> BootEntry | Absent:
    data = _variable(tree, variable)
    if isinstance(data, Absent):
        return data
    try:
        return _load_option(data, variable)
    except (struct.error, ValueError):
        return not_understood(data.hex(), _path(variable))


def _load_option(data: bytes, variable: str) -> BootEntry:
    """struct.error or ValueError where `data` is no load option."""
    attributes, length = struct.unpack_from("<LH", data)
    end = next(at for at in range(6, len(data) + 2, 2) if data[at : at + 2] in (b"\0\0", b"", b"\0"))
    path = data[end + 2 :][:length]
    if len(path) != length:
        raise ValueError("shorter than it says")
    return BootEntry(variable, data[6:end].decode("utf-16-le"), bool(attributes & _ACTIVE), _partition(path))


def _partition(path: bytes) -> str:
    """The GUID at the head of a short-form hard drive path, "" for any other path."""
    kind, subkind, length = struct.unpack_from("<BBH", path)
    if (kind, subkind, length) != (_MEDIA, _HARD_DRIVE, _HARD_DRIVE_LENGTH) or len(path) < length:
        return ""
    return str(uuid.UUID(bytes_le=path[24:40])) if path[41] == _GUID_SIGNATURE else ""


def _variable(tree: Tree, name: str) -> bytes | Absent:
    if not tree.exists(FIRMWARE):
        return Absent(Why.NOT_THERE, FIRMWARE, "this computer was not started the UEFI way")
    data = tree.data(_path(name))
    if isinstance(data, Absent):
        return data
    return data[4:] if len(data) > 4 else not_understood(data.hex(), _path(name))


def _path(name: str) -> str:
    return f"{VARIABLES}/{name}-{GLOBAL}"
