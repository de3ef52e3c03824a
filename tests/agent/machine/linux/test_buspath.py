"""Names that stay the same over starts."""

import re
import sys

import pytest

from agent.machine.linux.buspath import bus_path
from tests.support.tools import need, under_umockdev


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("pci0000:00/0000:00:1c.0/0000:02:00.0", "pci-0000:02:00.0"),
        ("pci0000:00/0000:00:0e.0/pci10000:e0/10000:e1:00.0/nvme/nvme0", "pci-10000:e1:00.0"),
        ("platform/coretemp.0", "platform-coretemp.0"),
        ("pci0000:00/0000:00:14.0/usb1/1-2/1-2.3/1-2.3:1.0", "pci-0000:00:14.0-usb-0:2.3:1.0"),
        ("pci0000:00/0000:00:1f.4/i2c-7/7-004c", "pci-0000:00:1f.4-i2c-004c"),
        ("LNXSYSTM:00/LNXSYBUS:00/PNP0C0A:00/power_supply/BAT0", "acpi-PNP0C0A:00"),
        ("LNXSYSTM:00/LNXPWRBN:00/input/input0", "acpi-LNXPWRBN:00"),
        ("LNXSYSTM:00/LNXSYBUS:00/input/input0", "virtual-input0"),
        ("pnp0/00:03/rtc/rtc0", "pnp-00:03"),
        ("platform/i8042/serio1/input/input4", "platform-i8042-serio-1"),
        (
            "pci0000:00/0000:00:15.0/dw.0/i2c-1/i2c-TWTP0001:00/x/input/input7",
            "pci-0000:00:15.0-i2c-TWTP0001:00",
        ),
        ("virtual/mac80211_hwsim/hwsim0", "virtual-hwsim0"),
        ("platform/soc/fe300000.mmc/mmc_host/mmc0", "platform-soc"),
    ],
)
def test_a_device_is_named_by_its_place_on_the_bus(unit, path, name):
    unit.device(path)

    assert bus_path(unit.tree, f"/sys/devices/{path}") == name


def test_a_drive_keeps_its_name_when_hosts_are_numbered_otherwise(unit):
    before = "pci0000:00/0000:00:14.0/usb2/2-4/2-4:1.0/host6/target6:0:0/6:0:0:0/block/sdb"
    after = "pci0000:00/0000:00:14.0/usb2/2-4/2-4:1.0/host9/target9:0:0/9:0:0:0/block/sdc"

    assert bus_path(unit.tree, f"/sys/devices/{before}") == bus_path(unit.tree, f"/sys/devices/{after}")


PARENTS = """
acpi LNXSYSTM:00 LNXSYSTM:00/LNXPWRBN:00 LNXSYSTM:00/LNXSYBUS:00 LNXSYSTM:00/LNXSYBUS:00/PNP0C0D:00
platform platform/i8042
serio platform/i8042/serio0 platform/i8042/serio1
pci pci0000:00/0000:00:1f.3 pci0000:00/0000:00:14.0 pci0000:00/0000:00:1f.6
usb:usb_device HCD HCD/1-7 HCD/1-7/1-7.2
usb:usb_interface HCD/1-7/1-7.2/1-7.2:1.0
hid HCD/1-7/1-7.2/1-7.2:1.0/0003:1D00:0020.0001
"""
DEVICES = """
input LNXSYSTM:00/LNXPWRBN:00/input/input0
input LNXSYSTM:00/LNXSYBUS:00/PNP0C0D:00/input/input1
input platform/i8042/serio0/input/input3
input platform/i8042/serio1/input/input4
input HCD/1-7/1-7.2/1-7.2:1.0/0003:1D00:0020.0001/input/input5
sound pci0000:00/0000:00:1f.3/sound/card0
net pci0000:00/0000:00:1f.6/net/eth0
video4linux HCD/1-7/1-7.2/1-7.2:1.0/video4linux/video0
bluetooth HCD/1-7/1-7.2/1-7.2:1.0/bluetooth/hci0
"""


def lines(text):
    for line in text.replace("HCD", "pci0000:00/0000:00:14.0/usb1").split("\n"):
        sort, *paths = line.split() or [""]
        yield from ((sort.partition(":"), path) for path in paths)


def test_devices_of_every_class_are_named_as_udev_names_them(tmp_path):
    blocks = [
        f"P: /devices/{path}\nE: SUBSYSTEM={sort}" + (f"\nE: DEVTYPE={kind}" if kind else "")
        for (sort, _, kind), path in lines(PARENTS + DEVICES)
    ]
    (tmp_path / "all.umockdev").write_text("\n\n".join(blocks) + "\n")
    devices = [f"/sys/class/{sort}/{path.rpartition('/')[2]}" for (sort, _, _), path in lines(DEVICES)]
    ask = "".join(f"{need('udevadm')} test-builtin path_id {device} 2>/dev/null; " for device in devices)
    ours = "from agent.machine.linux.buspath import bus_path; from agent.machine.linux.files import Tree; "
    ours += f"[print(bus_path(Tree(), each)) for each in {devices}]"

    theirs = under_umockdev(tmp_path / "all.umockdev", "sh", "-c", ask)

    named = re.findall(r"^ID_PATH=(.*)$", theirs, re.MULTILINE)
    assert len(named) == len(devices) == 9
    assert under_umockdev(tmp_path / "all.umockdev", sys.executable, "-c", ours).split() == named
