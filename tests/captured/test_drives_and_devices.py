"""Drives, network adapters, sound and input of captured computers."""

import json
import re
from xml.etree import ElementTree

import pytest

from agent.machine.linux import alsa, block, bluetooth, ethernet, inputs, pci, rtc, usb, wireless
from agent.machine.linux.inputs import KEYBOARD, LID, POINTER, POWER
from reports.model.evidence import Absent, Reading, Why
from tests.support.captured import LAPTOP
from tests.support.tools import need, output


def value(answer: Reading | Absent) -> object:
    return answer.value if isinstance(answer, Reading) else None


def attributes_of_hwloc(captured, name: str) -> dict[str, dict[str, str]]:
    """What hwloc tells of each device of the operating system (drives, networks), by its name of the day."""
    text = captured.hwloc(f"{name}.output")
    if text.startswith("<?xml"):
        return {
            device.get("name"): {info.get("name"): info.get("value") for info in device.findall("info")}
            for device in ElementTree.fromstring(text).findall(".//object[@type='OSDev']")
        }
    found = re.findall(r'(?:Block|Network)\S* .*?L#\d+ \((.*)\) "(\S+)"', text)
    return {node: dict(re.findall(r"(\w+)=(\S+)", words)) for words, node in found}


WITH_DRIVES = (
    "2pa-pcidomain32bits",
    "32em64t-2n8c+1mic",
    "40intel64-2g2n4c+pci",
    "40intel64-4n10c+pci-conflicts",
)


@pytest.mark.parametrize("tree", WITH_DRIVES, indirect=True)
def test_drives_have_the_size_and_serial_that_hwloc_tells(tree, captured):
    """hwloc counts in KiB; to us optical drives and memory behind a character device are no drives."""
    theirs = attributes_of_hwloc(captured, tree.root.name)
    drives = block.disks(tree)

    assert {each.node for each in drives} == {
        node for node, told in theirs.items() if "Size" in told and not node.startswith(("sr", "dax"))
    }
    for drive in drives:
        told = theirs[drive.node]
        assert drive.capacity.value // 1024 == int(told["Size"])
        assert "SerialNumber" not in told or value(drive.serial) == told["SerialNumber"]


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_drives_of_the_laptop_are_those_of_lsblk(tree):
    """Its kernel says nothing of the port a drive hangs on, so that ours cannot tell sata from other."""
    columns = "NAME,SIZE,RM,TRAN,MODEL,TYPE"
    text = output(need("lsblk"), "--sysroot", tree.root, "-J", "-b", "-d", "-o", columns)
    theirs = {each["name"]: each for each in json.loads(text)["blockdevices"] if each["type"] == "disk"}
    drives = block.disks(tree)

    assert {each.node for each in drives} == theirs.keys() == {"sda", "sdb"}
    for drive in drives:
        told = theirs[drive.node]
        assert drive.capacity.value == told["size"]
        assert drive.model.value == told["model"].strip()
        assert drive.removable.value == told["rm"]
    assert [drive.transport.value for drive in drives] == ["other", "usb"]
    assert [theirs[drive.node]["tran"] for drive in drives] == ["sata", "usb"]


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_a_stick_and_a_mouse_of_which_the_kernel_does_not_say_where_they_sit_are_no_parts_of_the_unit(tree):
    """`removable` of USB ports came later than its kernel."""
    stick = next(drive for drive in block.disks(tree) if drive.node == "sdb")

    assert usb.inside(tree, stick.folder).why is Why.NOT_SUPPORTED
    assert block.card_readers(tree) == ()


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_storage_of_the_laptop_is_in_two_modes(tree):
    """One controller for the optical drive, one for the disk."""
    text = output(
        need("lspci"), "-A", "linux-sysfs", "-O", f"sysfs.path={tree.real('/sys/bus/pci')}", "-D", "-n"
    )

    assert set(re.findall(r" (01\d\d):", text)) == {"0101", "0106"}
    assert pci.controller_mode(tree).value == "AHCI and IDE"
    assert pci.hidden_storage(tree).why is Why.NOT_THERE


@pytest.mark.parametrize(
    ("tree", "several"),
    [("32em64t-2n8c+1mic", 2), ("32intel64-2p8co2t+8ve", 2), ("40intel64-2g2n4c+pci", 4)],
    indirect=["tree"],
)
def test_network_adapters_are_those_that_hwloc_found(tree, captured, several):
    """Its InfiniBand ports are networks of another kind: none to us."""
    theirs = attributes_of_hwloc(captured, tree.root.name)
    wired = {node for node, told in theirs.items() if "Address" in told and "Port" not in told} - {
        "ib0",
        "ib1",
    }
    found = ethernet.adapters(tree)

    assert len(found) == len([node for node in wired if not node.startswith("ib")]) == several
    assert {value(each.driver) for each in found} != {None}


@pytest.mark.parametrize("tree", ["40intel64-2g2n4c+pci"], indirect=True)
def test_a_carrier_that_could_not_be_read_when_it_was_captured_is_not_understood(tree):
    """The file of an interface that is down refuses to be read; the capture left an empty one."""
    assert [value(each.carrier) for each in ethernet.adapters(tree)] == [True, None, None, None]
    assert {each.carrier.why for each in ethernet.adapters(tree)[1:]} == {Why.NOT_UNDERSTOOD}


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_radios_of_the_laptop(tree):
    """Two interfaces, one radio. The only switch is that of a Bluetooth controller, which is off and unseen;
    its kernel did not tell hard and soft switches apart."""
    (radio,) = wireless.adapters(tree)

    assert (radio.id, radio.phys) == ("pci-0000:03:00.0", ("phy0",))
    assert isinstance(radio.driver, Reading)
    assert [name for name, _ in wireless.interfaces(tree, radio)] == ["wlan0", "wmaster0"]
    assert radio.soft_blocked.why is radio.hard_blocked.why is Why.NOT_THERE
    assert bluetooth.controllers(tree) == ()
    assert tree.words("/sys/class/rfkill/rfkill0/type") == "bluetooth"


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_input_devices_of_the_laptop_are_what_they_call_themselves(tree):
    """Lid, keyboard, its pointer, a mouse that was plugged in; the power key twice, as ACPI gives it."""
    sorts = {str(value(each.name)).split()[0]: each.sorts for each in inputs.devices(tree)}
    ids = {each.id for each in inputs.devices(tree)}
    names = {tree.words(f"/sys/class/input/{name}/name") for name in tree.listed("/sys/class/input")} - {""}

    assert len(names) > len(sorts)
    assert sorts.pop("AT") == (KEYBOARD,)
    assert sorts.pop("Lid") == (LID,)
    assert sorts.pop("Power") == (POWER,)
    assert set(sorts.values()) == {(POINTER,)}
    assert "acpi-LNXPWRBN:00" in ids


@pytest.mark.parametrize("tree", [LAPTOP], indirect=True)
def test_sound_and_clock_of_the_laptop(tree):
    """One codec that plays and records; the clock of the board stands where its three files say."""
    (card,) = alsa.cards(tree)
    date, time = (tree.words(f"/sys/class/rtc/rtc0/{name}") for name in ("date", "time"))

    assert (card.id, card.plays.value, card.records.value) == ("pci-0000:00:1b.0", True, True)
    assert rtc.seconds(tree).value == int(tree.words("/sys/class/rtc/rtc0/since_epoch"))
    assert (date, time) == ("2008-09-29", "02:30:51")
