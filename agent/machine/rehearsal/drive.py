"""A drive of a rehearsal unit: its log, what lies on it, and reading it in virtual time.

A read takes the drive's seek time and its length over the drive's rate. Where it touches the bad bytes it
fails, and from then on the drive counts a pending sector. A bad cable adds interface errors as bytes
cross it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

from agent.machine.rehearsal.unit import Disk, Extent
from checks.machine import DriveHealth, DriveLayout, Volume
from reports.model.evidence import Absent, Reading, Value, Why

GIB = 2**30


class Sleeper(Protocol):
    """What lets virtual time pass."""

    def sleep(self, seconds: float) -> None: ...


@dataclass
class Played:
    """The state of a drive: what was read of it so far, the reads that failed, and whether it is read now."""

    disk: Disk
    clock: Sleeper
    read_bytes: int = 0
    failed: int = 0
    works: bool = False

    @contextmanager
    def at_work(self) -> Iterator[Played]:
        self.works = True
        try:
            yield self
        finally:
            self.works = False

    @property
    def size(self) -> int:
        return self.disk.capacity_bytes

    def read(self, offset: int, length: int) -> Reading | Absent:
        """Seconds that the read took; absent where it meets the bad bytes or the end."""
        disk, source = self.disk, f"rehearsal: {self.disk.id}"
        took = disk.seek_s + length / disk.bytes_per_s
        self.clock.sleep(took)
        self.read_bytes += length
        if offset + length > disk.capacity_bytes:
            return Absent(Why.DID_NOT_ANSWER, source, f"the drive ends at byte {disk.capacity_bytes}")
        first = max(offset, disk.bad_from)
        if first < min(offset + length, disk.bad_from + disk.bad_bytes):
            self.failed += 1
            return Absent(Why.DID_NOT_ANSWER, source, f"Input/output error at byte {first}")
        return Reading(round(took, 6), "s", source)

    def health(self) -> DriveHealth | Absent:
        """What its log says now."""
        log = self.disk.log
        if not log.keeps:
            return Absent(
                Why.NOT_SUPPORTED, f"rehearsal: {self.disk.id}", "the drive keeps no record of its health"
            )
        crossed = int(log.interface_errors_per_gib * self.read_bytes / GIB)
        nvme = self.disk.transport == "nvme"
        return DriveHealth(
            id=self.disk.id,
            sound=self._said(log.sound),
            warnings=self._said(log.warnings, only=nvme),
            worn=self._said(log.worn, only=not nvme),
            reallocated=self._said(log.reallocated, only=not nvme),
            pending=self._said(log.pending + self.failed, only=not nvme),
            uncorrectable=self._said(log.uncorrectable, only=not nvme),
            unrecovered=self._said(log.unrecovered + self.failed),
            interface_errors=self._said(log.interface_errors + crossed, only=not nvme),
            spare=self._said(log.spare, "percent", only=nvme),
            spare_threshold=self._said(log.spare_threshold, "percent", only=nvme),
            used=self._said(log.used, "percent"),
            hours=self._said(log.hours, "h"),
            starts=self._said(log.starts),
            temperature=self._said(log.temperature, "celsius"),
        )

    def _said(self, value: Value, unit: str = "", only: bool = True) -> Reading | Absent:
        source = f"rehearsal: health of {self.disk.id}"
        return Reading(value, unit, source) if only else Absent(Why.NOT_SUPPORTED, source)

    def layout(self) -> DriveLayout:
        """What lies on it."""
        source = f"rehearsal: layout of {self.disk.id}"
        nothing = Absent(Why.NOT_THERE, source)
        table = Reading(self.disk.table, "", source) if self.disk.table else nothing
        return DriveLayout(self.disk.id, table, tuple(_volume(each, source) for each in self.disk.volumes))


def _volume(extent: Extent, source: str) -> Volume:
    if not extent.signature:
        nothing = Absent(Why.NOT_THERE, source)
        return Volume(extent.number, nothing, nothing, nothing)
    bound = (
        Absent(Why.NOT_SUPPORTED, source)
        if extent.board_bound is None
        else Reading(extent.board_bound, "", source)
    )
    return Volume(
        extent.number, Reading(extent.signature, "", source), Reading(extent.use.value, "", source), bound
    )
