"""The blocks that were written to a disk, in their order, as QEMU's blklogwrites filter logs them.

The format is that of the kernel's dm-log-writes (Documentation/admin-guide/device-mapper/log-writes.rst;
struct log_write_super and log_write_entry in drivers/md/dm-log-writes.c): one sector of head, then for each
write one sector of entry and its data. All numbers are little-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_MAGIC: Final = 0x6A736677736872
_SUPER: Final = struct.Struct("<QQQI")
_ENTRY: Final = struct.Struct("<QQQQ")
_DISCARD: Final = 4


@dataclass(frozen=True)
class Write:
    """`data` at byte `offset`; "" for what only empties a cache."""

    offset: int
    data: bytes


def read_log(path: Path) -> tuple[Write, ...]:
    """Every write that the log at `path` holds."""
    log = path.read_bytes()
    magic, version, count, sector = _SUPER.unpack_from(log)
    assert (magic, version) == (_MAGIC, 1)
    writes, place = [], sector
    for _ in range(count):
        at, sectors, flags, _length = _ENTRY.unpack_from(log, place)
        assert not flags & _DISCARD, "a discard: its effect on the data is not known"
        place += sector
        writes.append(Write(at * sector, log[place : place + sectors * sector]))
        place += sectors * sector
    return tuple(writes)


def after(image: bytes, writes: Sequence[Write]) -> bytes:
    """The disk `image` once `writes` have arrived on it."""
    disk = bytearray(image)
    for write in writes:
        disk[write.offset : write.offset + len(write.data)] = write.data
    return bytes(disk)
