"""What other programs make of the invented units, of made ones and of this computer: lsblk, lspci, acpi,
dmidecode, edid-decode, sensors, smartctl, and udev's own library."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.machine.linux import block, drm, hwmon, pci, pcie_link, power_supply, smart, smbios
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why
from tests.support.edids import edid_decode
from tests.support.firmware import compare_devices, said
from tests.support.smartctl import IDENTIFY, VECTORS, identified, identify_data, nvme, sample
from tests.support.tools import need, output, python_under_umockdev, under_umockdev
from tests.support.trees import Unit, read_description
from tests.support.units import UNITS, description, unit_in


def several(strategy, count):
    """`count` values of a strategy, for programs that are asked once about all of them."""
    made = []

    @settings(max_examples=count, database=None)
    @given(strategy)
    def collect(value):
        made.append(value)

    collect()
    return made


# -- lsblk ---------------------------------------------------------------------------------------


def for_lsblk(unit):
    """What lsblk looks drives up by: links by number, and the kernel's note of the name."""
    for name in unit.tree.listed("/sys/class/block"):
        folder = unit.tree.resolved(f"/sys/class/block/{name}")
        major, _, minor = unit.tree.words(f"{folder}/dev").partition(":")
        unit.link(f"/sys/dev/block/{major}:{minor}", folder)
        unit.link(f"/sys/block/{name}", folder)
        unit.file(f"{folder}/uevent", f"MAJOR={major}\nMINOR={minor}\nDEVNAME={name}\nDEVTYPE=disk")
        unit.file(f"/dev/{name}", "")


def by_lsblk(*place):
    columns = "NAME,TYPE,SIZE,RM,SERIAL,MODEL,TRAN"
    text = output(need("lsblk"), *place, "--json", "--bytes", "--nodeps", "-o", columns)
    return {each["name"]: each for each in json.loads(text)["blockdevices"]}


def drives_of(table):
    """Without what is no drive of the unit: files, memory, hidden areas of an eMMC."""
    return {name: each for name, each in table.items() if not block._NO_DRIVE.fullmatch(name)}


def assert_same_drives(disks, theirs):
    """Each member that lsblk tells; it keeps the blanks around texts, and calls no size 0."""
    assert {disk.node for disk in disks} == theirs.keys()
    for disk in disks:
        said = theirs[disk.node]
        size = disk.capacity.value if isinstance(disk.capacity, Reading) else 0
        assert (size, disk.removable.value) == (said["size"], said["rm"])
        for ours, told in ((disk.serial, said["serial"]), (disk.model, said["model"])):
            assert not (told or "").strip() or ours.value == told.strip()
        assert said["tran"] in (None, disk.transport.value)


@pytest.mark.parametrize("name", UNITS)
def test_the_drives_of_each_unit_are_those_of_lsblk(tmp_path, name):
    unit = unit_in(name, tmp_path)
    for_lsblk(unit)

    assert_same_drives(block.disks(unit.tree), drives_of(by_lsblk("--sysroot", tmp_path)))


WORDS = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_. ", max_size=20)
DRIVES = st.tuples(st.integers(0, 2**40), st.booleans(), WORDS, WORDS)


def test_made_drives_are_those_of_lsblk(tmp_path):
    unit = Unit(tmp_path)
    for number, (sectors, removable, serial, model) in enumerate(several(DRIVES, 60)):
        card = f"pci0000:00/0000:{number:02x}:00.0/nvme/nvme{number}"
        unit.device(card, "nvme", serial=serial, model=model)
        unit.device(
            f"{card}/nvme{number}n1",
            "block",
            parent=card,
            size=sectors,
            removable=int(removable),
            dev=f"259:{number}",
        )
    for_lsblk(unit)
    theirs = by_lsblk("--sysroot", tmp_path)

    assert_same_drives(block.disks(unit.tree), theirs)
    assert len(theirs) >= 30


def test_the_drives_of_this_computer_are_those_of_lsblk():
    assert_same_drives(block.disks(Tree()), drives_of(by_lsblk()))


# -- lspci ---------------------------------------------------------------------------------------

CODES = {rate: code for code, rate in enumerate(pcie_link.GIGATRANSFERS_PER_S)}


def for_lspci(unit):
    """A configuration space for each function, made of the files that the kernel makes of it.

    Where they tell no width the function has no link: its space has no PCI Express capability.
    """
    for device in pci.devices(unit.tree):
        unit.file(f"{device.folder}/config", space(unit.tree, device.folder))
        unit.file(f"{device.folder}/resource", "0x0 0x0 0x0")
        unit.file(f"{device.folder}/irq", 0)


def space(tree, folder):
    made = bytearray(64)
    for place, size, file in ((0, 2, "vendor"), (2, 2, "device"), (9, 3, "class")):
        made[place : place + size] = int(tree.words(f"{folder}/{file}"), 16).to_bytes(size, "little")
    link = pcie_link._own(tree, folder)
    if not isinstance(link.width, Reading):
        return bytes(made)
    made[0x06], made[0x34] = 0x10, 0x40
    express = bytearray(0x14)
    express[0:4] = b"\x10\0\x02\0"
    express[0x0C:0x10] = register(link.most_speed, link.most_width).to_bytes(4, "little")
    express[0x12:0x14] = register(link.speed, link.width).to_bytes(2, "little")
    return bytes(made + express).ljust(256, b"\0")


def register(speed, width):
    return CODES[speed.value] | width.value << 4


def by_lspci(*options):
    """Class, ids and driver of each function."""
    text = output(need("lspci"), *options, "-D", "-n", "-vmmk")
    functions = [dict(re.findall(r"^(\w+):\t(\S+)$", part, re.MULTILINE)) for part in text.split("\n\n")]
    return {each["Slot"]: each for each in functions if each}


def links_by_lspci(*options):
    """Most rate and width, rate and width of each function that has a link."""
    parts = re.split(r"^(?=[0-9a-f]{4,}:)", output(need("lspci"), *options, "-D", "-n", "-vv"), flags=re.M)
    links = {}
    for part in filter(None, parts):
        most = re.search(r"LnkCap:.* Speed (\S+?)(?:GT/s)?, Width x(\d+),", part)
        now = re.search(r"LnkSta:\tSpeed (\S+?)(?:GT/s)?(?: \(\w+\))?, Width x(\d+)", part)
        if most and now:
            links[part.split()[0]] = (*most.groups(), *now.groups())
    return {slot: link for slot, link in links.items() if link[3] != "0"}


def assert_same_functions(tree, theirs):
    found = {device.address: device for device in pci.devices(tree)}

    assert found.keys() == theirs.keys()
    for address, device in found.items():
        said = theirs[address]
        assert f"{device.kind:04x}" == said["Class"]
        assert pci._ids(tree, device).value == f"{said['Vendor']}:{said['Device']}"


def our_links(tree):
    found = {}
    for device in pci.devices(tree):
        link = pcie_link._own(tree, device.folder)
        told = (link.most_speed, link.most_width, link.speed, link.width)
        if all(isinstance(each, Reading) for each in told):
            found[device.address] = tuple(f"{each.value:g}" for each in told)
    return found


@pytest.mark.parametrize("name", UNITS)
def test_the_functions_and_links_of_each_unit_are_those_of_lspci(tmp_path, name):
    unit = unit_in(name, tmp_path)
    for_lspci(unit)
    place = ("-O", f"sysfs.path={tmp_path}/sys/bus/pci")

    assert_same_functions(unit.tree, by_lspci(*place))
    assert our_links(unit.tree) == links_by_lspci(*place)


def test_the_functions_and_links_of_this_computer_are_those_of_lspci():
    if isinstance(pci.devices(Tree()), Absent):
        pytest.skip("this computer has no PCI bus")
    theirs = by_lspci()
    drivers = {slot: Tree().driver(f"{pci.DEVICES}/{slot}") for slot in theirs}

    assert_same_functions(Tree(), theirs)
    # elsewhere than in /sys lspci asks for no driver
    assert {slot: it.value for slot, it in drivers.items() if isinstance(it, Reading)} == {
        slot: said["Driver"] for slot, said in theirs.items() if "Driver" in said
    }
    assert our_links(Tree()) == links_by_lspci()


# -- acpi ----------------------------------------------------------------------------------------

CELLS = st.tuples(st.integers(1_000_000, 9_000_000), st.integers(11, 100), st.integers(0, 2000))


def cell(number, design, share, cycles):
    lines = [
        f"P: /devices/LNXSYSTM:00/LNXSYBUS:00/PNP0C0A:{number:02x}/power_supply/BAT{number}",
        "E: SUBSYSTEM=power_supply",
        *(
            f"A: {name}={value}\\n"
            for name, value in {
                "type": "Battery",
                "present": 1,
                "status": "Not charging",
                "cycle_count": cycles,
                "charge_full_design": design,
                "charge_full": design * share // 100,
                "charge_now": 0,
                "current_now": 0,
                "voltage_now": 11_400_000,
            }.items()
        ),
    ]
    return "\n".join(lines)


def test_made_batteries_hold_what_acpi_says(tmp_path):
    """It prints whole milliampere hours, never under 100, and cuts the share to whole per cent."""
    made = [cell(number, *facts) for number, facts in enumerate(several(CELLS, 40))]
    (tmp_path / "made.umockdev").write_text("\n\n".join(made) + "\n")
    text = under_umockdev(tmp_path / "made.umockdev", need("acpi"), "-b", "-i")
    theirs = re.findall(r"design capacity (\d+) mAh, last full capacity (\d+) mAh = (\d+)%", text)
    cells = power_supply.batteries(read_description("\n\n".join(made), tmp_path / "unit").tree)

    ours = sorted(
        (int(it.design.value * 1000), int(it.full.value * 1000), it.full.value / it.design.value)
        for it in cells
    )
    assert len(ours) == len(theirs) >= 20
    for (design, full, share), told in zip(
        ours, sorted(tuple(map(int, each)) for each in theirs), strict=True
    ):
        assert abs(design - told[0]) <= 1
        assert abs(full - told[1]) <= 1
        assert -0.01 <= 100 * share - told[2] < 1.01


def test_the_batteries_of_this_computer_are_those_of_acpi():
    """By the share that is full of what was designed, which it cuts to whole per cent and at 100."""
    text = output(need("acpi"), "-b", "-i")
    theirs = sorted(int(share) for share in re.findall(r"last full capacity \d+ mAh = (\d+)%", text))
    found = power_supply.batteries(Tree())
    shares = [
        min(100 * float(it.full.value) / float(it.design.value), 100.0)
        for it in (() if isinstance(found, Absent) else found)
        if isinstance(it.full, Reading) and isinstance(it.design, Reading)
    ]

    assert len(shares) == len(theirs)
    for ours, told in zip(sorted(shares), theirs, strict=True):
        assert -1.0 < ours - told < 2.0  # of a gauge that counts energy, acpi rounds both capacities first


# -- dmidecode, edid-decode ----------------------------------------------------------------------


def test_the_firmware_table_of_this_computer_reads_as_dmidecode_reads_it():
    table = smbios.read_table(Tree())
    if isinstance(table, Absent):
        assert (table.why, os.path.exists(smbios.TABLE)) in {
            (Why.NOT_THERE, False),
            (Why.NOT_PERMITTED, True),
        }
        return

    compare_devices(table, said(output(need("dmidecode"))))


def test_the_panels_of_this_computer_read_as_edid_decode_reads_them(tmp_path):
    ours = drm.connectors(Tree())
    files = {it.parent.name.partition("-")[2]: it for it in Path(drm.CLASS).glob("card*-*/edid")}
    told = {name: data for name, it in files.items() if (data := it.read_bytes())}
    models = {
        it.id: it.model.value
        for it in (() if isinstance(ours, Absent) else ours)
        if isinstance(it.model, Reading)
    }

    assert models.keys() == told.keys()
    for name, data in told.items():
        theirs = edid_decode(data, tmp_path / "panel")
        assert models[name] == f"{theirs.maker} {theirs.product} {theirs.name.strip()}".strip()


# -- udev's library ------------------------------------------------------------------------------

LISTED = """
import pyudev
from agent.machine.linux import alsa, block, bluetooth, drm, ethernet, hwmon, inputs, pci, power_supply
from agent.machine.linux import rfkill, rtc, thermal_zone, tpm, v4l2, wireless
from agent.machine.linux.files import Tree
FOLDERS = {
    "sound": alsa, "block": block, "bluetooth": bluetooth, "drm": drm, "net": ethernet, "hwmon": hwmon,
    "input": inputs, "power_supply": power_supply, "rfkill": rfkill, "rtc": rtc, "tpm": tpm,
    "thermal": thermal_zone, "video4linux": v4l2, "ieee80211": wireless,
}
folders = {subsystem: module.CLASS for subsystem, module in FOLDERS.items()}
folders |= {"pci": pci.DEVICES, "usb": v4l2.USB}
for subsystem, folder in folders.items():
    theirs = sorted(device.sys_name for device in pyudev.Context().list_devices(subsystem=subsystem))
    print(subsystem, theirs == sorted(Tree().listed(folder)), len(theirs))
"""


def assert_listed(text):
    lines = [line.split() for line in text.splitlines()]
    assert [line for line in lines if line[1] != "True"] == []
    assert sum(int(count) for _, _, count in lines) > 0


@pytest.mark.parametrize("name", UNITS)
def test_the_devices_of_each_unit_are_those_that_udev_lists(name):
    assert_listed(python_under_umockdev(description(name), LISTED))


def test_the_devices_of_this_computer_are_those_that_udev_lists():
    assert_listed(output(sys.executable, "-c", LISTED))


# -- sensors, smartctl ---------------------------------------------------------------------------


def by_sensors():
    """Every temperature and fan of this computer, `chip temp1`; sensors ends with 1 where there are none."""
    done = subprocess.run([need("sensors"), "-j"], capture_output=True, text=True, check=False)
    chips = json.loads(done.stdout or "{}")
    return sorted(
        f"{chip.partition('-')[0]} {file.removesuffix('_input')}"
        for chip, features in chips.items()
        for items in features.values()
        if isinstance(items, dict)
        for file in items
        if re.fullmatch(r"(temp|fan)\d+_input", file)
    )


def test_the_sensors_of_this_computer_are_those_of_sensors():
    found = [hwmon.temperatures(Tree()), hwmon.fans(Tree())]
    channels = [channel for each in found if isinstance(each, tuple) for channel in each]

    assert sorted(f"{it.chip} {it.id.rpartition('/')[2]}" for it in channels) == by_sensors()


def told_by_smartctl(page, root):
    """A SATA drive whose kernel files hold this IDENTIFY data, and smartctl's word on the same data."""
    said = identified(page)
    port = "pci0000:00/0000:00:17.0/ata3/host2/target2:0:0/2:0:0:0"
    unit = Unit(root)
    unit.device(port, model="cut by SCSI", vpd_pg89=bytes(60) + page)
    sectors = said["user_capacity"]["bytes"] // 512
    unit.device(f"{port}/block/sda", "block", parent=port, size=sectors, removable=0)
    (disk,) = block.disks(unit.tree)
    return disk, said


def assert_same_identity(disk, said):
    """Texts without the blanks around them, as on purpose; what holds nothing else is absent."""
    for ours, theirs in ((disk.model, said.get("model_name")), (disk.serial, said.get("serial_number"))):
        text = (theirs or "").strip()
        assert (ours.value if isinstance(ours, Reading) else "") == text
    assert disk.capacity.value == said["user_capacity"]["bytes"]


def test_the_sample_drive_is_the_one_that_smartctl_reads_in_its_bytes(tmp_path):
    disk, said = told_by_smartctl(sample(IDENTIFY), tmp_path)

    assert_same_identity(disk, said)
    assert disk.capacity.value == 1_953_525_168 * 512  # by hdparm, tests/vectors/drives


def printable(most):
    """What ATA strings hold: ASCII from blank to tilde (ACS-3 3.4.9), without words of the drive table."""
    return st.text("ABCDEFGHJKLMNPQRSTUVWXYZ0123456789-_. ", min_size=1, max_size=most)


IDENTITIES = st.tuples(printable(40), printable(20), st.integers(2**28, 2**40))


def test_made_drives_are_those_that_smartctl_reads_in_their_bytes(tmp_path):
    """Above 2^28 sectors, where the count stands in words 100 to 103 alone."""
    for number, identity in enumerate(several(IDENTITIES, 15)):
        assert_same_identity(*told_by_smartctl(identify_data(*identity), tmp_path / str(number)))


def test_an_nvme_drive_is_the_one_that_smartctl_reads_in_its_bytes(tmp_path):
    said = json.loads(nvme(sample(VECTORS / "nvme-smart-log-sample.hex"), tmp_path).text)
    unit = Unit(tmp_path / "unit")
    card = "pci0000:00/0000:00:06.0/nvme/nvme0"
    unit.device(card, "nvme", model="HG-N512".ljust(40), serial="HN5-20417733".ljust(20))
    unit.device(f"{card}/nvme0n1", "block", parent=card, size=1_000_215_216, removable=0)

    (disk,) = block.disks(unit.tree)

    assert_same_identity(disk, said)


def by_smartctl(node):
    """What the drive says of itself through its own commands; {} where smartctl cannot ask it."""
    done = subprocess.run(
        [need("smartctl"), "--info", "--json", f"/dev/{node}"], capture_output=True, text=True, check=False
    )
    said = json.loads(done.stdout)
    return said if "model_name" in said else {}


def test_the_drives_of_this_computer_are_those_of_smartctl():
    """One that smartctl cannot ask has no health for us either, and why is told."""
    found = block.disks(Tree())
    for disk in () if isinstance(found, Absent) else found:
        if said := by_smartctl(disk.node):
            assert_same_identity(disk, said)
        else:
            health = smart.health(Tree(), disk)
            assert isinstance(health, Absent), disk.node
            assert health.detail
