"""The real smartctl, given the bytes that a drive would have answered (tests/vectors/smart/SOURCES.md)."""

from __future__ import annotations

import json
import os
import subprocess
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from agent.machine.linux.blockread import COMMANDS, Command, Said
from tests.support.tools import need

VECTORS = Path(__file__).parents[1] / "vectors" / "smart"
IDENTIFY = VECTORS.parent / "drives" / "ata-identify-sample.hex"


def sample(path: Path) -> bytes:
    """The bytes of a `.hex` file."""
    return bytes.fromhex("".join(path.read_text().split()))


def _arguments(command: Command, *without: str) -> list[str]:
    """The fixed arguments of `command`, without those that its stand-in for a drive cannot take."""
    _, *given = COMMANDS[command]
    return [argument for argument in given if argument not in without]


def ata(data: bytes, thresholds: bytes, sound: bool = True) -> Said:
    """What smartctl says of a SATA drive that answers with these pages of 512 bytes."""
    answers = [
        _answer("IDENTIFY DEVICE", sample(IDENTIFY)),
        _answer("SMART STATUS"),
        _answer("SMART READ ATTRIBUTE VALUES", _summed(data)),
        _answer("SMART READ ATTRIBUTE THRESHOLDS", _summed(thresholds)),
        _answer("SMART STATUS CHECK", returned=0 if sound else 1),
    ]
    command = [need("smartctl"), *_arguments(Command.SATA_HEALTH, "--device=sat"), "-"]
    return _said(subprocess.run(command, input="".join(answers).encode(), capture_output=True, timeout=30))


def identified(page: bytes) -> dict[str, Any]:
    """What smartctl says of the identity of a SATA drive with this IDENTIFY data."""
    command = [need("smartctl"), "--info", "--json", "-"]
    told = subprocess.run(
        command, input=_answer("IDENTIFY DEVICE", page).encode(), capture_output=True, timeout=30
    )
    return dict(json.loads(told.stdout))


def identify_data(model: str, serial: str, sectors: int) -> bytes:
    """The sample's IDENTIFY data with another drive's identity (ACS-3 7.12.7).

    Two characters to a word, the high byte first; the sectors in words 100 to 103, low word first.
    """
    page = bytearray(sample(IDENTIFY))
    for at, size, text in ((20, 20, serial), (54, 40, model)):
        padded = text.encode("ascii").ljust(size)
        page[at : at + size] = bytes(padded[i ^ 1] for i in range(size))
    page[200:208] = sectors.to_bytes(8, "little")
    return _summed(bytes(page))


def _summed(page: bytes) -> bytes:
    """The page with its last byte such that all add up to 0 (ATA8-ACS, data structure checksum)."""
    return page[:511] + bytes([-sum(page[:511]) % 256])


def _answer(command: str, data: bytes = b"", returned: int = 0) -> str:
    """One command as smartctl's own debug output has it (smartctl(8), -r ioctl,2)."""
    ioctl = f"REPORT-IOCTL: Device=- Command={command}"
    lines = [ioctl, f"{ioctl} returned {returned}"]
    if data:
        lines.append(f"===== [{command}] DATA START (BASE-16) =====")
        lines += [f"{i:03d}-{i + 15:03d}: {data[i : i + 16].hex(' ')} ||" for i in range(0, 512, 16)]
        lines.append(f"===== [{command}] DATA END (512 Bytes) =====")
    return "\n".join(lines) + "\n"


def nvme(log: bytes, folder: Path) -> Said:
    """What smartctl says of an NVMe drive whose health log is this page of 512 bytes.

    `OPCODES` in the folder lists the opcode and the ioctl of every command that it sent.
    """
    controller, namespace = bytearray(4096), bytearray(4096)
    controller[4:24], controller[24:64] = b"HN5-20417733".ljust(20), b"HG-N512".ljust(40)
    controller[64:72], controller[80:84], controller[516] = b"FW01".ljust(8), b"\x00\x04\x01\x00", 1
    namespace[0:8] = namespace[8:16] = (1_000_215_216).to_bytes(8, "little")
    namespace[130] = 9
    for name, page in {"CTRL": controller, "NS": namespace, "LOG": log}.items():
        (folder / name).write_bytes(page)
    command = [need("smartctl"), *_arguments(Command.NVME_HEALTH), "/dev/nvme0"]
    stand_in = {name: str(folder / name) for name in ("CTRL", "NS", "LOG", "OPCODES")} | {
        "LD_PRELOAD": str(_shim())
    }
    return _said(subprocess.run(command, capture_output=True, env=os.environ | stand_in, timeout=30))


@cache
def _shim() -> Path:
    built = Path(mkdtemp()) / "shim.so"
    subprocess.run(
        [need("cc"), "-shared", "-fPIC", "-o", built, VECTORS / "nvme-shim.c", "-ldl"], check=True, timeout=60
    )
    return built


def _said(done: subprocess.CompletedProcess[bytes]) -> Said:
    return Said(done.returncode, done.stdout, "")
