"""Firmware tables of a virtual unit, one raw structure a file, as QEMU's `-smbios file=` takes them.

Layout: DMTF DSP0134 3.7, types 0 to 4, 16, 17 and 20 (7.1 to 7.5, 7.17, 7.18, 7.21). QEMU adds type 19 and
the end of the table.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from tests.support.firmware import structure

GIB = 2**30
_CHASSIS = {"all-in-one": 0x0D, "laptop": 0x09, "tower": 0x07, "small": 0x23}
_DIMM, _SODIMM, _DDR4 = 0x09, 0x0D, 0x1A


def write(folder: Path, table: Mapping[str, Any]) -> list[Path]:
    """The structures of `table` (`[firmware]` of a unit's file), each in a file of its own."""
    files = []
    for number, body in enumerate(_structures(table)):
        files.append(folder / f"smbios-{number:02}.bin")
        files[-1].write_bytes(body)
    return files


def _structures(table: Mapping[str, Any]) -> Iterator[bytes]:
    yield _firmware(table)
    yield _system(table)
    yield _board(table)
    yield _chassis(table)
    yield _processor(table)
    slots = table["memory"]
    yield _array(len(slots))
    for number, slot in enumerate(slots):
        yield _module(number, slot)
        yield from (_mapped(number, part, *ends) for part, ends in enumerate(slot.get("mapped_gib", ())))


def _text(value: str) -> bytes:
    return value.encode() or b" "


def _firmware(table: Mapping[str, Any]) -> bytes:
    """Type 0: vendor, version, segment, date, size, characteristics (PCI, UEFI), release."""
    body = (
        bytes((1, 2)) + (0xE800).to_bytes(2, "little") + bytes((3, 0xFF)) + bytes((0x80, 0, 0, 0, 0, 0, 0, 0))
    )
    body += bytes((0, 0x08, 1, 8, 0xFF, 0xFF))
    return structure(0, 0, body, b"Tarnwick", _text(table["version"]), _text(table["date"]))


def _system(table: Mapping[str, Any]) -> bytes:
    """Type 1: maker, product, version, serial, UUID (first three fields little-endian), SKU, family."""
    body = bytes((1, 2, 3, 4)) + uuid.UUID(table["uuid"]).bytes_le + bytes((6, 5, 6))
    texts = ("Tarnwick", table["product"], "1", table["serial"], table["sku"], "Tarnwick")
    return structure(1, 0x0100, body, *map(_text, texts))


def _board(table: Mapping[str, Any]) -> bytes:
    body = bytes((1, 2, 3, 4, 0, 0x09, 0)) + (0x0300).to_bytes(2, "little") + bytes((0x0A, 0))
    texts = ("Tarnwick", table["product"], "R3", table["board_serial"])
    return structure(2, 0x0200, body, *map(_text, texts))


def _chassis(table: Mapping[str, Any]) -> bytes:
    body = bytes((1, _CHASSIS[table["chassis"]], 2, 3, 0, 3, 3, 3, 3)) + bytes(4) + bytes((0, 1, 0, 0))
    return structure(3, 0x0300, body, b"Tarnwick", b"1", _text(table["chassis_serial"]))


def _processor(table: Mapping[str, Any]) -> bytes:
    """Type 4, version 2.5 and later: populated and enabled, with its cores."""
    cores = table["cores"]
    body = bytes((1, 3, 0xC6, 2)) + bytes(8) + bytes((3, 0x88)) + (100).to_bytes(2, "little")
    body += (2400).to_bytes(2, "little") * 2 + bytes((0x41, 1)) + b"\xff\xff" * 3 + bytes(3)
    body += bytes((cores, cores, cores)) + (0x0004).to_bytes(2, "little") + (0xC6).to_bytes(2, "little")
    return structure(4, 0x0400, body, b"Socket 1", b"Tarnwick", b"virtual")


def _array(slots: int) -> bytes:
    """Type 16: on the board, system memory, no error correction, at most 64 GiB."""
    body = bytes((3, 3, 3)) + (64 * 2**20).to_bytes(4, "little") + b"\xfe\xff" + slots.to_bytes(2, "little")
    return structure(16, 0x1000, body + bytes(8))


def _module(number: int, slot: Mapping[str, Any]) -> bytes:
    """Type 17; a slot without `gib` is empty: size 0, and nothing known of it."""
    mib = int(slot.get("gib", 0) * 1024)
    speed = int(slot.get("speed", 3200)) if mib else 0
    form = _DIMM if slot.get("form") == "dimm" else _SODIMM
    body = (0x1000).to_bytes(2, "little") + b"\xfe\xff" + (b"\x40\0\x40\0" if mib else b"\xff\xff\xff\xff")
    body += mib.to_bytes(2, "little") + bytes((form, 0, 1, 2, _DDR4 if mib else 2, 0x80, 0))
    body += speed.to_bytes(2, "little") + (bytes((3, 4, 0, 5, 1)) if mib else bytes(5)) + bytes(4)
    body += speed.to_bytes(2, "little") + bytes(6)
    texts = [f"Slot {number + 1}", f"Bank {number}"]
    texts += ["Harrow Gate", slot["serial"], slot["part_number"]] if mib else []
    return structure(17, 0x1100 + number, body, *map(_text, texts))


def _mapped(number: int, part: int, first: int, end: int) -> bytes:
    """Type 20: from where to where, in whole GiB, a module's memory lies; not interleaved."""
    body = (first * GIB // 1024).to_bytes(4, "little") + (end * GIB // 1024 - 1).to_bytes(4, "little")
    body += (0x1100 + number).to_bytes(2, "little") + (0x1300).to_bytes(2, "little") + bytes((0xFF, 0, 0))
    return structure(20, 0x1400 + 16 * number + part, body + bytes(16))
