"""Names that stay the same over starts."""

import pytest

from agent.machine.linux.buspath import bus_path


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("pci0000:00/0000:00:1c.0/0000:02:00.0", "pci-0000:02:00.0"),
        ("pci0000:00/0000:00:0e.0/pci10000:e0/10000:e1:00.0/nvme/nvme0", "pci-10000:e1:00.0"),
        ("platform/coretemp.0", "platform-coretemp.0"),
        ("pci0000:00/0000:00:14.0/usb1/1-2/1-2.3/1-2.3:1.0", "pci-0000:00:14.0-usb-0:2.3:1.0"),
        ("pci0000:00/0000:00:1f.4/i2c-7/7-004c", "pci-0000:00:1f.4-i2c-004c"),
        ("LNXSYSTM:00/LNXSYBUS:00/PNP0C0A:00/power_supply/BAT0", "acpi-PNP0C0A:00"),
        ("LNXSYSTM:00/LNXPWRBN:00/input/input3", "acpi-LNXPWRBN:00"),
        ("LNXSYSTM:00/LNXSYBUS:00/input/input9", "virtual-input9"),
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
