"""What a virtual unit boots: kernel, Debian tree and agent of the stick, as `agent.image` makes them.

Started directly and not by a boot loader, for speed: the kernel unpacked, an initramfs of our own with virtio
and 9p in it, and the squashfs files from a folder that the unit shares with the bench. A third one goes below
them: what plays the unit's surroundings (an access point, registers of a sensor chip), which no stick has.
"""

from __future__ import annotations

import gzip
import lzma
import shutil
import subprocess
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from agent.image.build import Parts, assemble, build_parts
from agent.image.initramfs import Tree, archive, module_files
from tests.support.tools import PROJECT, need

STICK: Final = PROJECT / "build" / "stick"
CACHE: Final = PROJECT / "build" / "unit"
GUEST: Final = Path(__file__).parent / "guest"

SURROUNDINGS: Final = ("hostapd", "i2c-tools", "iproute2", "procps")
SUITE: Final = "bookworm"

MODULES: Final = (
    *("virtio_pci", "virtio_console", "9pnet_virtio", "9p", "loop", "squashfs", "overlay"),
    *("xhci_pci", "usb_storage", "sd_mod", "vfat", "nls_cp437", "nls_ascii"),
)
"""Loaded before the root is there; udev loads the rest."""


@dataclass(frozen=True)
class Image:
    """The kernel and initramfs that QEMU is given, and the folder that the unit finds its root in; for the
    scenarios that start as a technician starts a unit, the `whole` image of a stick."""

    kernel: Path = CACHE / "vmlinux"
    initramfs: Path = CACHE / "initramfs.gz"
    folder: Path = CACHE / "root"
    whole: Path = CACHE / "stick.img"


def image() -> Image:
    """The image; what is there and still right is not made again."""
    parts = build_parts(PROJECT, STICK, level=_level())
    CACHE.mkdir(parents=True, exist_ok=True)
    made = Image()
    _root(parts, made.folder)
    made.kernel.write_bytes(uncompressed(parts.kernel.read_bytes()))
    made.initramfs.write_bytes(_initramfs(parts))
    assemble(parts, STICK, made.whole)
    return made


def made_before() -> Image:
    """The image that `image` made: tests that run side by side must not make it twice."""
    made = Image()
    assert made.whole.exists(), "first: python -m tests.unit.image"
    return made


def _level() -> int:
    """How hard the stick that is there was compressed: it need not be made again for us."""
    mark = STICK / "system.squashfs.made-of"
    return int(mark.read_text().split()[-1]) if mark.exists() else 3


def _root(parts: Parts, folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for name, source in (("system.squashfs", parts.system), ("agent.squashfs", parts.agent)):
        (folder / name).unlink(missing_ok=True)  # a unit that runs keeps the one it has
        shutil.copy(source, folder / name)
    if not (folder / "surroundings.squashfs").exists():
        _surroundings(folder / "surroundings.squashfs")


def _surroundings(target: Path) -> None:
    """Packages with what they need, unpacked and not installed."""
    tar = target.with_suffix(".tar")
    _run(need("mmdebstrap"), "--quiet", "--variant=extract", f"--include={','.join(SURROUNDINGS)}",
         "--hook-dir=/usr/share/mmdebstrap/hooks/merged-usr", SUITE, tar)  # fmt: skip
    with tar.open("rb") as file:
        command = [need("sqfstar"), "-quiet", "-no-progress", "-comp", "gzip", str(target)]
        subprocess.run(command, stdin=file, check=True)
    tar.unlink()


def _initramfs(parts: Parts) -> bytes:
    """busybox, our init, and the modules that lead to the root."""
    busybox = Path(need("busybox")).read_bytes()
    with Tree(parts.tree) as tree:
        modules = module_files(tree, MODULES)
    programs = {"bin/busybox": (0o100755, busybox), "init": (0o100755, (GUEST / "init").read_bytes())}
    return gzip.compress(archive(programs | modules), 1, mtime=0)


def _run(*command: str | Path) -> None:
    subprocess.run([str(word) for word in command], check=True, stdin=subprocess.DEVNULL)


def uncompressed(kernel: bytes) -> bytes:
    """The ELF file inside a compressed kernel: no emulated processor has to unpack it."""
    for magic, unpack in ((b"\xfd7zXZ\0", _unxz), (b"\x28\xb5\x2f\xfd", _unzstd), (b"\x1f\x8b\x08", _gunzip)):
        start = kernel.find(magic)
        while start >= 0:
            found = unpack(kernel[start:])
            if found.startswith(b"\x7fELF"):
                return found
            start = kernel.find(magic, start + 1)
    raise ValueError("the kernel is packed in a way that is not known here")


def _unxz(data: bytes) -> bytes:
    try:
        return lzma.LZMADecompressor().decompress(data)
    except lzma.LZMAError:
        return b""


def _gunzip(data: bytes) -> bytes:
    try:
        return zlib.decompressobj(31).decompress(data)
    except zlib.error:
        return b""


def _unzstd(data: bytes) -> bytes:
    return subprocess.run([need("zstd"), "-dcq"], input=data, capture_output=True, check=False).stdout


if __name__ == "__main__":
    print(image().folder)
