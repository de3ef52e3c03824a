"""Firmware tables made in a test, and what dmidecode makes of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from agent.machine.linux import smbios
from agent.machine.linux.smbios import Table
from reports.model.evidence import Absent, Reading
from tests.support.tools import need, output

TABLE_OFFSET = 32


def structure(type: int, handle: int, body: bytes, *strings: bytes) -> bytes:
    """One structure: header, formatted area, strings, end."""
    formatted = bytes((type, 4 + len(body))) + handle.to_bytes(2, "little") + body
    return formatted + (b"".join(string + b"\0" for string in strings) or b"\0") + b"\0"


END = structure(127, 0xFEFF, b"")


def entry_point(table: bytes, version: tuple[int, int] = (3, 7)) -> bytes:
    """A 64-bit entry point, its checksum right (DSP0134 5.2.2)."""
    point = bytearray(b"_SM3_\0\x18" + bytes((*version, 0, 1, 0)))
    point += len(table).to_bytes(4, "little") + TABLE_OFFSET.to_bytes(8, "little")
    point[5] = -sum(point) % 256
    return bytes(point)


def old_entry_point(table: bytes, structures: int, version: tuple[int, int] = (2, 4)) -> bytes:
    """A 32-bit entry point, both checksums right (DSP0134 5.2.1)."""
    inner = bytearray(b"_DMI_\0" + len(table).to_bytes(2, "little") + TABLE_OFFSET.to_bytes(4, "little"))
    inner += structures.to_bytes(2, "little") + bytes((version[0] << 4 | version[1],))
    inner[5] = -sum(inner) % 256
    point = bytearray(b"_SM_\0\x1f" + bytes(version) + bytes(8)) + inner
    point[4] = -sum(point) % 256
    return bytes(point)


def dump(point: bytes, table: bytes) -> bytes:
    """The file that `dmidecode --from-dump` reads."""
    return point.ljust(TABLE_OFFSET, b"\0") + table


@dataclass(frozen=True)
class Said:
    """One structure as dmidecode prints it."""

    handle: int
    type: int
    fields: dict[str, str]


def dmidecode(path: Path) -> tuple[Said, ...]:
    """Every structure of the dump at `path`, in order."""
    return said(output(need("dmidecode"), "--from-dump", path))


def said(text: str) -> tuple[Said, ...]:
    """dmidecode's text by structure; the lines of lists are left out."""
    parts = re.split(r"^Handle 0x([0-9A-F]{4}), DMI type (\d+), \d+ bytes$", text, flags=re.MULTILINE)[1:]
    return tuple(
        Said(int(handle, 16), int(type), dict(re.findall(r"^\t([^\t:]+): ?(.*)$", body, re.MULTILINE)))
        for handle, type, body in zip(parts[::3], parts[1::3], parts[2::3], strict=True)
    )


def value(datum: Reading | Absent) -> object:
    return datum.value if isinstance(datum, Reading) else None


def size_in_words(datum: Reading | Absent) -> str:
    """As dmidecode 3.4 prints a size: the largest unit that divides it (dmidecode.c, print_memory_size)."""
    if isinstance(datum, Absent):
        return "Unknown"
    size = int(datum.value)
    if size == 0:
        return "No Module Installed"
    for name, unit in (("TB", 1 << 40), ("GB", 1 << 30), ("MB", 1 << 20), ("kB", 1 << 10)):
        if size % unit == 0:
            return f"{size // unit} {name}"
    raise AssertionError(f"{size} bytes")


def compare_devices(table: Table, by_dmidecode: tuple[Said, ...]) -> int:
    """Every memory device, field by field; gives how many there were."""
    words = [entry.fields for entry in by_dmidecode if entry.type == 17]
    devices = smbios.memory_devices(table)
    assert len(devices) == len(words)
    for ours, theirs in zip(devices, words, strict=True):
        # announced and then not given: dmidecode prints a size of nothing, we do not understand it
        assert theirs["Size"].replace("0 TB", "Unknown") == size_in_words(ours.capacity)
        assert theirs["Form Factor"] == (value(ours.form_factor) or "<OUT OF SPEC>")
        assert theirs["Type"] == (value(ours.memory_type) or "<OUT OF SPEC>")
        assert theirs["Locator"].strip() == value(ours.locator)
        if theirs["Size"] == "No Module Installed":
            continue  # dmidecode stops here: an empty socket has no more to say
        for field, ours_speed in (
            ("Speed", ours.rated_speed),
            ("Configured Memory Speed", ours.configured_speed),
        ):
            expected = f"{value(ours_speed)} MT/s" if isinstance(ours_speed, Reading) else "Unknown"
            assert theirs[field] == expected
        assert theirs["Serial Number"].strip() == value(ours.serial)
        assert theirs["Part Number"].strip() == value(ours.part_number)
        assert theirs["Rank"] == str(value(ours.ranks) or "Unknown")
    return len(devices)
