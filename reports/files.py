"""Writing so that a cut leaves the old state or the new one, and never half of either.

Whatever is to last goes through here:

- a document is written under a partial name, made to last, and only then has its own name (`write_new`);
- a list that grows is appended to line by line, each made to last before the next (`Lines`, `append`);
- where a rename is not safe a document has its own name at once, and something beside it says that it is
  whole (`write_in_place`; `reports.summed`);
- a folder lasts only when the folder above it does (`new_folder`).

Nothing is overwritten, and every OSError that goes up names the file it is about: the medium is full,
write-protected or gone.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


def write_new(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write `data` under the new name `path`: partial name, fsync, rename, fsync of the file and the folder.

    Raises FileExistsError where `path` exists: nothing is ever overwritten. OSError where the medium
    is full, write-protected or gone; the partial file is then removed if the medium still answers.
    A hard link would refuse an existing name atomically, but FAT has none; two writers do not share
    a stick.
    """
    if path.exists() or path.is_symlink():
        raise FileExistsError(errno.EEXIST, "it exists already", str(path))
    partial = path.with_name(f".{path.name}.part")
    with _named(path):
        try:
            # what a cut left there goes first: its mode may let others read a key, or it may be a link
            with suppress(FileNotFoundError):
                os.unlink(partial)
            with _created(partial, data, mode) as descriptor:
                os.rename(partial, path)
                os.fsync(descriptor)  # on FAT the new name has no length before its file is synced under it
        except OSError:
            with suppress(OSError):
                os.unlink(partial)
            raise
        sync_folder(path.parent)


def write_in_place(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write `data` under the new name `path` at once, to last; whether it is whole something else must say.

    Raises FileExistsError where `path` exists, OSError as `write_new` does.
    """
    with _named(path):
        try:
            with _created(path, data, mode):
                pass
        except FileExistsError:
            raise
        except OSError:
            with suppress(OSError):
                os.unlink(path)
            raise
        sync_folder(path.parent)


def append(path: Path, data: bytes) -> None:
    """Append `data` to the file `path`, which is made where it lacks, to last. OSError as `write_new`."""
    with _named(path):
        is_new = not os.path.lexists(path)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW, 0o644)
        try:
            _write_all(descriptor, data)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        if is_new:
            sync_folder(path.parent)


class Lines:
    """A new file that grows by whole lines; each is on the medium when `add` returns."""

    def __init__(self, path: Path) -> None:
        """Begin the file `path`; FileExistsError where it exists."""
        self._path = path
        with _named(path):
            self._descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
            sync_folder(path.parent)

    def add(self, line: bytes) -> None:
        """Append `line`, which ends in a newline and holds no other. OSError where it does not last."""
        with _named(self._path):
            _write_all(self._descriptor, line)
            os.fsync(self._descriptor)

    def close(self) -> None:
        """Nothing more will be added."""
        with suppress(OSError):
            os.close(self._descriptor)

    def remove(self) -> None:
        """The lines have served."""
        remove(self._path)


def remove(path: Path) -> None:
    """Remove the file `path`, which has served; where it cannot be removed it stays, which does no harm."""
    with suppress(OSError):
        os.unlink(path)


def new_folder(path: Path) -> None:
    """Make the folder `path` and those above it that lack, to last; FileExistsError if it exists."""
    with _named(path):
        for above in reversed(path.parents):
            if not above.is_dir():
                _make(above)
        _make(path)


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` last: fsync of the folder itself."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno != errno.EINVAL:  # fsync(2): a file system that cannot, and has no other way
            raise
    finally:
        os.close(descriptor)


def _make(folder: Path) -> None:
    os.mkdir(folder)
    sync_folder(folder.parent)


@contextmanager
def _created(path: Path, data: bytes, mode: int) -> Iterator[int]:
    """The descriptor of a new file that holds `data`, synced."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        _write_all(descriptor, data)
        os.fsync(descriptor)
        yield descriptor
    finally:
        os.close(descriptor)


def _write_all(descriptor: int, data: bytes) -> None:
    left = memoryview(data)
    while left:  # a medium that is nearly full takes a part, and refuses the next
        left = left[os.write(descriptor, left) :]


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """What goes wrong inside is about `path`: calls on descriptors do not say so themselves."""
    try:
        yield
    except OSError as error:
        if error.errno is None or error.filename is not None:
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error
