"""What the kernel complained of (Linux, Documentation/ABI/testing/dev-kmsg).

A record is `priority,sequence,microseconds,flags;text`, continued by lines that begin with a blank. Only
counts by kind leave this module: the text may name serials, networks or files of the owner.

Counts are judged by how much they grow, and only errors count: what the kernel says at `warning` and
below, it says on sound machines too. A log that overflowed has lost its oldest records, and a count of it
is a lower bound: `lost` says so.
"""

from __future__ import annotations

import os
import re
import stat
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree, absent
from checks.machine import Complaint as Kind
from reports.model.evidence import Absent, Reading

LOG: Final = "/dev/kmsg"
ERROR: Final = 3
"""Priorities of syslog: 0 emergency, 1 alert, 2 critical, 3 error."""

_NOT_THE_KERNEL: Final = 8  # the facility stands above the three bits of severity; the kernel's is 0
_LARGEST_RECORD: Final = 8192  # CONSOLE_EXT_LOG_MAX in kernel/printk
_MOST_RECORDS: Final = 200_000


_KINDS: Final[tuple[tuple[Kind, re.Pattern[str]], ...]] = (
    (Kind.MEMORY, re.compile(r"Memory failure|EDAC .*\b(CE|UE)\b|Uncorrected hardware memory error")),
    (Kind.PCI_EXPRESS, re.compile(r"AER: |PCIe Bus Error")),
    (Kind.MACHINE_CHECK, re.compile(r"mce: |\[Hardware Error\]|Machine check")),
    (Kind.HEAT, re.compile(r"temperature (is )?above threshold|critical temperature reached")),
    (Kind.DRIVE, re.compile(r"(I/O|critical (medium|target)) error, dev (?!(sr|fd|loop|zram)\d)")),
    (Kind.DRIVE, re.compile(r"nvme\S*: I/O .*(timeout|error)")),
    (Kind.DRIVE_LINK, re.compile(r"ata\d+(\.\d+)?: .*(link|exception|failed command|SError)")),
    (Kind.USB, re.compile(r"usb \d+-[\d.]+: |usb \S+-port\d+: |xhci_hcd .*(died|not responding)")),
)
"""First that fits; the texts are those of the kernel's sources (mm/memory-failure.c, drivers/pci/pcie/aer.c,
arch/x86/kernel/cpu/mce, drivers/thermal, block/blk-core.c, drivers/nvme/host/pci.c, drivers/ata/libata-eh.c,
drivers/usb/core/hub.c). Discs, floppies and memory that poses as a drive are no drives. A text that a later
kernel words otherwise counts as `other`, not as nothing."""

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
    found = list(records(text))
    counts = Counter(kind_of(each.text) for each in found if each.severity <= ERROR and each.sequence > after)
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


def kind_of(text: str) -> Kind:
    """What the text of an error is about."""
    return next((kind for kind, pattern in _KINDS if pattern.search(text)), Kind.OTHER)


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
