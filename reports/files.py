"""Writing so that a cut leaves the old state or the new one, and never half of either."""

from __future__ import annotations

import os
from pathlib import Path


def write_new(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write `data` under the new name `path`: partial name, fsync, rename, fsync of the folder.

    Raises FileExistsError where `path` exists: nothing is ever overwritten. OSError where the medium
    is full, write-protected or gone; the partial file is then removed if the medium still answers.
    A hard link would refuse an existing name atomically, but FAT has none; two writers do not share
    a stick.
    """
    if path.exists() or path.is_symlink():
        raise FileExistsError(f"{path} exists already")
    partial = path.with_name(f".{path.name}.part")
    try:
        descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        partial.rename(path)
    except OSError:
        _forget(partial)
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` last: fsync of the folder itself."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _forget(partial: Path) -> None:
    try:
        partial.unlink(missing_ok=True)
    except OSError:
        return
