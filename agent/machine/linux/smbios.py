"""The firmware's tables: what the unit says it is, and what sits in its memory sockets.

Layout: DMTF DSP0134, System Management BIOS Reference Specification 3.7 (entry points 5.2, structures
6.1, types 0, 1, 2, 3, 4, 16, 17, 19, 20 in 7.1 to 7.5, 7.17, 7.18, 7.20, 7.21). The kernel gives the entry
point and the table under `/sys/firmware/dmi/tables`, to root only; the few strings under `/sys/class/dmi/id`
are the fallback for the unit's identity, and there serials and UUID are root's as well.

The table is written by firmware and believed in nothing: a length that runs past the end stops the
walk, keeps what came before, and is said in `Table.fault`. No input raises.

A string that is there and blank is a reading of "": whether that is a fault, the check decides. A
string number of 0 means that the maker gave none, and is absent.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree, known, not_understood, number
from reports.model.evidence import Absent, Reading, Why
from reports.model.record import Identity

ENTRY_POINT: Final = "/sys/firmware/dmi/tables/smbios_entry_point"
TABLE: Final = "/sys/firmware/dmi/tables/DMI"
IDS: Final = "/sys/class/dmi/id"

END_OF_TABLE: Final = 127

MEMORY_TYPES: Final[tuple[str, ...]] = (
    *("", "Other", "Unknown", "DRAM", "EDRAM", "VRAM", "SRAM", "RAM", "ROM", "Flash", "EEPROM", "FEPROM"),
    *("EPROM", "CDRAM", "3DRAM", "SDRAM", "SGRAM", "RDRAM", "DDR", "DDR2", "DDR2 FB-DIMM"),
    *("Reserved", "Reserved", "Reserved", "DDR3", "FBD2", "DDR4", "LPDDR", "LPDDR2", "LPDDR3", "LPDDR4"),
    *("Logical non-volatile device", "HBM", "HBM2", "DDR5", "LPDDR5", "HBM3"),
)
"""By code, DSP0134 table 78; 24h (HBM3) has no reference decoder in Debian 12."""

FORM_FACTORS: Final[tuple[str, ...]] = (
    *("", "Other", "Unknown", "SIMM", "SIP", "Chip", "DIP", "ZIP", "Proprietary Card", "DIMM", "TSOP"),
    *("Row Of Chips", "RIMM", "SODIMM", "SRIMM", "FB-DIMM", "Die"),
)
"""By code, DSP0134 table 77."""

CHASSIS_TYPES: Final[tuple[str, ...]] = (
    *("", "Other", "Unknown", "Desktop", "Low Profile Desktop", "Pizza Box", "Mini Tower", "Tower"),
    *("Portable", "Laptop", "Notebook", "Hand Held", "Docking Station", "All In One", "Sub Notebook"),
    *("Space-saving", "Lunch Box", "Main Server Chassis", "Expansion Chassis", "Sub Chassis"),
    *("Bus Expansion Chassis", "Peripheral Chassis", "RAID Chassis", "Rack Mount Chassis"),
    *("Sealed-case PC", "Multi-system", "CompactPCI", "AdvancedTCA", "Blade", "Blade Enclosing"),
    *("Tablet", "Convertible", "Detachable", "IoT Gateway", "Embedded PC", "Mini PC", "Stick PC"),
)
"""By code, DSP0134 table 17; bit 7 of the byte is the lock and not part of the type."""


@dataclass(frozen=True, slots=True)
class EntryPoint:
    """The version that the table follows, and how many bytes it has at most."""

    major: int
    minor: int
    length: int


@dataclass(frozen=True, slots=True)
class Structure:
    """One structure: its formatted area (header included) and its strings, first string first."""

    type: int
    handle: int
    formatted: bytes
    strings: tuple[bytes, ...]

    @property
    def source(self) -> str:
        return f"SMBIOS type {self.type} handle 0x{self.handle:04X}"

    def unsigned(self, offset: int, size: int) -> int | None:
        """The little-endian unsigned integer at `offset`, None where the structure ends before it."""
        field = self.formatted[offset : offset + size]
        return int.from_bytes(field, "little") if len(field) == size else None

    def string(self, offset: int) -> Reading | Absent:
        """The string whose number stands at `offset`, without the blanks around it."""
        index = self.unsigned(offset, 1)
        if not index:
            return Absent(Why.NOT_THERE, self.source, "not specified")
        if index > len(self.strings):
            return not_understood(f"string {index} of {len(self.strings)}", self.source)
        return _text(self.strings[index - 1], self.source)

    def coded(self, offset: int, names: tuple[str, ...], mask: int = 0xFF) -> Reading | Absent:
        """The name of the code at `offset`; a code newer than our table is not understood."""
        code = self.unsigned(offset, 1)
        if code is None:
            return Absent(Why.NOT_THERE, self.source)
        code &= mask
        if not 0 < code < len(names):
            return not_understood(f"code 0x{code:02X}", self.source)
        return Reading(names[code], "", self.source)


@dataclass(frozen=True, slots=True)
class Table:
    """The structures in the order of the table; `fault` says where it stopped making sense, else ""."""

    major: int
    minor: int
    structures: tuple[Structure, ...]
    fault: str = ""

    def of(self, type: int) -> tuple[Structure, ...]:
        return tuple(structure for structure in self.structures if structure.type == type)


@dataclass(frozen=True, slots=True)
class MemoryDevice:
    """Type 17: one socket or soldered chip. `capacity` in bytes, 0 an empty socket; speeds in MT/s."""

    locator: Reading | Absent
    bank: Reading | Absent
    capacity: Reading | Absent
    form_factor: Reading | Absent
    memory_type: Reading | Absent
    rated_speed: Reading | Absent
    configured_speed: Reading | Absent
    manufacturer: Reading | Absent
    serial: Reading | Absent
    part_number: Reading | Absent
    ranks: Reading | Absent
    data_width: Reading | Absent
    total_width: Reading | Absent
    array: int | None


@dataclass(frozen=True, slots=True)
class MemoryArray:
    """Type 16: a group of sockets; `system` where it is system memory. `maximum` in bytes."""

    handle: int
    system: bool
    maximum: Reading | Absent
    devices: Reading | Absent


@dataclass(frozen=True, slots=True)
class Processor:
    """Type 4: one processor socket."""

    socket: Reading | Absent
    version: Reading | Absent
    populated: Reading | Absent
    cores: Reading | Absent
    threads: Reading | Absent


def read_table(tree: Tree) -> Table | Absent:
    """The firmware's table as the kernel shows it; not permitted for anyone but root."""
    entry = tree.data(ENTRY_POINT)
    if isinstance(entry, Absent):
        return entry
    point = entry_point(entry)
    if isinstance(point, Absent):
        return point
    data = tree.data(TABLE)
    return data if isinstance(data, Absent) else table(data, point)


def entry_point(data: bytes) -> EntryPoint | Absent:
    """Either anchor, checksums proven (DSP0134 5.2.1 and 5.2.2)."""
    if data[:5] == b"_SM3_" and _sums_to_zero(data, data[6:7]):
        return EntryPoint(data[7], data[8], int.from_bytes(data[12:16], "little"))
    intermediate = data[16:31]
    if (
        data[:4] == b"_SM_"
        and intermediate[:5] == b"_DMI_"
        and (_sums_to_zero(data, data[5:6]) and _sums_to_zero(intermediate, b"\x0f"))
    ):
        return EntryPoint(data[6], data[7], int.from_bytes(data[22:24], "little"))
    return not_understood(data[:32].hex(" "), ENTRY_POINT)


def table(data: bytes, point: EntryPoint) -> Table:
    """Every structure of `data`, up to the end-of-table mark or the first that makes no sense."""
    structures: list[Structure] = []
    offset, end = 0, min(len(data), point.length)
    while offset + 4 <= end:
        structure, offset, fault = _structure(data, offset, end)
        if structure is None:
            return Table(point.major, point.minor, tuple(structures), fault)
        structures.append(structure)
        if structure.type == END_OF_TABLE or fault:
            return Table(point.major, point.minor, tuple(structures), fault)
    return Table(point.major, point.minor, tuple(structures))


def _structure(data: bytes, offset: int, end: int) -> tuple[Structure | None, int, str]:
    """The structure at `offset`, where the next one begins, and what is wrong with it."""
    type, length = data[offset], data[offset + 1]
    if length < 4 or offset + length > end:
        return None, end, f"structure of type {type} at byte {offset} has the impossible length {length}"
    formatted = data[offset : offset + length]
    close = data.find(b"\0\0", offset + length, end)
    fault = "" if close >= 0 else f"the strings of type {type} at byte {offset} have no end"
    strings = data[offset + length : close if close >= 0 else end]
    handle = int.from_bytes(formatted[2:4], "little")
    return Structure(type, handle, formatted, _strings(strings)), close + 2, fault


def _strings(data: bytes) -> tuple[bytes, ...]:
    return tuple(data.split(b"\0")) if data else ()


def identity(tree: Tree) -> Identity:
    """Who the unit says it is: from the table, or where that cannot be read from the kernel's strings."""
    found = read_table(tree)
    return _identity_by_kernel(tree) if isinstance(found, Absent) else identity_of(found)


def identity_of(found: Table) -> Identity:
    """Types 0, 1, 2 and 3. Of several boards the first that hosts the others (features, bit 0)."""
    firmware, system = _only(found, 0), _only(found, 1)
    board, chassis = _board(found), _only(found, 3)
    return Identity(
        maker=_string(system, 0x04, "type 1"),
        product=_string(system, 0x05, "type 1"),
        serial=_string(system, 0x07, "type 1"),
        sku=_string(system, 0x19, "type 1"),
        uuid=_uuid(system, found),
        firmware_version=_string(firmware, 0x05, "type 0"),
        firmware_date=_string(firmware, 0x08, "type 0"),
        board_serial=_string(board, 0x07, "type 2"),
        chassis_serial=_string(chassis, 0x07, "type 3"),
    )


def chassis_type(found: Table) -> Reading | Absent:
    """The form of the case as the firmware knows it."""
    chassis = _only(found, 3)
    if chassis is None:
        return Absent(Why.NOT_THERE, "SMBIOS type 3")
    return chassis.coded(0x05, CHASSIS_TYPES, mask=0x7F)


def memory_devices(found: Table) -> tuple[MemoryDevice, ...]:
    """Every type 17, in the order of the table."""
    return tuple(_memory_device(structure) for structure in found.of(17))


def system_memory(found: Table) -> tuple[MemoryDevice, ...]:
    """The devices of system memory: not video memory, cache or flash that has its own array."""
    others = {array.handle for array in memory_arrays(found) if not array.system}
    return tuple(device for device in memory_devices(found) if device.array not in others)


def memory_arrays(found: Table) -> tuple[MemoryArray, ...]:
    """Every type 16."""
    return tuple(
        MemoryArray(
            handle=structure.handle,
            system=structure.unsigned(0x05, 1) == 0x03,
            maximum=_maximum(structure),
            devices=_count(structure, 0x0D, 2, "", nothing=()),
        )
        for structure in found.of(16)
    )


def devices_at(found: Table, address: int) -> tuple[str, ...]:
    """The locators of the filled devices that a physical `address` may lie in.

    By the map of devices (type 20); several where they take turns (interleave). Where the firmware gives
    none, the filled devices of the array mapped there (type 19), else all filled ones.
    """
    mapped = {it.unsigned(0x0C, 2) for it in found.of(20) if _holds(it, address, 0x13)}
    arrays = {it.unsigned(0x0C, 2) for it in found.of(19) if _holds(it, address, 0x0F)}
    devices = [it for it in found.of(17) if _filled(it)]
    others = {array.handle for array in memory_arrays(found) if not array.system}
    candidates = (
        [it for it in devices if it.handle in mapped],
        [it for it in devices if it.unsigned(0x04, 2) in arrays],
        [it for it in devices if it.unsigned(0x04, 2) not in others],
    )
    return tuple(_locator(it) for it in next(filter(None, candidates), []))


def _holds(it: Structure, address: int, extended: int) -> bool:
    """Whether the mapped range holds `address`: KiB, ends included, or bytes in the extended fields."""
    first, last = it.unsigned(0x04, 4), it.unsigned(0x08, 4)
    if first == 0xFFFFFFFF:
        first, last = it.unsigned(extended, 8), it.unsigned(extended + 8, 8)
        return first is not None and last is not None and first <= address <= last
    return first is not None and last is not None and first <= address >> 10 <= last


def _filled(it: Structure) -> bool:
    capacity = _capacity(it)
    return isinstance(capacity, Reading) and bool(capacity.value)


def _locator(it: Structure) -> str:
    name = known(it.string(0x10))
    return str(name.value) if isinstance(name, Reading) else f"memory device 0x{it.handle:04X}"


def processors(found: Table) -> tuple[Processor, ...]:
    """Every type 4."""
    return tuple(_processor(structure) for structure in found.of(4))


def cores(found: Table) -> Reading | Absent:
    """Cores of all populated sockets together (7.5.6)."""
    total = 0
    for socket in (each for each in processors(found) if _is_populated(each)):
        if isinstance(socket.cores, Absent):
            return socket.cores
        total += int(socket.cores.value)
    return Reading(total, "", "SMBIOS type 4") if total else Absent(Why.NOT_THERE, "SMBIOS type 4")


def _is_populated(socket: Processor) -> bool:
    return isinstance(socket.populated, Reading) and bool(socket.populated.value)


def _memory_device(it: Structure) -> MemoryDevice:
    return MemoryDevice(
        locator=it.string(0x10),
        bank=known(it.string(0x11)),
        capacity=_capacity(it),
        form_factor=it.coded(0x0E, FORM_FACTORS),
        memory_type=it.coded(0x12, MEMORY_TYPES),
        rated_speed=_speed(it, 0x15, 0x54),
        configured_speed=_speed(it, 0x20, 0x58),
        manufacturer=known(it.string(0x17)),
        serial=known(it.string(0x18)),
        part_number=known(it.string(0x1A)),
        ranks=_ranks(it),
        data_width=_count(it, 0x0A, 2, "bits", nothing=(0, 0xFFFF)),
        total_width=_count(it, 0x08, 2, "bits", nothing=(0, 0xFFFF)),
        array=it.unsigned(0x04, 2),
    )


def _capacity(it: Structure) -> Reading | Absent:
    """Bytes (7.18.4): 0 empty, FFFFh unknown, 7FFFh see 1Ch in MiB, bit 15 KiB, else MiB."""
    size = it.unsigned(0x0C, 2)
    if size is None or size == 0xFFFF:
        return Absent(Why.NOT_THERE, it.source, "capacity unknown to the firmware")
    if size == 0x7FFF:
        extended = it.unsigned(0x1C, 4)
        if not extended or not extended & 0x7FFFFFFF:
            return not_understood("extended size announced and missing", it.source)
        return Reading((extended & 0x7FFFFFFF) << 20, "bytes", it.source)
    shift = 10 if size & 0x8000 else 20
    return Reading((size & 0x7FFF) << shift, "bytes", it.source)


def _speed(it: Structure, offset: int, extended: int) -> Reading | Absent:
    """MT/s (7.18.5): 0 unknown, FFFFh see the extended field, bit 31 of which is reserved."""
    speed = it.unsigned(offset, 2)
    if speed == 0xFFFF:
        wide = it.unsigned(extended, 4)
        speed = None if wide is None else wide & 0x7FFFFFFF
    if not speed:
        return Absent(Why.NOT_THERE, it.source, "speed unknown to the firmware")
    return Reading(speed, "MT/s", it.source)


def _ranks(it: Structure) -> Reading | Absent:
    attributes = it.unsigned(0x1B, 1)
    if attributes is None or not attributes & 0x0F:
        return Absent(Why.NOT_THERE, it.source, "ranks unknown to the firmware")
    return Reading(attributes & 0x0F, "", it.source)


def _maximum(it: Structure) -> Reading | Absent:
    """Bytes (7.17): KiB at 07h, or with 80000000h there bytes at 0Fh."""
    kibibytes = it.unsigned(0x07, 4)
    if kibibytes == 0x80000000:
        extended = it.unsigned(0x0F, 8)
        if extended is None:
            return not_understood("extended capacity announced and missing", it.source)
        return number(extended, "bytes", it.source)
    if not kibibytes:
        return Absent(Why.NOT_THERE, it.source, "capacity unknown to the firmware")
    return Reading(kibibytes << 10, "bytes", it.source)


def _count(it: Structure, offset: int, size: int, unit: str, nothing: tuple[int, ...]) -> Reading | Absent:
    value = it.unsigned(offset, size)
    if value is None or value in nothing:
        return Absent(Why.NOT_THERE, it.source, "unknown to the firmware")
    return Reading(value, unit, it.source)


def _processor(it: Structure) -> Processor:
    status = it.unsigned(0x18, 1)
    populated: Reading | Absent = Absent(Why.NOT_THERE, it.source)
    if status is not None:
        populated = Reading(bool(status & 0x40), "", it.source)
    return Processor(
        socket=it.string(0x04),
        version=known(it.string(0x10)),
        populated=populated,
        cores=_many(it, 0x23, 0x2A),
        threads=_many(it, 0x25, 0x2E),
    )


def _many(it: Structure, offset: int, wide: int) -> Reading | Absent:
    """A count of one byte that says FFh where the word at `wide` holds it (7.5.6)."""
    if it.unsigned(offset, 1) == 0xFF and it.unsigned(wide, 2) is not None:
        return _count(it, wide, 2, "", nothing=(0, 0xFFFF))
    return _count(it, offset, 1, "", nothing=(0,))


def _only(found: Table, type: int) -> Structure | None:
    return next(iter(found.of(type)), None)


def _board(found: Table) -> Structure | None:
    boards = found.of(2)
    hosts = [board for board in boards if (board.unsigned(0x09, 1) or 0) & 1]
    return next(iter((*hosts, *boards)), None)


def _string(structure: Structure | None, offset: int, what: str) -> Reading | Absent:
    return Absent(Why.NOT_THERE, f"SMBIOS {what}") if structure is None else structure.string(offset)


def _uuid(system: Structure | None, found: Table) -> Reading | Absent:
    """Canonical text (7.2.1). From 2.6 on the first three fields are little-endian, before that not."""
    raw = b"" if system is None else system.formatted[0x08:0x18]
    source = "SMBIOS type 1" if system is None else system.source
    if len(raw) < 16 or raw == b"\xff" * 16:
        return Absent(Why.NOT_THERE, source, "not present")
    if raw == bytes(16):
        return Absent(Why.NOT_THERE, source, "not set")
    little = (found.major, found.minor) >= (2, 6)
    return Reading(str(uuid.UUID(bytes_le=raw) if little else uuid.UUID(bytes=raw)), "", source)


_KERNEL_NAMES: Final[Mapping[str, str]] = {
    "maker": "sys_vendor",
    "product": "product_name",
    "serial": "product_serial",
    "sku": "product_sku",
    "uuid": "product_uuid",
    "firmware_version": "bios_version",
    "firmware_date": "bios_date",
    "board_serial": "board_serial",
    "chassis_serial": "chassis_serial",
}


def _identity_by_kernel(tree: Tree) -> Identity:
    return Identity(**{field: tree.text(f"{IDS}/{name}") for field, name in _KERNEL_NAMES.items()})


def _text(data: bytes, source: str) -> Reading | Absent:
    """Firmware strings are ASCII by the standard; a few makers write UTF-8, and a few write noise."""
    try:
        text = data.decode().strip()
    except UnicodeDecodeError:
        return not_understood(data.decode(errors="backslashreplace"), source)
    return Reading(text, "", source)


def _sums_to_zero(data: bytes, length: bytes) -> bool:
    size = length[0] if length else 0
    return 0 < size <= len(data) and size >= 15 and sum(data[:size]) % 256 == 0
