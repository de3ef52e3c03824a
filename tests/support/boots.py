"""Starts of the whole image on a virtual computer: firmware, memory, an owner's disks, what came of it."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from agent.image import disk
from agent.image.build import Parts, assemble, write_digests
from agent.image.system import SQUASHED
from tests.support.tools import need

OVMF = Path("/usr/share/OVMF")
PROBE = Path(__file__).parents[1] / "agent" / "image" / "probe" / "probe.py"
LIMIT_S = 900  # of one start, on a machine that others use as well


@dataclass(frozen=True)
class Started:
    """What one start left: the serial port's words, the host's seconds, the data partition's files."""

    serial: str
    steps: dict[str, float]
    image: Path
    data: int  # first byte of the data partition

    def kept(self, name: str) -> dict[str, object]:
        """The JSON object that the probe kept in reports/."""
        command = [need("mtype"), "-i", f"{self.image}@@{self.data}", f"::/reports/{name}"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{done.stderr}\n{self.serial[-4000:]}"
        return json.loads(done.stdout)


@dataclass(frozen=True)
class Firmware:
    """How a virtual computer starts."""

    name: str
    code: str = ""
    variables: str = ""
    secure: bool = False

    def options(self, store: Path) -> list[str]:
        if not self.code:
            return ["-M", "q35"]
        secure = ["-global", "driver=cfi.pflash01,property=secure,value=on"] if self.secure else []
        return [
            *("-M", "q35,smm=on" if self.secure else "q35"),
            *secure,
            *("-drive", f"if=pflash,unit=0,format=raw,readonly=on,file={OVMF / self.code}"),
            *("-drive", f"if=pflash,unit=1,format=raw,file={store}"),
        ]


BIOS = Firmware("BIOS")
UEFI = Firmware("UEFI", "OVMF_CODE_4M.fd", "OVMF_VARS_4M.fd")
SECURE_BOOT = Firmware("UEFI Secure Boot", "OVMF_CODE_4M.secboot.fd", "OVMF_VARS_4M.ms.fd", secure=True)


def stick_level() -> int:
    """How hard the system of the stick is compressed, as the Makefile says; another would be made anew."""
    return int(os.environ.get("STICK_LEVEL", "19"))


def probe_image(parts: Parts, work: Path, folder: Path) -> tuple[Path, disk.Layout]:
    """The image as `make stick` makes it, with the probe in the agent's place."""
    layer = folder / "layer"
    shutil.copytree(work / "agent", layer, symlinks=True)
    programs = layer / "usr/local/bin"
    (programs / "benchproof").rename(programs / "benchproof.agent")
    shutil.copy2(PROBE, programs / "benchproof")
    (programs / "benchproof").chmod(0o755)
    _carry_sfdisk(layer / "usr/lib/probe")
    squashed = folder / "agent.squashfs"
    subprocess.run(["mksquashfs", layer, squashed, *SQUASHED, "-all-root"], check=True, capture_output=True)
    probed = replace(parts, agent=squashed, digests=write_digests(folder, parts.system, squashed))
    return folder / "stick.img", assemble(probed, work, folder / "stick.img")


def _carry_sfdisk(folder: Path) -> None:
    """The host's partitioning program and its libraries: the image has none."""
    folder.mkdir()
    program = need("sfdisk")
    listed = subprocess.run(["ldd", program], capture_output=True, text=True, check=True).stdout
    libraries = [word for line in listed.splitlines() for word in line.split() if word.startswith("/")]
    for path in [program, *libraries]:
        shutil.copy(path, folder / ("ld.so" if "ld-linux" in path else Path(path).name))


def owners_disks(folder: Path) -> dict[str, Path]:
    """Disks as an owner may have them, each of a kind that a careless system changes."""
    folder.mkdir()
    disks = {name: folder / name for name in ("journal", "hibernated", "office", "decoy")}
    for path in disks.values():
        with path.open("wb") as file:
            file.truncate(48 << 20)
    _with_open_journal(disks["journal"])
    subprocess.run([need("mkswap"), "-q", disks["hibernated"]], check=True, capture_output=True)
    with disks["hibernated"].open("r+b") as file:
        file.seek(4086)
        file.write(b"S1SUSPEND\0")  # kernel/power/swap.c: a hibernated system lies here
    table = "label: gpt\nstart=2048, size=65536, type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7\n"
    subprocess.run([need("sfdisk"), "-q", disks["office"]], input=table, text=True, check=True)
    subprocess.run(
        [need("mkfs.fat"), "--offset", "2048", disks["office"], "32768"], check=True, capture_output=True
    )
    _with_our_names(disks["decoy"])
    return disks


def _with_open_journal(path: Path) -> None:
    """ext4 with a transaction that was never played: mounting it, even to read, would change it."""
    subprocess.run([need("mkfs.ext4"), "-q", "-F", path], check=True)
    words = "jo\njw -b 333 /dev/zero\njc\n"
    subprocess.run(
        [need("debugfs"), "-w", "-f", "-", path], input=words, text=True, check=True, capture_output=True
    )
    listed = subprocess.run([need("dumpe2fs"), "-h", path], capture_output=True, text=True, check=True).stdout
    assert "needs_recovery" in listed


def _with_our_names(path: Path) -> None:
    """A disk that looks like a stick of ours to whoever goes by names."""
    subprocess.run([need("mkfs.fat"), "-F", "32", "-n", "BOOT", path], check=True, capture_output=True)
    subprocess.run([need("mmd"), "-i", path, "::/benchproof"], check=True)
    for name in ("system.squashfs", "agent.squashfs", "digests"):
        command = [need("mcopy"), "-i", path, "-", f"::/benchproof/{name}"]
        subprocess.run(command, input=b"not ours", check=True)


def digests(disks: dict[str, Path]) -> dict[str, str]:
    return {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in disks.items()}


@dataclass
class VirtualComputer:
    """A computer of QEMU's with nothing but what is named here and in `options`."""

    folder: Path
    firmware: Firmware
    mib: int = 2048
    disks: dict[str, Path] = field(default_factory=dict)
    store: Path | None = None  # firmware variables from an earlier start
    options: Sequence[str] = ("-nic", "none")
    serial: str = "stdio"

    def start(
        self, image: Path, layout: disk.Layout, until: str = "off", plug: Path | None = None
    ) -> Started:
        """Start from `image` on a USB stick; wait for power-off, or for `until` on the serial port."""
        path = self.folder / "qmp"
        command = [*self.command(image), "-qmp", f"unix:{path},server,nowait"]

        def heard(step: str) -> None:
            if plug:
                self._act(step, path, image, plug)

        serial, steps = _run(command, until, heard)
        return Started(serial, steps, image, layout.data.place)

    def command(self, image: Path) -> list[str | Path]:
        """What starts it from `image` on a USB stick."""
        return [*self._command(), *self._stick(image)]

    def start_without_stick(self, until: str) -> None:
        """Let the firmware start by itself, with nothing to start from, until it says `until`."""
        serial, _ = _run(self._command(), until, lambda step: None)
        assert until in serial, serial[-2000:]

    def start_directly(self, kernel: Path, initrd: Path) -> Started:
        """Start `kernel` with `initrd` and no stick."""
        command = [*self._command(), "-kernel", kernel, "-initrd", initrd, "-append", "quiet"]
        return Started(*_run(command, "off", lambda step: None), image=kernel, data=0)

    def _command(self) -> list[str | Path]:
        store = self.folder / "variables"
        if self.firmware.code:
            shutil.copy(self.store or OVMF / self.firmware.variables, store)
        machine = [
            need("qemu-system-x86_64"),
            *self.firmware.options(store),
            "-cpu",
            "Nehalem",
            "-m",
            str(self.mib),
        ]
        return [
            *machine,
            *("-display", "none", "-vga", "std", "-serial", self.serial, "-no-reboot", *self.options),
            *("-device", "qemu-xhci,id=usb"),
            *self._drives(),
        ]

    def _drives(self) -> list[str]:
        options: list[str] = []
        for number, (name, path) in enumerate(self.disks.items()):
            kind = (f"ide-hd,bus=ide.{number}", "nvme")[number % 2]
            options += ["-drive", f"if=none,id={name},format=raw,file={path}"]
            options += ["-device", f"{kind},drive={name},serial={name}"]
        return options

    @staticmethod
    def _stick(image: Path) -> list[str]:
        drive = ["-drive", f"if=none,id=stick,format=raw,file={image}"]
        return [*drive, "-device", "usb-storage,id=stickdev,bus=usb.0,drive=stick,serial=STICK,bootindex=0"]

    def _act(self, step: str, path: Path, image: Path, plug: Path) -> None:
        """Plug in, pull and return, as the probe asks for it."""
        if step == "plug":
            _drive(path, "late", plug)
        elif step == "pull":
            _monitor(path, "device_del", id="stickdev")
        elif step == "return":
            _drive(path, "again", image)


def _run(command: list[str | Path], until: str, heard: Callable[[str], None]) -> tuple[str, dict[str, float]]:
    """The serial port's words, and the host's seconds at each step that the probe told."""
    began, serial, steps = time.monotonic(), [], {}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as qemu:
        ending = threading.Timer(LIMIT_S, qemu.kill)
        ending.start()
        try:
            for line in (raw.decode(errors="replace") for raw in qemu.stdout):
                serial.append(line)
                if line.startswith("PROBE "):
                    step = line.split()[1]
                    steps[step] = round(time.monotonic() - began, 1)
                    heard(step)
                if until != "off" and until in line:
                    qemu.kill()
        finally:
            ending.cancel()
            qemu.kill()
    return "".join(serial), steps


def _drive(path: Path, name: str, file: Path) -> None:
    place = {"driver": "file", "filename": str(file)}
    _monitor(path, "blockdev-add", **{"driver": "raw", "node-name": name, "file": place})
    _monitor(path, "device_add", driver="usb-storage", id=f"{name}dev", bus="usb.0", drive=name, serial=name)


def _monitor(path: Path, execute: str, **arguments: object) -> None:
    """One command of QEMU's machine protocol; it must be done without an error."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(path))
        lines = connection.makefile("rw")
        lines.readline()
        for order in ({"execute": "qmp_capabilities"}, {"execute": execute, "arguments": arguments}):
            lines.write(json.dumps(order) + "\n")
            lines.flush()
            while "event" in (answer := json.loads(lines.readline())):
                pass
            assert "error" not in answer, answer


_STORE = bytes.fromhex("782cf3aa7b949a43a1802e144ec37792")  # gEfiAuthenticatedVariableGuid
_HEADER = struct.Struct("<HBBIQ16sIII16s")
_LIVE = 0x3F


def firmware_variables(store: Path) -> dict[str, bytes]:
    """Name to value of every live variable of OVMF (EDK II, MdeModulePkg, VariableFormat.h)."""
    data = store.read_bytes()
    place = data.index(_STORE) + 28
    found = {}
    while data[place : place + 2] == b"\xaa\x55":
        _, state, _, _, _, _, _, name_size, size, _ = _HEADER.unpack_from(data, place)
        body = place + _HEADER.size
        name = data[body : body + name_size].decode("utf-16-le").rstrip("\0")
        if state == _LIVE:
            found[name] = data[body + name_size : body + name_size + size]
        place = (body + name_size + size + 3) & ~3
    return found
