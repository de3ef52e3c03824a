"""A drive in a tree of files: sysfs as the kernel writes it, and the node of a device or an image."""

from __future__ import annotations

import os
import stat
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.machine.linux.block import Disk, disks
from agent.machine.linux.files import Tree
from tests.support.tools import need


def tree_with(
    root: Path, name: str, device: Path | None = None, number: str = "", transport: str = "ata1"
) -> Tree:
    """A tree with one whole drive `name`; its node is that of the block device `device`, if one is given."""
    folder = (
        root / "sys/devices/pci0000:00/0000:00:17.0" / transport / "host0/target0:0:0/0:0:0:0/block" / name
    )
    folder.mkdir(parents=True)
    (folder / "device").symlink_to("../..")
    links = root / "sys/class/block"
    links.mkdir(parents=True, exist_ok=True)
    (links / name).symlink_to(folder)
    (root / "dev").mkdir(exist_ok=True)
    if device is not None:
        status = device.stat()
        number = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
        os.mknod(root / "dev" / name, stat.S_IFBLK | 0o600, status.st_rdev)
        sectors = Path(f"/sys/class/block/{device.name}/size").read_text()
        (folder / "size").write_text(sectors)
    (folder / "dev").write_text(f"{number}\n")
    (folder / "removable").write_text("0\n")
    return Tree(root)


def disk_of(tree: Tree) -> Disk:
    """The only drive of the tree."""
    (disk,) = disks(tree)  # type: ignore[misc]
    return disk


def partition(tree: Tree, drive: str, number: int, start: int, device: Path) -> None:
    """A partition of `drive` that begins at sector `start`, and its node."""
    folder = tree.real(f"/sys/class/block/{drive}/{drive}{number}")
    folder.mkdir()
    (folder / "partition").write_text(f"{number}\n")
    (folder / "start").write_text(f"{start}\n")
    os.mknod(tree.real(f"/dev/{drive}{number}"), stat.S_IFBLK | 0o600, device.stat().st_rdev)


@contextmanager
def loop_device(image: Path, offset: int = 0, size: int = 0, writable: bool = False) -> Iterator[Path]:
    """`image`, or a part of it, as a block device of the kernel's; skips where none is to be had."""
    if os.geteuid() != 0:
        pytest.skip("only root makes block devices")
    options = ["--offset", str(offset), "--sizelimit", str(size), *([] if writable else ["--read-only"])]
    made = subprocess.run(
        [need("losetup"), *options, "--find", "--show", str(image)], capture_output=True, text=True
    )
    if made.returncode != 0:
        pytest.skip(f"no loop device: {made.stderr.strip()}")
    try:
        yield Path(made.stdout.strip())
    finally:
        subprocess.run([need("losetup"), "--detach", made.stdout.strip()], check=True)
