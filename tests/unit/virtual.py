"""A virtual unit under QEMU: started, typed at through its terminal, and changed while it runs.

Software emulation throughout, so that it runs wherever QEMU does. The kernel is started directly (PVH). The
initramfs lies at 256 MiB by a loader device: QEMU 7.2 lets `-initrd` overwrite ACPI tables once there are
many devices. Memory is a file that the bench may write into: the mailbox of `guest/acpi.asl`, and cells that
do not hold (`cell.py`).
"""

from __future__ import annotations

import json
import mmap
import re
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from tests.support.tools import need
from tests.unit.bench import PARTITION
from tests.unit.image import GUEST, Image

MAILBOX: Final = 0x0FF00000
_INITRAMFS: Final = 0x10000000
_MIB: Final = 2**20

BOOT_S: Final = 600.0
"""Seen: 7 to 25 s; a machine shared by others takes many times that."""
COMMAND_S: Final = 1800.0


class SetUpFailed(AssertionError):
    """A step that makes the unit what the scenario says did not work: nothing after it means anything."""


@dataclass(frozen=True)
class Hardware:
    """What QEMU is told of a unit: its memory, processors, raw firmware structures, devices."""

    memory_mib: int
    processors: int
    structures: Sequence[Path]
    devices: Sequence[str]
    acpi: Sequence[str] = ()
    clock: str = ""
    keyboard: str = "on"
    mailbox: Mapping[int, int] = field(default_factory=dict)


@dataclass
class VirtualUnit:
    """A unit that runs; `folder` holds its sockets and what it shares with the bench."""

    folder: Path
    process: subprocess.Popen[bytes]
    qmp: Qmp
    terminal: Terminal
    memory: mmap.mmap
    processors: int

    def shell(self, command: str, timeout_s: float = COMMAND_S) -> tuple[int, str]:
        """Exit status and output of `command` in the unit."""
        return self.terminal.run(command, timeout_s=timeout_s)

    def set_up(self, command: str) -> str:
        """`command` in the unit; SetUpFailed unless it ends well."""
        status, text = self.shell(command)
        if status != 0:
            raise SetUpFailed(f"status {status} of: {command}\n{text}")
        return text

    def write(self, offset: int, value: int) -> None:
        """A 32-bit word of the mailbox."""
        self.memory[MAILBOX + offset : MAILBOX + offset + 4] = value.to_bytes(4, "little")


@contextmanager
def running(folder: Path, image: Image, hardware: Hardware, stick: Path) -> Iterator[VirtualUnit]:
    """A unit that has booted to its terminal; it is switched off on every way out."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shared").mkdir(exist_ok=True)
    with switched_on(folder, _command(folder, image, hardware, stick)) as process, ExitStack() as open_ones:
        sockets = [open_ones.enter_context(connected(folder / name, process)) for name in ("qmp", "terminal")]
        qmp, terminal = Qmp(sockets[0]), Terminal(sockets[1])
        memory = _memory_of(process.pid, hardware.memory_mib)
        unit = VirtualUnit(folder, process, qmp, terminal, memory, hardware.processors)
        for offset, value in hardware.mailbox.items():  # before any driver asks
            unit.write(offset, value)
        terminal.ready(BOOT_S)
        yield unit


@contextmanager
def switched_on(folder: Path, command: Sequence[str | Path]) -> Iterator[subprocess.Popen[bytes]]:
    """QEMU as `command` starts it, its own words in `qemu.log`; ended on every way out."""
    with (folder / "qemu.log").open("wb") as log:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _memory_of(process: int, mib: int) -> mmap.mmap:
    """The memory of the unit that `process` runs: the file without a name that QEMU keeps it in."""
    for path in Path(f"/proc/{process}/fd").iterdir():
        if path.readlink().name.startswith("memfd:memory-backend"):
            with path.open("r+b") as file:
                return mmap.mmap(file.fileno(), mib * _MIB)
    raise SetUpFailed("QEMU keeps the unit's memory where the bench cannot reach it")


def _command(folder: Path, image: Image, hardware: Hardware, stick: Path) -> list[str]:
    size = image.initramfs.stat().st_size
    reserve = -(-size // _MIB)
    kernel_line = " ".join(
        (
            "console=ttyS0 quiet loglevel=4 panic=1 random.trust_cpu=on mitigations=off nokaslr",
            "no_timer_check net.ifnames=0 modprobe.blacklist=pcspkr,iTCO_wdt,intel_agp",
            f"benchproof.data=PARTUUID={PARTITION}",
            f"initrdmem={_INITRAMFS:#x},{size}",
            f"memmap=1M${MAILBOX:#x} memmap={reserve}M${_INITRAMFS:#x}",
        )
    )
    words = [
        need("qemu-system-x86_64"), "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
        "-machine", f"q35,accel=tcg,memory-backend=ram,smbios-entry-point-type=64,i8042={hardware.keyboard}",
        "-cpu", "Nehalem,model-id=HG two 2.4 GHz", "-smp", str(hardware.processors),
        "-m", str(hardware.memory_mib),
        "-object", f"memory-backend-memfd,id=ram,size={hardware.memory_mib}M,share=on",
        "-kernel", str(image.kernel), "-append", kernel_line,
        "-device", f"loader,file={image.initramfs},addr={_INITRAMFS:#x},force-raw=on",
        "-serial", f"file:{folder / 'kernel.log'}",
        "-qmp", f"unix:{folder / 'qmp'},server=on,wait=off",
        "-device", "virtio-serial-pci", "-device", "virtconsole,chardev=terminal",
        "-chardev", f"socket,id=terminal,path={folder / 'terminal'},server=on,wait=off",
        "-virtfs", f"local,path={image.folder},mount_tag=image,readonly=on,security_model=none",
        "-virtfs", f"local,path={GUEST},mount_tag=guest,readonly=on,security_model=none",
        "-virtfs", f"local,path={folder / 'shared'},mount_tag=unit,security_model=none",
        "-device", "qemu-xhci,id=usb",
        "-blockdev", f"driver=raw,node-name=stick,file.driver=file,file.filename={stick}",
        "-device", "usb-storage,bus=usb.0,port=1,drive=stick,removable=on,serial=STICK",
    ]  # fmt: skip
    if hardware.clock:
        words += ["-rtc", f"base={hardware.clock}"]
    for structure in hardware.structures:
        words += ["-smbios", f"file={structure}"]
    words += ["-acpitable", f"file={acpi_table(folder, hardware.acpi)}"]
    return [*words, *devices(folder, hardware.devices)]


def devices(folder: Path, options: Sequence[str]) -> Iterator[str]:
    """QEMU's words for `devices` of a unit's file."""
    for each in options:
        option, _, rest = each.partition(" ")
        yield from (option, rest.format(folder=folder))


def acpi_table(folder: Path, parts: Sequence[str]) -> Path:
    """`guest/acpi.asl` compiled, with the parts that the unit has (BATTERY, LID)."""
    defined = [word for part in parts for word in ("-D", part)]
    subprocess.run(
        [need("iasl"), *defined, "-p", str(folder / "acpi"), str(GUEST / "acpi.asl")],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder / "acpi.aml"


def connected(path: Path, process: subprocess.Popen[bytes]) -> socket.socket:
    """A connection to QEMU's socket at `path`, once it is there."""
    deadline = time.monotonic() + 60
    while True:
        connection = socket.socket(socket.AF_UNIX)
        try:
            connection.connect(str(path))
            return connection
        except OSError:
            connection.close()
            if process.poll() is not None or time.monotonic() > deadline:
                raise SetUpFailed(f"QEMU did not start: see {path.parent / 'qemu.log'}") from None
            time.sleep(0.05)


class Qmp:
    """QEMU's control socket (QEMU Machine Protocol)."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._heard = b""
        self._line()
        self.ask("qmp_capabilities")

    def ask(self, command: str, arguments: Mapping[str, Any] | None = None) -> Any:
        """What QEMU returns; SetUpFailed where it refuses."""
        asked = json.dumps({"execute": command, "arguments": dict(arguments or {})})
        self._connection.sendall(asked.encode() + b"\n")
        while True:
            answer = json.loads(self._line())
            if "error" in answer:
                raise SetUpFailed(f"QMP {command}: {answer['error']['desc']}")
            if "return" in answer:
                return answer["return"]

    def _line(self) -> bytes:
        """The next line from QEMU; SetUpFailed where it is gone."""
        while b"\n" not in self._heard:
            more = self._connection.recv(65536)
            if not more:
                raise SetUpFailed("QEMU is gone")
            self._heard += more
        line, _, self._heard = self._heard.partition(b"\n")
        return line


Answering = Callable[[str, Sequence[str]], str]
"""Given a question and its options, the option chosen."""

_END: Final = re.compile(r"@@(\d+)@@")
_ESCAPES: Final = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\r")
_QUESTION: Final = re.compile(
    r"\n\s*\n(?P<text>(?:.+\n)+?)(?P<options>(?:  \d+ = .+\n(?:    .*\n)*)+)number: $"
)


@dataclass
class Terminal:
    """The terminal of a unit, and whoever types at it."""

    connection: socket.socket
    _seen: str = ""

    def ready(self, timeout_s: float) -> None:
        """Wait until a shell answers."""
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            self._send("echo @@$((40+2))@@")
            with suppress(TimeoutError):
                self._until("@@42@@", 5.0)
                self._send("stty -echo columns 100 rows 40; PS1= PS2=; echo @@$((40+3))@@")
                self._until("@@43@@", 60.0)
                return
        raise SetUpFailed("the unit did not come to its terminal")

    def run(
        self, command: str, answer: Answering | None = None, timeout_s: float = COMMAND_S
    ) -> tuple[int, str]:
        """Type `command`; answer what is asked; its exit status and what it printed, without colours."""
        self._drop()
        self._send(f"{{ {command}\n}}; echo @@$?@@")
        printed = self.converse(_END, answer, timeout_s=timeout_s)
        end = _END.search(printed)
        if end is None:
            raise SetUpFailed(f"the terminal closed during: {command}\n{printed[-2000:]}")
        return int(end[1]), printed[: end.start()]

    def converse(
        self,
        until: re.Pattern[str] | None,
        answer: Answering | None = None,
        prompts: Mapping[str, str] = MappingProxyType({}),
        timeout_s: float = COMMAND_S,
    ) -> str:
        """Answer questions, and `prompts` (how the output ends: what is typed), until `until` comes or the
        terminal closes; what was printed and typed, without colours. SetUpFailed after `timeout_s`."""
        printed, deadline = "", time.monotonic() + timeout_s
        while until is None or until.search(printed) is None:
            if time.monotonic() > deadline:
                raise SetUpFailed(f"no end after {timeout_s:.0f} s of:\n{printed[-2000:]}")
            more = self._receive(1.0)
            if more is None:
                break
            printed = _ESCAPES.sub("", printed + more)
            typed = self._reply(printed, answer, prompts)
            if typed is not None:
                self._send(typed)
                printed += f"{typed}\n"
        return printed

    @staticmethod
    def _reply(printed: str, answer: Answering | None, prompts: Mapping[str, str]) -> str | None:
        """What to type where the output ends with a question or a prompt."""
        if answer and (asked := _QUESTION.search(printed)):
            return answer(*_asked(asked))
        return next((typed for end, typed in prompts.items() if re.search(f"{end}$", printed)), None)

    def _send(self, line: str) -> None:
        self.connection.sendall(line.encode() + b"\n")

    def _receive(self, timeout_s: float) -> str | None:
        """What comes within `timeout_s`, perhaps nothing; None once the terminal has closed."""
        self.connection.settimeout(timeout_s)
        try:
            return self.connection.recv(65536).decode(errors="replace") or None
        except TimeoutError:
            return ""
        except ConnectionResetError:
            return None

    def _until(self, text: str, timeout_s: float) -> str:
        seen, deadline = "", time.monotonic() + timeout_s
        while text not in seen:
            if time.monotonic() > deadline:
                raise TimeoutError
            more = self._receive(0.5)
            if more is None:
                raise SetUpFailed("the unit went off")
            seen += more
        return seen

    def _drop(self) -> None:
        while self._receive(0.02):
            pass


def _asked(match: re.Match[str]) -> tuple[str, list[str]]:
    """The question in one line, and its options in their order."""
    text = " ".join(match["text"].split())
    options = re.split(r"^  \d+ = ", match["options"], flags=re.MULTILINE)[1:]
    return text, [" ".join(option.split()) for option in options]
