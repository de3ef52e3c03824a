"""What a virtual unit boots: the kernel, a small initramfs, and a root file system as its boot stick.

Made once for each list of packages and each lock file, and kept in `build/unit`. The root has no part of
this project in it: the unit gets that as a shared folder, so that a changed agent needs no new image.
"""

from __future__ import annotations

import gzip
import hashlib
import lzma
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.support.tools import PROJECT, need

CACHE = PROJECT / "build" / "unit"
GUEST = Path(__file__).parent / "guest"

PACKAGES = (
    *("linux-image-amd64", "udev", "kmod", "procps", "util-linux", "iproute2", "iw", "rfkill", "hostapd"),
    *("python3", "i2c-tools", "busybox-static"),
)
SUITE = "bookworm"

EARLY_MODULES = (
    *("virtio_pci", "virtio_console", "9pnet_virtio", "9p", "xhci_pci", "usb_storage", "sd_mod", "uas"),
    *("crc32c_generic", "ext4", "overlay"),
)
"""Loaded before the root is there; udev loads the rest."""


@dataclass(frozen=True)
class Image:
    """The files that QEMU is given."""

    kernel: Path
    initramfs: Path
    root: Path


def image() -> Image:
    """The image, made where the cache has none."""
    folder = CACHE / _key()
    made = Image(folder / "vmlinux", folder / "initramfs.gz", folder / "root.img")
    if not (folder / "complete").exists():
        _make(folder, made)
        (folder / "complete").touch()
    return made


def _key() -> str:
    """The digest of everything that the image is made from."""
    parts = (SUITE, *PACKAGES, *EARLY_MODULES, *(path.read_text() for path in _sources()))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:12]


def _sources() -> tuple[Path, ...]:
    return (PROJECT / "requirements.lock", GUEST / "init", Path(__file__))


def _make(folder: Path, made: Image) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        root = Path(scratch) / "root"
        _run(need("mmdebstrap"), "--quiet", "--variant=minbase", f"--include={','.join(PACKAGES)}",
             "--dpkgopt=path-exclude=/usr/share/doc/*", "--dpkgopt=path-exclude=/usr/share/man/*",
             SUITE, root)  # fmt: skip
        _wheels(root)
        made.kernel.write_bytes(uncompressed(next((root / "boot").glob("vmlinuz-*")).read_bytes()))
        _initramfs(root, Path(scratch) / "early", made.initramfs)
        shutil.rmtree(root / "boot")
        _run(need("mke2fs"), "-q", "-t", "ext4", "-d", root, "-L", "unit-root", made.root, "1600M")


def _wheels(root: Path) -> None:
    """The agent's libraries, compiled, where the unit's own Python finds them."""
    target = root / "usr/local/lib/python3.11/dist-packages"
    _run(sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--require-hashes",
         "--only-binary=:all:", "--python-version=3.11", "--target", target,
         "-r", PROJECT / "requirements.lock")  # fmt: skip
    _run(
        need("chroot"),
        root,
        "python3",
        "-m",
        "compileall",
        "-q",
        "-j2",
        "/usr/local/lib/python3.11",
        "/usr/lib/python3.11",
    )


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
        return gzip.zlib.decompressobj(31).decompress(data)  # type: ignore[attr-defined]
    except gzip.zlib.error:  # type: ignore[attr-defined]
        return b""


def _unzstd(data: bytes) -> bytes:
    return subprocess.run([need("zstd"), "-dcq"], input=data, capture_output=True, check=False).stdout


def _initramfs(root: Path, early: Path, target: Path) -> None:
    """busybox, our init and the modules that lead to the root, in the order in which they load."""
    for name in ("bin", "dev", "proc", "sys", "modules", "lower", "upper", "root"):
        (early / name).mkdir(parents=True)
    shutil.copy(root / "bin/busybox", early / "bin/busybox")
    shutil.copy(GUEST / "init", early / "init")
    (early / "init").chmod(0o755)
    modules = next((root / "lib/modules").iterdir())
    for number, module in enumerate(_with_needs(modules)):
        shutil.copy(modules / module, early / "modules" / f"{number:02}-{Path(module).name}")
    packed = subprocess.run(
        ["sh", "-c", "find . | cpio -o -H newc --quiet | gzip -1"], cwd=early, capture_output=True, check=True
    )
    target.write_bytes(packed.stdout)


def _with_needs(modules: Path) -> list[str]:
    """The files of `EARLY_MODULES` and of what each needs, none before what it needs."""
    needs = dict(line.split(":", 1) for line in (modules / "modules.dep").read_text().splitlines())
    by_name = {Path(file).name.partition(".")[0].replace("-", "_"): file for file in needs}
    order: list[str] = []
    for name in EARLY_MODULES:
        if name not in by_name:  # built into the kernel
            continue
        for file in (*reversed(needs[by_name[name]].split()), by_name[name]):
            if file not in order:
                order.append(file)
    return order


if __name__ == "__main__":
    print(image().root)
