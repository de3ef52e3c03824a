"""What the kernel complained of (Linux, Documentation/ABI/testing/dev-kmsg).

A record is `priority,sequence,microseconds,flags;text`, continued by lines that begin with a blank. Only
counts by kind leave this module: the text may name serials, networks or files of the owner.

Counts are judged by how much they grow, and mostly errors count: what the kernel says at `warning` and
below, it says on sound machines too. A few things that no sound machine says it prints more quietly; their
rules say so. Errors of drives that are plugged in from outside count as `other`. A log that overflowed has
lost its oldest records, and a count of it is a lower bound: `lost` says so.
"""

from __future__ import annotations

import os
import re
import stat
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import block
from agent.machine.linux.files import Tree, absent
from checks.machine import Complaint as Kind
from reports.model.evidence import Absent, Reading

LOG: Final = "/dev/kmsg"
ERROR: Final = 3
WARNING: Final = 4
INFORMATION: Final = 6
"""Priorities of syslog: 0 emergency, 1 alert, 2 critical, 3 error, 4 warning, 5 notice, 6 information."""

_NOT_THE_KERNEL: Final = 8  # the facility stands above the three bits of severity; the kernel's is 0
_LARGEST_RECORD: Final = 8192  # CONSOLE_EXT_LOG_MAX in kernel/printk
_MOST_RECORDS: Final = 200_000


@dataclass(frozen=True, slots=True)
class Rule:
    """What a line means: `kind` where `pattern` is in it, and it is printed at `quietest` or graver.

    `source` is the file of the kernel that prints it.
    """

    kind: Kind
    pattern: re.Pattern[str]
    source: str
    quietest: int = ERROR


def _rule(kind: Kind, pattern: str, source: str, quietest: int = ERROR) -> Rule:
    return Rule(kind, re.compile(pattern), source, quietest)


_DRIVE_NAME: Final = r"(?!(sr|fd|loop|zram|ram|dm-|md)\d)"
"""Discs, floppies and memory that poses as a drive are no drives."""

RULES: Final = (
    _rule(Kind.MEMORY, r"Memory failure: ", "mm/memory-failure.c"),
    _rule(Kind.MEMORY, r"Uncorrected hardware memory error", "arch/x86/kernel/cpu/mce/core.c"),
    _rule(Kind.MEMORY, r"EDAC MC\d+: .*\b(CE|UE)\b", "drivers/edac/edac_mc.c", WARNING),
    _rule(Kind.PCI_EXPRESS, r"AER: |PCIe Bus Error: severity=Uncorrect", "drivers/pci/pcie/aer.c"),
    _rule(Kind.MACHINE_CHECK, r"Machine check events logged", "arch/x86/kernel/cpu/mce/core.c", INFORMATION),
    _rule(Kind.MACHINE_CHECK, r"mce: |\[Hardware Error\]|Machine [Cc]heck", "arch/x86/kernel/cpu/mce/core.c"),
    _rule(Kind.HEAT, r"critical temperature reached", "drivers/thermal/thermal_core.c"),
    _rule(
        Kind.DRIVE,
        r"(I/O|timeout|protection|recoverable transport|critical (medium|target|nexus)) error, dev "
        + _DRIVE_NAME,
        "block/blk-core.c",
    ),
    _rule(Kind.DRIVE, r"Buffer I/O error on dev " + _DRIVE_NAME, "fs/buffer.c"),
    _rule(Kind.DRIVE, r"nvme\w+: \w+\(0x\w+\) @ LBA ", "drivers/nvme/host/core.c"),
    _rule(
        Kind.DRIVE,
        r"nvme\w+: (I/O .*timeout|controller is down; will reset)",
        "drivers/nvme/host/pci.c",
        WARNING,
    ),
    _rule(
        Kind.DRIVE_LINK,
        r"ata\d+(\.\d+)?: .*(link|exception|failed command|SError|COMRESET|reset failed|failed to IDENTIFY)",
        "drivers/ata/libata-eh.c, libata-sata.c and libata-core.c",
    ),
    _rule(
        Kind.USB,
        r"usb (\d+-[\d.]+: |\S+-port\d+: )|xhci_hcd .*(died|not responding)",
        "drivers/usb/core/hub.c and hcd.c, drivers/usb/host/xhci-ring.c",
    ),
)
"""First that fits. What none fits counts as `other`, not as nothing, so that a text which a later kernel
words otherwise is not lost. That a processor was slowed by heat is a warning and none of ours
(drivers/thermal/intel/therm_throt.c): sound laptops say it under load, and another check counts for how long.
So is a corrected error of a link (`agent.machine.linux.aer` counts these)."""

_RECORD: Final = re.compile(r"(?P<priority>\d+),(?P<sequence>\d+),(?P<time>\d+),[^;]*;(?P<text>.*)")


@dataclass(frozen=True, slots=True)
class Record:
    """One record: severity 0 (worst) to 7, its place in the log, seconds since the start, its first line."""

    severity: int
    sequence: int
    time_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Complaints:
    """Errors by kind, plain counts, each kind in the order of `Complaint`; `lost`: older records are gone."""

    counts: tuple[tuple[Kind, Reading], ...]
    last_sequence: int
    lost: bool


def complaints(tree: Tree, after: int = -1) -> Complaints | Absent:
    """Errors in the log after the record with the sequence number `after`."""
    text = _log(tree)
    if isinstance(text, Absent):
        return text
    found, outside = list(records(text)), _outside(tree)
    kinds = (complaint_of(each, outside) for each in found if each.sequence > after)
    counts = Counter(kind for kind in kinds if kind is not None)
    return Complaints(
        counts=tuple((kind, Reading(counts[kind], "", LOG)) for kind in Kind),
        last_sequence=max((each.sequence for each in found), default=after),
        lost=bool(found) and found[0].sequence > after + 1,
    )


def records(text: str) -> Iterator[Record]:
    """The records of a log; left out are continuations, noise, and what programs wrote there."""
    for line in text.split("\n"):
        match = _RECORD.fullmatch(line)
        priority = int(match["priority"]) if match else _NOT_THE_KERNEL
        if match and priority < _NOT_THE_KERNEL:
            yield Record(priority, int(match["sequence"]), int(match["time"]) / 1e6, match["text"])


def complaint_of(record: Record, outside: Collection[str] = ()) -> Kind | None:
    """What a record complains of; None for one that is no complaint. `outside` are names of drives that are
    none of the unit's."""
    rule = next((rule for rule in RULES if rule.pattern.search(record.text)), None)
    if record.severity > (ERROR if rule is None else rule.quietest):
        return None
    if rule is None or (rule.kind is Kind.DRIVE and _names_one(record.text, outside)):
        return Kind.OTHER
    return rule.kind


def _names_one(text: str, drives: Collection[str]) -> bool:
    """`dev sdb,` and `dev sdb1,` are of `sdb`."""
    return any(re.search(rf"\bdev {re.escape(name)}\d*\b", text) for name in drives)


def _outside(tree: Tree) -> frozenset[str]:
    """The stick, and whatever else hangs on USB."""
    found = block.disks(tree)
    return frozenset(
        disk.node
        for disk in (() if isinstance(found, Absent) else found)
        if disk.boot_stick or (isinstance(disk.transport, Reading) and disk.transport.value == "usb")
    )


def _log(tree: Tree) -> str | Absent:
    """The whole log. The device gives one record for each read and never blocks; a copy of it is a file."""
    path = str(tree.real(LOG))
    try:
        if stat.S_ISCHR(os.stat(path).st_mode):
            return _from_device(path).decode(errors="backslashreplace")
    except OSError as error:
        return absent(error, LOG)
    data = tree.data(LOG)
    return data if isinstance(data, Absent) else data.decode(errors="backslashreplace")


def _from_device(path: str) -> bytes:
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return b"".join(_read(descriptor))
    finally:
        os.close(descriptor)


def _read(descriptor: int) -> Iterator[bytes]:
    for _ in range(_MOST_RECORDS):
        try:
            yield os.read(descriptor, _LARGEST_RECORD)
        except BlockingIOError:
            return
        except BrokenPipeError:
            continue  # records were overwritten while we read: the next read goes on behind them
