"""What other programs make of the invented units and of this computer: lsblk, lspci, sensors, smartctl."""

import json
import re
import subprocess

import pytest

from agent.machine.linux import block, hwmon, pci, pcie_link
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading
from tests.support.tools import need, output
from tests.support.units import UNITS, unit_in

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
            assert told is None or ours.value == told.strip()
        assert said["tran"] in (None, disk.transport.value)


@pytest.mark.parametrize("name", UNITS)
def test_the_drives_of_each_unit_are_those_of_lsblk(tmp_path, name):
    unit = unit_in(name, tmp_path)
    for_lsblk(unit)

    assert_same_drives(block.disks(unit.tree), drives_of(by_lsblk("--sysroot", tmp_path)))


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


def by_smartctl(node):
    """What the drive says of itself through its own commands; {} where smartctl cannot ask it."""
    done = subprocess.run(
        [need("smartctl"), "--info", "--json", f"/dev/{node}"], capture_output=True, text=True, check=False
    )
    said = json.loads(done.stdout)
    return said if "model_name" in said else {}


def test_the_drives_of_this_computer_are_those_of_smartctl():
    told = {disk: said for disk in block.disks(Tree()) if (said := by_smartctl(disk.node))}
    if not told:
        pytest.skip("smartctl can ask no drive of this computer")
    for disk, said in told.items():
        assert disk.model.value == said["model_name"]
        assert disk.serial.value == said["serial_number"]
        assert disk.capacity.value == said["user_capacity"]["bytes"]
