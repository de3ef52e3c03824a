"""Small kernel files: the one place that opens them, and where an errno becomes a reason.

Rules: the root is an argument, so a copied tree reads like the real one; only regular files are opened
(a fifo or a device in their place never blocks a run); at most `LARGEST` bytes are taken; nothing
raises. Sources are named as the kernel names them, without the root.

Reasons follow Documentation/hwmon/sysfs-interface.rst (ENODATA: the sensor is disabled) and
errno(3) as sysfs uses it (ENODEV, ENXIO: the device went away while its file was open).
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

from reports.model.evidence import LARGEST_INTEGER, Absent, Reading, Why

LARGEST: Final = 1 << 20
"""Bytes; the firmware table, the largest file read, is well under 64 kB on the machines known."""

WHY: Final[Mapping[int, Why]] = {
    errno.ENOENT: Why.NOT_THERE,
    errno.ENOTDIR: Why.NOT_THERE,
    errno.ENODEV: Why.NOT_THERE,
    errno.ENXIO: Why.NOT_THERE,
    errno.EACCES: Why.NOT_PERMITTED,
    errno.EPERM: Why.NOT_PERMITTED,
    errno.ENODATA: Why.SWITCHED_OFF,
    errno.ENETDOWN: Why.SWITCHED_OFF,
    errno.ERFKILL: Why.SWITCHED_OFF,
    errno.EOPNOTSUPP: Why.NOT_SUPPORTED,
    errno.ENOSYS: Why.NOT_SUPPORTED,
    errno.EINVAL: Why.NOT_SUPPORTED,
    errno.ENOTTY: Why.NOT_SUPPORTED,
}
"""Every other errno (EIO, ETIMEDOUT, EAGAIN, EBUSY, EREMOTEIO ...) means: did not answer."""

T = TypeVar("T")

_INTEGER: Final = re.compile(r"[+-]?[0-9]{1,30}")


def absent(error: OSError, source: str) -> Absent:
    """The reason behind `error`; the words of the system stay as detail where they add anything."""
    why = WHY.get(error.errno or 0, Why.DID_NOT_ANSWER)
    plain = error.errno in (errno.ENOENT, errno.EACCES, errno.EPERM, errno.ENODATA)
    return Absent(why, source, "" if plain else (error.strerror or type(error).__name__))


def not_understood(text: str, source: str) -> Absent:
    """`text` was read and means nothing to us; the first 80 characters of it are kept."""
    return Absent(Why.NOT_UNDERSTOOD, source, text[:80])


def number(value: float, unit: str, source: str) -> Reading | Absent:
    """A reading, unless the integer has no exact JSON number: no sensor counts that far."""
    if isinstance(value, int) and abs(value) > LARGEST_INTEGER:
        return not_understood(str(value), source)
    return Reading(value, unit, source)


def known(value: Reading | Absent) -> Reading | Absent:
    """A blank text says nothing of a device: not there. (A blank identity of the unit is a finding.)"""
    if isinstance(value, Reading) and value.value == "":
        return Absent(Why.NOT_THERE, value.source, "blank")
    return value


def first(*candidates: Reading | Absent) -> Reading | Absent:
    """The first reading, else the reason of the first candidate that has a better one than absence."""
    for candidate in candidates:
        if isinstance(candidate, Reading):
            return candidate
    reasons = [each for each in candidates if isinstance(each, Absent)]
    return next((each for each in reasons if each.why is not Why.NOT_THERE), reasons[0])


def gathered(found: Iterable[T | Absent]) -> tuple[T, ...] | Absent:
    """All of them, or why one could not be asked.

    A device that could not be asked what it is must not look as if it were none: the list is then absent.
    """
    taken: list[T] = []
    for each in found:
        if isinstance(each, Absent):
            return each
        taken.append(each)
    return tuple(taken)


@dataclass(frozen=True, slots=True)
class Tree:
    """A file tree that holds `sys`, `proc`, `run` and `dev`; `/` is the computer we run on."""

    root: Path = Path("/")

    def real(self, path: str) -> Path:
        """Where `path`, as the kernel names it, lies in this tree."""
        return self.root / path.lstrip("/")

    def data(self, path: str, limit: int = LARGEST) -> bytes | Absent:
        """Up to `limit` bytes of the regular file `path`."""
        try:
            return self._data(self.real(path), limit)
        except OSError as error:
            return absent(error, path)
        except _NotAFileError:
            return Absent(Why.NOT_SUPPORTED, path, "not a regular file")

    @staticmethod
    def _data(path: Path, limit: int) -> bytes:
        # asked before opening, because opening some device nodes already acts
        if not stat.S_ISREG(path.stat().st_mode):
            raise _NotAFileError
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
        try:
            return _drain(descriptor, limit)
        finally:
            os.close(descriptor)

    def text(self, path: str) -> Reading | Absent:
        """The text of `path` without the blanks around it; not understood unless it is UTF-8."""
        data = self.data(path)
        if isinstance(data, Absent):
            return data
        try:
            return Reading(data.decode().strip(" \t\r\n\0"), "", path)
        except UnicodeDecodeError:
            return not_understood(data.decode(errors="backslashreplace"), path)

    def words(self, path: str) -> str:
        """The text of `path`, empty where there is none to be had: for names, never for measurements."""
        text = self.text(path)
        return str(text.value) if isinstance(text, Reading) else ""

    def sort(self, path: str) -> str | Absent:
        """The text of a file by which devices are told apart, "" where there is none; absent where it
        could not be read."""
        text = self.text(path)
        if isinstance(text, Absent):
            return "" if text.why is Why.NOT_THERE else text
        return str(text.value)

    def integer(self, path: str, unit: str = "") -> Reading | Absent:
        """The decimal integer in `path`."""
        text = self.text(path)
        if isinstance(text, Absent):
            return text
        if not _INTEGER.fullmatch(str(text.value)):
            return not_understood(str(text.value), path)
        return number(int(text.value), unit, path)

    def scaled(self, path: str, divisor: int, unit: str) -> Reading | Absent:
        """The integer in `path` over `divisor`, in `unit`."""
        raw = self.integer(path)
        return raw if isinstance(raw, Absent) else Reading(int(raw.value) / divisor, unit, path)

    def flag(self, path: str) -> Reading | Absent:
        """True for 1, false for 0; anything else is not understood."""
        text = self.text(path)
        if isinstance(text, Absent):
            return text
        if text.value not in ("0", "1"):
            return not_understood(str(text.value), path)
        return Reading(text.value == "1", "", path)

    def names(self, path: str) -> tuple[str, ...] | Absent:
        """What the folder `path` holds; numbers inside names sort as numbers (hwmon2 before hwmon10)."""
        try:
            return tuple(sorted(os.listdir(self.real(path)), key=_natural))
        except OSError as error:
            return absent(error, path)

    def listed(self, path: str) -> tuple[str, ...]:
        """What the folder `path` holds, nothing where it cannot be listed."""
        names = self.names(path)
        return () if isinstance(names, Absent) else names

    def exists(self, path: str) -> bool:
        """Whether there is anything at `path`."""
        return os.path.lexists(self.real(path))

    def resolved(self, path: str) -> str:
        """`path` with its links followed, named as the kernel names it; itself where it leads nowhere."""
        real, root = os.path.realpath(self.real(path)), os.path.realpath(self.root)
        return "/" + os.path.relpath(real, root) if _inside(real, root) else path

    def driver(self, device: str) -> Reading | Absent:
        """The name of the driver bound to the device folder `device`."""
        source = f"{device}/driver"
        if not self.exists(source):
            return Absent(Why.NOT_THERE, source, "no driver took it")
        return Reading(os.path.basename(self.resolved(source)), "", source)


class _NotAFileError(Exception):
    pass


def _inside(real: str, root: str) -> bool:
    return os.path.commonpath((real, root)) == root


def _drain(descriptor: int, limit: int) -> bytes:
    taken = b""
    while len(taken) < limit:
        more = os.read(descriptor, limit - len(taken))
        if not more:
            break
        taken += more
    return taken


def _natural(name: str) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)]
