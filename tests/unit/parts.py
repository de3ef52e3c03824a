"""Parts that QEMU does not make of itself: what the bench runs beside a unit, and what is typed into it.

Each `Part` has files for the folder shared with the unit, commands that set it up there (every one must end
well), and perhaps a program beside QEMU.
"""

from __future__ import annotations

import struct
import subprocess
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.support.tools import need


@dataclass(frozen=True)
class Part:
    """What it takes: `files` by their path in the shared folder, then `commands` in the unit."""

    commands: Sequence[str]
    files: dict[str, bytes] | None = None


# -- sensor chip -----------------------------------------------------------------------------------

_LM63: Final = 0x4C
_REGISTERS: Final = {0x03: 0x04, 0x04: 0x05, 0x05: 85, 0x07: 85, 0x19: 105, 0xFE: 0x01, 0xFF: 0x41}
"""Tachometer input on, two conversions a second, high limits 85 celsius, critical 105; maker, chip (LM63 data
sheet)."""

CHIP: Final = Part(
    (
        f"modprobe i2c-stub chip_addr={_LM63:#x}",
        "modprobe -a i2c-dev lm63",
        # the bus has another number in each unit: it is the one that calls itself the stub driver
        "grep -l 'SMBus stub' /sys/bus/i2c/devices/i2c-*/name >/run/stub",
        r"sed 's#.*/i2c-\([0-9]*\)/name#\1#' /run/stub >/run/bus",
        "udevadm settle; test -c /dev/i2c-$(cat /run/bus)",
        *(
            f"i2cset -y $(cat /run/bus) {_LM63:#x} {register:#x} {value:#x}"
            for register, value in _REGISTERS.items()
        ),
        f"registers $(cat /run/bus) {_LM63:#x} </dev/null >/dev/null 2>&1 &",
        "sleep 2",
        f"echo lm63 {_LM63:#x} >/sys/bus/i2c/devices/i2c-$(cat /run/bus)/new_device",
        "await grep -q '[1-9]' /sys/class/hwmon/hwmon*/fan1_input",
    )
)

# -- touch screen ----------------------------------------------------------------------------------

_TOUCH_DESCRIPTOR: Final = bytes.fromhex(
    "050d0904a101"  # digitizer, touch screen, application
    + "0922a1020942150025017501950181020951250f75078102"  # finger: tip switch, contact id
    + "05010930150026ff0f35004600207510950181020931460012" + "8102c0"  # x, y
    + "050d0922a1020942150025017501950181020951250f75078102"
    + "05010930150026ff0f35004600207510950181020931460012" + "8102c0"
    + "050d09542502750895018102c0"  # contact count
)  # fmt: skip
"""Two fingers (HID Usage Tables 1.3, 16: digitizers); no feature report, which nobody here would answer."""

_UHID_CREATE2, _BUS_I2C = 11, 0x18


def uhid_event(name: str, descriptor: bytes) -> bytes:
    """A `struct uhid_event` that makes a device (linux/uhid.h: UHID_CREATE2)."""
    body = struct.pack(
        "<128s64s64sHHIIII", name.encode(), b"", b"", len(descriptor), _BUS_I2C, 0x1D6B, 0x0911, 1, 0
    )
    return struct.pack("<I", _UHID_CREATE2) + body + descriptor.ljust(4096, b"\0")


TOUCH: Final = Part(
    (
        "modprobe -a uhid hid-multitouch",
        "(exec 3<>/dev/uhid; cat /unit/touch >&3; exec sleep 100000) </dev/null >/dev/null 2>&1 & "
        "echo $! >/run/touch",
        "await sh -c 'grep -q \"Alcove touch\" /sys/class/input/input*/name'",
    ),
    {"touch": uhid_event("Alcove touch", _TOUCH_DESCRIPTOR)},
)

# -- others ----------------------------------------------------------------------------------------

CAMERA: Final = Part(
    ("modprobe vivid n_devs=1 node_types=0x1 num_inputs=1 input_types=0", "await test -c /dev/video0")
)

RADIO: Final = Part(("air up",))

POWERCAP: Final = Part(
    ("mount --bind /unit/powercap /sys/class/powercap",),
    {
        "powercap/intel-rapl:0/name": b"package-0\n",
        "powercap/intel-rapl:0/energy_uj": b"0".zfill(20),
        "powercap/intel-rapl:0/max_energy_range_uj": b"262143328850\n",
    },
)

PANEL: Final = Part(
    (
        "mkdir -p /run/drm/card0-eDP-1",
        "cp /sys/class/drm/card0-Virtual-1/edid /sys/class/drm/card0-Virtual-1/status /run/drm/card0-eDP-1/",
        "test -s /run/drm/card0-eDP-1/edid && grep -qx connected /run/drm/card0-eDP-1/status",
        "mount --bind /run/drm /sys/class/drm",
    )
)
"""No emulated adapter has the connector of a laptop's panel: the one there is, under the other name."""

BATTERY: Final = Part(("modprobe -a battery ac", "await grep -qx 1 /sys/class/power_supply/BAT0/present"))

_GLOBAL: Final = "8be4df61-93ca-11d2-aa0d-00e098032b8c"


def variable(value: bytes) -> bytes:
    """A firmware variable as efivarfs gives it: attributes, then the value."""
    return (7).to_bytes(4, "little") + value


def boot_entry(name: str, partition: str) -> bytes:
    """An active EFI_LOAD_OPTION that begins with a partition (UEFI 2.10, 3.1.3 and 10.3.5.1)."""
    path = struct.pack("<BBHLQQ", 4, 1, 42, 1, 2048, 409600) + uuid.UUID(partition).bytes_le + bytes((2, 2))
    path += bytes((0x7F, 0xFF, 4, 0))
    return variable(struct.pack("<LH", 1, len(path)) + name.encode("utf-16-le") + b"\0\0" + path)


FIRMWARE: Final = Part(
    (
        "mkdir -p /run/firmware/dmi",
        "mount --bind /sys/firmware/dmi /run/firmware/dmi",
        "cp -r /unit/efi /run/firmware/efi",
        "mount --rbind /run/firmware /sys/firmware",
        "test -s /sys/firmware/dmi/tables/DMI",
    ),
    {
        f"efi/efivars/SecureBoot-{_GLOBAL}": variable(b"\1"),
        f"efi/efivars/BootOrder-{_GLOBAL}": variable(bytes((1, 0, 2, 0))),
        f"efi/efivars/Boot0001-{_GLOBAL}": boot_entry("Meadow OS", "3b2f6f0e-5d0c-4f6b-9c93-7c7a1d1f1a01"),
        f"efi/efivars/Boot0002-{_GLOBAL}": boot_entry(
            "Meadow recovery", "3b2f6f0e-5d0c-4f6b-9c93-7c7a1d1f1a02"
        ),
    },
)
"""A unit started the direct way has no variables: files as efivarfs shows them, over the folder of theirs."""

CABLE: Final = Part(("ip link set eth0 up", "sleep 4", "grep -q 1 /sys/class/net/eth0/carrier"))

PARTS: Final = {
    "chip": CHIP,
    "touch": TOUCH,
    "camera": CAMERA,
    "radio": RADIO,
    "powercap": POWERCAP,
    "cable": CABLE,
    "panel": PANEL,
    "battery": BATTERY,
    "firmware": FIRMWARE,
}


@contextmanager
def trust_module(folder: Path) -> Iterator[None]:
    """An emulated TPM 2.0 at the socket `tpm`."""
    (folder / "tpm-state").mkdir(exist_ok=True)
    process = subprocess.Popen(
        [need("swtpm"), "socket", "--tpm2", "--tpmstate", f"dir={folder / 'tpm-state'}",
         "--ctrl", f"type=unixio,path={folder / 'tpm'}", "--flags", "not-need-init,startup-clear"],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield
    finally:
        process.terminate()
        process.wait()
