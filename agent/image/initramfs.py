"""The initramfs: busybox, blkid, the modules of USB storage, and our own /init (`files/init`).

An archive in cpio's "newc" form (Linux kernel, Documentation/driver-api/early-userspace/buffer-format.rst),
compressed by zstd. Everything in it comes from the Debian tree or the pool, with one time and one owner, so
it is the same each time.
"""

from __future__ import annotations

import lzma
import subprocess
import tarfile
from collections.abc import Iterable, Mapping
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath

from agent.image.system import FILES
from agent.image.tools import BuildFailed

# No driver of a unit's own storage is among them: until the system is copied, only a stick can be seen.
MODULES = (
    *("xhci_pci", "ehci_pci", "ohci_pci", "uhci_hcd"),
    *("usb_storage", "uas", "sd_mod"),
    *("vfat", "nls_cp437", "nls_ascii"),
    *("loop", "squashfs", "overlay"),
)
# blkid, because busybox's own does not know the numbers of partitions
_BLKID = (
    "usr/sbin/blkid",
    "usr/lib/x86_64-linux-gnu/libblkid.so.1",
    "usr/lib/x86_64-linux-gnu/libc.so.6",
    "usr/lib/x86_64-linux-gnu/ld-linux-x86-64.so.2",
)
_EXECUTABLE, _PLAIN, _FOLDER = 0o100755, 0o100644, 0o040755


class Tree:
    """Reads files of the Debian tree out of its archive, by path."""

    def __init__(self, tar: Path) -> None:
        self._archive = tarfile.open(tar)  # noqa: SIM115 - closed by __exit__
        self._members = {member.name.removeprefix("./"): member for member in self._archive}

    def __enter__(self) -> Tree:
        return self

    def __exit__(self, *_: object) -> None:
        self._archive.close()

    def names(self) -> Iterable[str]:
        """Every path in the tree, without the leading slash."""
        return self._members

    def read(self, name: str) -> bytes:
        """The bytes of the file `name`. Raises `BuildFailed` where there is none."""
        member = self._members.get(name)
        if member and member.issym():  # libraries: beside the file they point to
            member = self._members.get(str(PurePosixPath(name).parent / member.linkname))
        file = self._archive.extractfile(member) if member else None
        if not file:
            raise BuildFailed(
                f"the Debian tree has no {name}; the builder and this release do not fit together"
            )
        return file.read()


def initramfs(tree: Tree, busybox: bytes, target: Path, modules: Iterable[str] = MODULES) -> Path:
    """Write the compressed archive to `target`."""
    target.write_bytes(compressed(archive(contents(tree, busybox, modules))))
    return target


def contents(tree: Tree, busybox: bytes, modules: Iterable[str]) -> dict[str, tuple[int, bytes]]:
    """What lies where: path, without the leading slash, to mode and bytes."""
    files = {
        "init": (_EXECUTABLE, (FILES / "init").read_bytes()),
        "bin/busybox": (_EXECUTABLE, busybox),
        "bin/blkid": (_EXECUTABLE, tree.read(_BLKID[0])),
        "lib64/ld-linux-x86-64.so.2": (_EXECUTABLE, tree.read(_BLKID[3])),
    }
    files |= {
        f"lib/x86_64-linux-gnu/{Path(name).name}": (_EXECUTABLE, tree.read(name)) for name in _BLKID[1:3]
    }
    return files | module_files(tree, modules)


def module_files(tree: Tree, modules: Iterable[str]) -> dict[str, tuple[int, bytes]]:
    """`modules` and what they need, unpacked, and `modules/order`, the order to load them in."""
    home = next(name for name in tree.names() if name.endswith("/modules.dep")).rpartition("/")[0]
    needs = _needs(tree.read(f"{home}/modules.dep").decode())
    builtin = {_name(line) for line in tree.read(f"{home}/modules.builtin").decode().splitlines()}
    ordered: dict[str, bytes] = {}
    for module in modules:
        if module not in needs and module not in builtin:
            raise BuildFailed(f"the kernel has no module {module}")
        for path in needs.get(module, ()):
            ordered.setdefault(_name(path) + ".ko", _unpacked(path, tree.read(f"{home}/{path}")))
    files = {f"modules/{name}": (_PLAIN, data) for name, data in ordered.items()}
    return files | {"modules/order": (_PLAIN, "".join(f"{name}\n" for name in ordered).encode())}


def _needs(dependencies: str) -> Mapping[str, tuple[str, ...]]:
    """From depmod's `modules.dep`: module name to the files to load, in order, its own last."""
    lines = (line.partition(":") for line in dependencies.splitlines())
    return {_name(path): (*reversed(needed.split()), path) for path, _, needed in lines}


def _name(path: str) -> str:
    return PurePosixPath(path).name.partition(".")[0].replace("-", "_")


def _unpacked(path: str, data: bytes) -> bytes:
    return lzma.decompress(data) if path.endswith(".xz") else data


def archive(files: Mapping[str, tuple[int, bytes]]) -> bytes:
    """`files` and the folders they lie in as a cpio archive, times 0, owner root."""
    folders = {str(parent): (_FOLDER, b"") for name in files for parent in PurePosixPath(name).parents}
    folders.pop(".", None)
    entries = {**folders, **files}
    members = [_entry(number, name, *entries[name]) for number, name in enumerate(sorted(entries), 1)]
    return b"".join([*members, _entry(0, "TRAILER!!!", 0, b"")])


def _entry(number: int, name: str, mode: int, data: bytes) -> bytes:
    path = name.encode() + b"\0"
    fields = (number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(path), 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields)
    return _padded(head + path) + _padded(data)


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


def compressed(data: bytes) -> bytes:
    """`data` by zstd, in one frame that the kernel can unpack."""
    command = ["zstd", "-19", "-q", "-c", "--single-thread"]
    return subprocess.run(command, input=data, capture_output=True, check=True).stdout


def member(deb: Path, pattern: str) -> bytes:
    """The bytes of the one file in a Debian package whose path ends with `pattern`."""
    with subprocess.Popen(["dpkg-deb", "--fsys-tarfile", str(deb)], stdout=subprocess.PIPE) as unpacking:
        try:
            with tarfile.open(fileobj=unpacking.stdout, mode="r|") as tar:
                return _first(tar, f"*{pattern}")
        except BuildFailed as error:
            raise BuildFailed(f"{deb.name} has no file {pattern}") from error
        finally:
            unpacking.kill()


def _first(tar: tarfile.TarFile, pattern: str) -> bytes:
    for entry in tar:
        if entry.isfile() and fnmatch(entry.name, pattern) and (file := tar.extractfile(entry)):
            return file.read()
    raise BuildFailed(f"no file {pattern}")
