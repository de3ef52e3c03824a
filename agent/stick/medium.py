"""The data partition of the stick: mounted for the moment of reading or of writing, and never longer.

Rules:

- it is found anew each time by its number (PARTUUID, on the kernel's command line): a stick that was pulled
  and put back is another device, and another stick is not written to;
- it is used only if it lies on the drive that the system was started from, and only while every other drive
  is read-only, which is asked of the kernel each time (`/sys/class/block/DISK/ro`);
- to read it is mounted read-only; nothing on it is executed, no device node on it counts, and every write
  goes through at once (sync);
- on every way out it is unmounted. What a killed process left mounted goes before the next mount.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Protocol

from agent.machine.linux import block, udevdb
from agent.machine.linux.block import Disk
from agent.machine.linux.files import Tree
from reports.errors import DocumentError, Fault, shown
from reports.model.evidence import Absent

RUNTIME: Final = Path("/run/benchproof")
"""In memory, and readable by root alone."""

# mount(2), umount2(2): values of the Linux ABI (include/uapi/linux/mount.h, include/linux/fs.h)
_RDONLY, _NOSUID, _NODEV, _NOEXEC, _SYNC, _NOATIME = 1, 2, 4, 8, 16, 1024
_DETACH, _NOFOLLOW = 2, 8
_FAT_OPTIONS: Final = b"utf8=1,umask=077,errors=remount-ro"
"""Documentation/filesystems/vfat.rst. A damaged file system turns read-only and is not made worse."""

_NAMED: Final = re.compile(r"(?:^|\s)benchproof\.data=PARTUUID=([0-9A-Fa-f-]{4,40})(?:\s|$)")

_UNMOUNT_TRIES: Final = 5


class Medium(Protocol):
    """Where orders come from and reports go to; both give the folder while the context is open.

    OSError where it is gone, write-protected, or does not answer (`trouble` says it in words).
    """

    def reading(self) -> AbstractContextManager[Path]: ...

    def writing(self) -> AbstractContextManager[Path]: ...


@dataclass(frozen=True, slots=True)
class FolderMedium:
    """A folder that is there by itself: a stick that somebody else mounted, or a folder of a laptop."""

    path: Path

    @contextmanager
    def reading(self) -> Iterator[Path]:
        if not self.path.is_dir():
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV), str(self.path))
        yield self.path

    def writing(self) -> AbstractContextManager[Path]:
        return self.reading()


@dataclass(frozen=True, slots=True)
class StickMedium:
    """The FAT partition `number` (a PARTUUID) of the stick, mounted at a private folder in `runtime`."""

    number: str
    tree: Tree = field(default_factory=Tree)
    runtime: Path = RUNTIME

    def reading(self) -> AbstractContextManager[Path]:
        return self._mounted(_RDONLY)

    def writing(self) -> AbstractContextManager[Path]:
        return self._mounted(_SYNC)

    @contextmanager
    def _mounted(self, flags: int) -> Iterator[Path]:
        folder = self.runtime / "stick"
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with _alone(self.runtime / "stick.lock"):
            _unmount(folder)  # of a process that was killed; only the one that holds the lock mounts
            _mount(f"/dev/{partition(self.tree, self.number)}", folder, flags)
            try:
                yield folder
            finally:
                _unmount(folder)


def medium_of_stick(device: str | None = None, tree: Tree | None = None) -> StickMedium:
    """The data partition that the kernel's command line names, or the partition whose node is `device`.

    DocumentError where there is none.
    """
    tree = tree or Tree()
    named = _NAMED.search(tree.words(block.COMMAND_LINE))
    if device is None and named:
        return StickMedium(named[1], tree)
    if device is not None and (number := _number(tree, Path(device).name)):
        return StickMedium(number, tree)
    found = f"no partition {shown(device)}" if device else "this computer was not started from our stick"
    raise _refused(
        found, "a data partition", "stick-missing", "start from the stick, or name a folder: --data FOLDER"
    )


def partition(tree: Tree, number: str) -> str:
    """The name today (`sdb1`) of the partition `number`, after making sure that it may be used.

    OSError (no such device) where it is not there; DocumentError where two have that number, where it lies
    on a drive that is not the boot stick, or where any other drive is not read-only.
    """
    drives = block.disks(tree)
    if isinstance(drives, Absent):
        raise _refused(f"the drives cannot be listed ({drives.why})", "a list of drives", "drives-unknown")
    found = [(drive, part) for drive in drives for part in _parts(tree, drive) if _is(tree, part, number)]
    if not found:
        raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
    if len(found) > 1:
        names = " and ".join(part for _, part in found)
        raise _refused(
            f"{names} have one number", "one of them", "stick-twice", "leave one stick in the unit"
        )
    drive, part = found[0]
    _check_drives(tree, drive, drives)
    return part


def _check_drives(tree: Tree, stick: Disk, drives: tuple[Disk, ...]) -> None:
    if not stick.boot_stick:
        raise _refused(
            f"its partition lies on {shown(stick.node)}, from which this system was not started",
            "a partition of the boot stick",
            "stick-not-ours",
            "start from the stick itself",
        )
    open_ones = [drive.node for drive in drives if drive.node != stick.node and not _read_only(tree, drive)]
    if open_ones:
        raise _refused(
            f"the drive {' and the drive '.join(map(shown, open_ones))} could be written to",
            "every drive but the stick read-only",
            "drive-not-read-only",
            "nothing was mounted; start from the stick again, and make a new stick if it happens again",
        )


def _read_only(tree: Tree, drive: Disk) -> bool:
    return tree.words(f"{drive.folder}/ro") == "1"


def _parts(tree: Tree, drive: Disk) -> Iterator[str]:
    for name in tree.listed(drive.folder):
        if name.startswith(drive.node) and tree.exists(f"{drive.folder}/{name}/partition"):
            yield name


def _is(tree: Tree, part: str, number: str) -> bool:
    return _number(tree, part).casefold() == number.casefold()


def _number(tree: Tree, part: str) -> str:
    """The PARTUUID of a partition: as the kernel says, else as udev noted; "" where neither does."""
    folder = f"{block.CLASS}/{part}"
    by_kernel = re.search(r"^PARTUUID=(\S+)$", tree.words(f"{folder}/uevent"), re.MULTILINE)
    return by_kernel[1] if by_kernel else udevdb.properties(tree, folder, "b").get("ID_PART_ENTRY_UUID", "")


def _refused(found: str, allowed: str, reference: str, hint: str = "") -> DocumentError:
    return DocumentError("the stick", (Fault("", found, allowed, reference, hint),))


@contextmanager
def _alone(lock: Path) -> Iterator[None]:
    """One process at a time: the agent stands on the screen and on the serial line at once."""
    descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _mount(device: str, folder: Path, flags: int) -> None:
    flags |= _NOSUID | _NODEV | _NOEXEC | _NOATIME
    done = _libc().mount(os.fsencode(device), os.fsencode(folder), b"vfat", flags, _FAT_OPTIONS)
    if done != 0:
        code = ctypes.get_errno()
        # a read-only device that is to be written says EACCES (mount(2))
        code = {errno.EACCES: errno.EROFS, errno.ENOENT: errno.ENODEV}.get(code, code)
        raise OSError(code, os.strerror(code), device)


def _unmount(folder: Path) -> None:
    """Whatever is mounted at `folder`, any number of times; a stick that was pulled is let go of too."""
    for _ in range(_UNMOUNT_TRIES):
        if not _is_mounted(folder):
            return
        if _libc().umount2(os.fsencode(folder), _NOFOLLOW) != 0:
            _libc().umount2(os.fsencode(folder), _NOFOLLOW | _DETACH)


def _is_mounted(folder: Path) -> bool:
    """By the kernel's list (proc(5), field 5): to look at the folder could fail where the stick is gone."""
    lines = Tree().words(block.MOUNTS).splitlines()
    return any(line.split()[4] == str(folder) for line in lines if len(line.split()) > 4)


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


_TROUBLE: Final = {
    errno.ENODEV: "the stick is gone: put it back into this unit",
    errno.ENXIO: "the stick is gone: put it back into this unit",
    errno.ENOENT: "the stick is gone: put it back into this unit",
    errno.ENOTCONN: "the stick is gone: put it back into this unit",
    errno.EROFS: "the stick is write-protected, or its file system is damaged: move its switch, or have it "
    "repaired on another computer, and put it back",
    errno.EACCES: "the stick may not be written to by this user",
    errno.EPERM: "the stick may not be written to by this user",
    errno.ENOSPC: "the stick is full: pull it, move old reports off it on another computer, and put it back",
    errno.EIO: "the stick does not answer: pull it and put it back",
    errno.EINVAL: "its data partition is no FAT file system any more: make the stick anew",
    errno.EILSEQ: "the stick does not give back what was written to it: it is worn out",
    errno.EBUSY: "its data partition is in use by something else: pull the stick and put it back",
}


def trouble(error: OSError) -> str:
    """One sentence, without a full stop: what is wrong with the stick and what to do."""
    known = _TROUBLE.get(error.errno or 0)
    return (
        known or f"the stick cannot be used ({shown(error.strerror or type(error).__name__)}): put it in anew"
    )
