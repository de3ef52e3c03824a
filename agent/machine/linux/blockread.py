"""The one place that opens drives, and the one that lets another program open them: to read, always.

Rules:

- a drive is opened with O_RDONLY; there is no way to ask for more, and the open file is asked what it is;
- what is opened is the block device whose number sysfs told: a node that leads elsewhere is refused;
- another program gets a drive only by one of `COMMANDS`, whose arguments are fixed: each only asks;
- such a program has a time limit and a limit of what it may say, and takes nothing from our input;
- nothing raises for a drive that does not answer.

Bytes come from the drive and not from a cache: O_DIRECT (open(2)) where the drive takes it, else the
cache is told to forget them before and after (posix_fadvise(2)).
"""

from __future__ import annotations

import fcntl
import mmap
import os
import select
import shutil
import stat
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

from agent.machine.linux.block import Disk
from agent.machine.linux.files import Tree, absent
from reports.model.evidence import Absent, Reading, Why

ALIGNED: Final = 4096
"""Offsets and lengths of direct reads are multiples of the drive's sector: 512 or 4096 bytes."""

LARGEST_READ: Final = 4 << 20

# -- reading it ourselves ---------------------------------------------------------------------------------


@contextmanager
def opened(tree: Tree, disk: Disk) -> Iterator[Reader | Absent]:
    """`disk` of this tree, open to be read; absent where it cannot be opened or is not what sysfs says."""
    path = node(tree, disk)
    descriptor = _open(path, tree.words(f"{disk.folder}/dev"))
    if isinstance(descriptor, Absent):
        yield descriptor
        return
    try:
        with reader(descriptor, str(path)) as it:
            yield it
    finally:
        os.close(descriptor)


def node(tree: Tree, disk: Disk) -> Path:
    """The device node; the kernel writes a slash in a device's name as an exclamation mark in sysfs."""
    return tree.real(f"/dev/{disk.node.replace('!', '/')}")


def _open(path: Path, number: str) -> int | Absent:
    """A descriptor that can only read the block device `number` (`8:0`) at `path`."""
    flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK
    try:
        if not _is_device(os.stat(path), number):
            return Absent(Why.NOT_THERE, str(path), f"no block device with the number {number}")
        descriptor = _direct(path, flags)
    except OSError as error:
        return absent(error, str(path))
    # asked of the open file, which nobody can put another one in the place of
    if _is_device(os.fstat(descriptor), number) and only_reads(descriptor):
        return descriptor
    os.close(descriptor)
    return Absent(Why.NOT_THERE, str(path), f"no block device with the number {number}")


def _direct(path: Path, flags: int) -> int:
    try:
        return os.open(path, flags | os.O_DIRECT)
    except OSError:
        return os.open(path, flags)


def _is_device(status: os.stat_result, number: str) -> bool:
    it = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
    return stat.S_ISBLK(status.st_mode) and it == number


def only_reads(descriptor: int) -> bool:
    """Whether the kernel would refuse to write through `descriptor` (fcntl(2), O_ACCMODE)."""
    return fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY


@dataclass(frozen=True, slots=True)
class Reader:
    """Fits `checks.machine.DriveReader`. `size` in bytes; `buffer` is aligned as direct reads want it."""

    descriptor: int
    source: str
    size: int
    buffer: memoryview

    def read(self, offset: int, length: int) -> Reading | Absent:
        """How long it took to read `length` bytes at `offset`, seconds."""
        began = time.perf_counter()
        got = self._fill(offset, length)
        took = time.perf_counter() - began
        return got if isinstance(got, Absent) else Reading(round(took, 6), "s", self.source)

    def data(self, offset: int, length: int) -> bytes | Absent:
        """The bytes themselves: for headers, never for what an owner wrote."""
        got = self._fill(offset, length)
        return got if isinstance(got, Absent) else bytes(self.buffer[:length])

    def _fill(self, offset: int, length: int) -> Absent | None:
        if length > len(self.buffer) or offset % ALIGNED or length % ALIGNED:
            raise ValueError(f"a read of {length} bytes at {offset}")
        taken = 0
        try:
            self._forget(offset, length)
            while taken < length:
                more = os.preadv(self.descriptor, [self.buffer[taken:length]], offset + taken)
                if not more:
                    return Absent(Why.DID_NOT_ANSWER, self.source, f"the drive ends at byte {offset + taken}")
                taken += more
            self._forget(offset, length)
        except OSError as error:
            said = error.strerror or "error"
            return Absent(Why.DID_NOT_ANSWER, self.source, f"{said} at byte {offset + taken}")
        return None

    def _forget(self, offset: int, length: int) -> None:
        if not fcntl.fcntl(self.descriptor, fcntl.F_GETFL) & os.O_DIRECT:
            os.posix_fadvise(self.descriptor, offset, length, os.POSIX_FADV_DONTNEED)


@contextmanager
def reader(descriptor: int, source: str) -> Iterator[Reader]:
    """A reader of the open file `descriptor`, which must not be able to write; it stays open after."""
    if not only_reads(descriptor):
        raise ValueError(f"{source} is open to be written")
    with mmap.mmap(-1, LARGEST_READ) as area, memoryview(area) as buffer:
        yield Reader(descriptor, source, os.lseek(descriptor, 0, os.SEEK_END), buffer)


# -- letting another program ask it -----------------------------------------------------------------------


class Command(StrEnum):
    """What another program may be made to ask of a drive."""

    SATA_HEALTH = "health of a SATA drive"
    NVME_HEALTH = "health of an NVMe drive"
    OTHER_HEALTH = "health of any other drive"
    SIGNATURES = "signatures"


ASLEEP: Final = 255
"""The status smartctl is told to leave with, where it would have to wake the drive (its -n option)."""

_HEALTH: Final = (
    *("smartctl", "--json=c", f"--nocheck=standby,{ASLEEP}"),
    *("--info", "--health", "--attributes"),
)

COMMANDS: Final[Mapping[Command, tuple[str, ...]]] = {
    # the type is said where it is known, because finding it out may wake a drive (smartctl(8), -n)
    Command.SATA_HEALTH: (*_HEALTH, "--device=sat"),
    Command.NVME_HEALTH: (*_HEALTH, "--device=nvme"),
    Command.OTHER_HEALTH: _HEALTH,
    Command.SIGNATURES: ("blkid", "--probe", "--output", "export"),
}
"""Every one: IDENTIFY, CHECK POWER MODE, SMART READ DATA, READ THRESHOLDS, RETURN STATUS; the NVMe IDENTIFY
and GET LOG PAGE; SCSI INQUIRY, LOG SENSE, MODE SENSE; reads of sectors. smartctl(8), blkid(8)."""

FOLDERS: Final = "/usr/sbin:/usr/bin:/sbin:/bin"
PATIENCE_S: Final = 20.0
"""A drive that spins up answers within 10 s or so (common practice, no source)."""
LONGEST_ANSWER: Final = 1 << 18
"""Bytes; the longest seen of smartctl is under 20 kB."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a program said: its exit status, what it printed, and its complaints, shortened."""

    status: int
    text: bytes
    complaint: str


def ask(command: Command, path: Path) -> Said | Absent:
    """What the program of `command` says of the device at `path`; absent where it does not answer."""
    name, *arguments = COMMANDS[command]
    program = shutil.which(name, path=FOLDERS)
    if program is None:
        return Absent(Why.NOT_THERE, name, f"{name} is not installed")
    if command is Command.SIGNATURES and (silent := _silent(path)):
        return silent
    try:
        child = subprocess.Popen(
            [program, *arguments, str(path)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={"LC_ALL": "C", "PATH": FOLDERS},
            bufsize=0,
        )
    except OSError as error:
        return absent(error, program)
    with _ended(child):
        return _heard(child, name)


def _silent(path: Path) -> Absent | None:
    """Why the first sector cannot be had; None where it can.

    blkid leaves as if nothing were there, without a word, where there is no device (seen with 2.38).
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        return absent(error, str(path))
    try:
        os.posix_fadvise(descriptor, 0, ALIGNED, os.POSIX_FADV_DONTNEED)
        first = os.pread(descriptor, 512, 0)
    except OSError as error:
        return Absent(Why.DID_NOT_ANSWER, str(path), error.strerror or "error")
    finally:
        os.close(descriptor)
    return None if first else Absent(Why.NOT_THERE, str(path), "no medium")


@contextmanager
def _ended(child: subprocess.Popen[bytes]) -> Iterator[None]:
    """Ends the child on every way out; one that hangs in the kernel is left behind."""
    try:
        yield
    finally:
        child.kill()
        with suppress(subprocess.TimeoutExpired):
            child.wait(2.0)
        for pipe in (child.stdout, child.stderr):
            if pipe is not None:
                pipe.close()


def _heard(child: subprocess.Popen[bytes], name: str) -> Said | Absent:
    assert child.stdout is not None
    assert child.stderr is not None
    heard = {child.stdout.fileno(): b"", child.stderr.fileno(): b""}
    open_pipes, until = list(heard), time.monotonic() + PATIENCE_S
    while open_pipes:
        ready, _, _ = select.select(open_pipes, [], [], max(until - time.monotonic(), 0.0))
        if not ready:
            return Absent(Why.DID_NOT_ANSWER, name, f"{name} did not end within {PATIENCE_S:.0f} s")
        for pipe in ready:
            more = os.read(pipe, 1 << 16)
            heard[pipe] += more
            if not more:
                open_pipes.remove(pipe)
            if len(heard[pipe]) > LONGEST_ANSWER:
                return Absent(Why.NOT_UNDERSTOOD, name, f"{name} said more than {LONGEST_ANSWER} bytes")
    try:
        status = child.wait(max(until - time.monotonic(), 0.1))
    except subprocess.TimeoutExpired:
        return Absent(Why.DID_NOT_ANSWER, name, f"{name} did not end within {PATIENCE_S:.0f} s")
    text, complaint = heard.values()
    return Said(status, text, complaint.decode("ascii", "backslashreplace").strip()[:200])
