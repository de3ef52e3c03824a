"""A small guest: the stick's own kernel under QEMU, with the stick on USB.

The guest runs Python of this computer, whose root it sees read-only (9p), and executes what a test sends.
It is here for what the kernel of a build machine may lack: a FAT that is mounted, pulled, full and locked.
"""

from __future__ import annotations

import json
import lzma
import socket
import subprocess
import sys
import tarfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.support.tools import PROJECT, need

BUILD: Final = PROJECT / "build" / "stick"
"""Made by `make stick`: vmlinuz, and system.tar with the modules that belong to it."""

MODULES: Final = (
    *("virtio_pci", "virtio_blk", "9pnet_virtio", "9p", "xhci-pci", "usb-storage", "sd_mod"),
    *("vfat", "nls_cp437", "nls_ascii"),
)
ANSWER_S: Final = 300.0
"""Of the start too: 23 to 37 s were seen under software emulation on two shared cores."""

_INIT: Final = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs dev /dev
for module in $(cat /modules/order); do insmod "/modules/$module" || echo "no $module"; done
mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144,ro,cache=loose host /host || exec sh
for kept in proc sys dev; do mount --move /$kept /host/$kept; done
mount -t tmpfs -o mode=0755 tmpfs /host/run
exec switch_root /host /bin/sh -c '
/lib/systemd/systemd-udevd --daemon && udevadm trigger --action=add && udevadm settle
exec env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/run TMPDIR=/run PYTHONDONTWRITEBYTECODE=1 \\
  PYTHONPATH={project} {python} -m tests.stick.listener </dev/ttyS1 >/dev/ttyS1'
"""


@dataclass
class Guest:
    """A guest that answers: `run` executes Python in it, `qmp` speaks to the emulator."""

    _listener: Any
    _qmp: Any

    def run(self, code: str) -> Any:
        """Execute `code` in the guest, where names stay from call to call; gives its variable `result`."""
        self._listener.write(json.dumps(code) + "\n")
        self._listener.flush()
        answer = json.loads(self._listener.readline())
        assert "error" not in answer, answer["error"]
        return answer["result"]

    def qmp(self, command: str, **arguments: Any) -> Any:
        """What the emulator returns."""
        self._qmp.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self._qmp.flush()
        while True:
            answer = json.loads(self._qmp.readline())
            assert "error" not in answer, f"{command}: {answer['error']}"
            if "return" in answer:
                return answer["return"]

    def pull(self) -> None:
        """The stick out of its socket; back when the kernel has noticed."""
        self.qmp("device_del", id="stick")
        self.run("import glob, os, time\nwhile glob.glob('/dev/disk/by-partuuid/*'):\n  time.sleep(0.1)\n"
                 "result = None")  # fmt: skip

    def put(self, node: str = "stick") -> None:
        """The stick into its socket; back when its partition is there."""
        self.qmp("device_add", driver="usb-storage", bus="usb.0", id="stick", drive=node, removable=True)
        self.run("import glob, os, time\nwhile not glob.glob('/dev/disk/by-partuuid/*'):\n  time.sleep(0.1)\n"
                 "result = None")  # fmt: skip


@contextmanager
def running(folder: Path, stick: Path, number: str) -> Iterator[Guest]:
    """A guest with the disk image `stick`, whose data partition has the PARTUUID `number`.

    Every block that is written to it is logged in `folder`/writes. A drive of the unit is there too.
    """
    for name, size in (("writes", 0), ("drive", 8 << 20)):
        with (folder / name).open("wb") as file:
            file.truncate(size)
    process = subprocess.Popen(_command(folder, stick, number), stdin=subprocess.DEVNULL)
    try:
        listener = _connected(folder / "listener", process)
        qmp = _connected(folder / "qmp", process)
    except BaseException:
        process.kill()
        raise
    try:
        qmp.readline()
        guest = Guest(listener, qmp)
        guest.qmp("qmp_capabilities")
        assert json.loads(listener.readline()) == {"result": "listening"}
        yield guest
    finally:
        process.kill()
        process.wait()
        for stream in (listener, qmp):
            stream.close()


def _command(folder: Path, stick: Path, number: str) -> list[str]:
    logged = {
        "driver": "blklogwrites", "node-name": "stick",
        "log-sector-size": 512, "log-super-update-interval": 1,
        "file": {"driver": "file", "filename": str(stick), "locking": "off"},
        "log": {"driver": "file", "filename": str(folder / "writes"), "locking": "off"},
    }  # fmt: skip
    locked = {
        "driver": "raw", "node-name": "locked", "read-only": True,
        "file": {"driver": "file", "filename": str(stick), "locking": "off", "read-only": True},
    }  # fmt: skip
    return [
        need("qemu-system-x86_64"), "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
        "-machine", "q35,accel=tcg", "-cpu", "Nehalem", "-m", "512", "-smp", "2",
        "-kernel", str(BUILD / "vmlinuz"), "-initrd", str(_initramfs(folder)),
        "-append", f"console=ttyS0 quiet panic=1 mitigations=off benchproof.data=PARTUUID={number}",
        "-serial", f"file:{folder / 'console'}",
        "-serial", f"unix:{folder / 'listener'},server=on,wait=off",
        "-qmp", f"unix:{folder / 'qmp'},server=on,wait=off",
        "-virtfs", "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap",
        "-drive", f"if=virtio,format=raw,file={folder / 'drive'}",
        "-blockdev", json.dumps(logged), "-blockdev", json.dumps(locked),
        "-device", "qemu-xhci,id=usb", "-device", "usb-storage,bus=usb.0,id=stick,drive=stick,removable=on",
    ]  # fmt: skip


def _connected(path: Path, process: subprocess.Popen[bytes]) -> Any:
    until = time.monotonic() + 30
    connection = socket.socket(socket.AF_UNIX)
    while True:
        try:
            connection.connect(str(path))
        except OSError:
            assert process.poll() is None, "the emulator ended"
            assert time.monotonic() < until
            time.sleep(0.05)
            continue
        with connection:  # its file keeps it open
            connection.settimeout(ANSWER_S)
            return connection.makefile("rw", encoding="utf-8", newline="\n")


# -- what it starts from ----------------------------------------------------------------------------------


def _initramfs(folder: Path) -> Path:
    """Busybox, the modules in the order in which they load, and the script that starts the listener."""
    tree = folder / "initramfs"
    for name in ("bin", "proc", "sys", "dev", "host", "modules"):
        (tree / name).mkdir(parents=True)
    (tree / "bin/busybox").write_bytes(Path(need("busybox")).read_bytes())
    (tree / "bin/busybox").chmod(0o755)
    (tree / "init").write_text(_INIT.format(project=PROJECT, python=sys.executable))
    (tree / "init").chmod(0o755)
    _put_modules(tree / "modules")
    names = "\n".join(str(path.relative_to(tree)) for path in sorted(tree.rglob("*")))
    packed = subprocess.run(
        (need("busybox"), "cpio", "-o", "-H", "newc"),
        input=names.encode(),
        capture_output=True,
        cwd=tree,
        check=True,
    )
    (folder / "initramfs.img").write_bytes(packed.stdout)
    return folder / "initramfs.img"


def _put_modules(folder: Path) -> None:
    with tarfile.open(BUILD / "system.tar") as system:
        members = {
            member.name.lstrip("./"): member for member in system if "/lib/modules/" in f"/{member.name}"
        }
        (listed,) = (name for name in members if name.endswith("/modules.dep"))
        above = listed.removesuffix("modules.dep")
        needs = dict(_dependencies(system.extractfile(members[listed]).read().decode()))  # type: ignore[union-attr]
        order = list(dict.fromkeys(_loaded(needs)))
        for path in order:
            packed = system.extractfile(members[above + path]).read()  # type: ignore[union-attr]
            (folder / _plain(path)).write_bytes(lzma.decompress(packed) if path.endswith(".xz") else packed)
    (folder / "order").write_text("\n".join(map(_plain, order)))


def _dependencies(text: str) -> Iterator[tuple[str, list[str]]]:
    for line in text.splitlines():
        path, _, needed = line.partition(":")
        yield path, needed.split()


def _loaded(needs: dict[str, list[str]]) -> Iterable[str]:
    """Each module after what it needs (modules.dep(5): the last of a list is needed first)."""
    for name in MODULES:
        found = [path for path in needs if _plain(path) in (f"{name}.ko", f"{name.replace('-', '_')}.ko")]
        for path in found:  # none: it is a part of the kernel itself
            yield from reversed(needs[path])
            yield path


def _plain(path: str) -> str:
    return path.rpartition("/")[2].removesuffix(".xz")
