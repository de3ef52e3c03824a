"""Whether what sits on a USB port is part of the unit."""

import errno

import pytest

from agent.machine.linux import usb
from reports.model.evidence import Absent, Reading, Why

ROOT = "pci0000:00/0000:00:14.0/usb1"


def port(unit, path, removable=None):
    files = {} if removable is None else {"removable": removable}
    return unit.device(f"{ROOT}/{path}", bDeviceClass="00", devpath=path.rpartition("-")[2], **files)


@pytest.fixture(autouse=True)
def controller(unit):
    unit.device(ROOT, bDeviceClass="09", devpath="0", removable="unknown")


def test_a_port_that_the_firmware_calls_fixed_is_inside(unit):
    device = port(unit, "1-8", "fixed")

    assert usb.inside(unit.tree, device) == Reading(True, "", f"{device}: USB removable")


def test_a_socket_is_outside(unit):
    device = port(unit, "1-2", "removable")

    assert usb.inside(unit.tree, device) == Reading(False, "", f"{device}: USB removable")


@pytest.mark.parametrize("removable", ["unknown", "", None, "perhaps"])
def test_where_nobody_wrote_it_down_nobody_knows(unit, removable):
    device = port(unit, "1-2", removable)

    assert usb.inside(unit.tree, device) == Absent(
        Why.NOT_SUPPORTED, f"{device}: USB removable", "the firmware does not say where it is"
    )


def test_behind_a_hub_at_a_socket_nothing_is_inside(unit):
    port(unit, "1-2", "removable")
    device = port(unit, "1-2/1-2.1", "fixed")

    assert usb.inside(unit.tree, device).value is False


def test_behind_a_hub_inside_a_fixed_port_is_inside_and_an_unknown_one_is_not_known(unit):
    port(unit, "1-1", "fixed")

    assert usb.inside(unit.tree, port(unit, "1-1/1-1.1", "fixed")).value is True
    assert usb.inside(unit.tree, port(unit, "1-1/1-1.2", "unknown")).why is Why.NOT_SUPPORTED


def test_an_interface_sits_where_its_device_sits(unit):
    port(unit, "1-2", "removable")
    interface = unit.device(f"{ROOT}/1-2/1-2:1.0", bInterfaceClass="03")

    assert usb.inside(unit.tree, interface).value is False


def test_the_controller_itself_is_part_of_the_unit_whatever_its_root_hub_says(unit):
    unit.file(f"/sys/devices/{ROOT}/removable", "removable")
    device = port(unit, "1-8", "fixed")

    assert usb.inside(unit.tree, device).value is True
    assert usb.inside(unit.tree, f"/sys/devices/{ROOT}").source == f"/sys/devices/{ROOT}: not on USB"


def test_what_is_on_no_usb_is_part_of_the_unit(unit):
    device = unit.device("platform/i8042/serio0/input/input3")

    assert usb.inside(unit.tree, device) == Reading(True, "", f"{device}: not on USB")


@pytest.mark.parametrize(
    ("number", "why"), [(errno.EACCES, Why.NOT_PERMITTED), (errno.EIO, Why.DID_NOT_ANSWER)]
)
def test_a_port_that_cannot_be_asked_says_why(unit, refuse, number, why):
    device = port(unit, "1-8", "fixed")
    refuse({"1-8/removable": number})

    assert usb.inside(unit.tree, device).why is why


def test_before_ports_had_paths_nobody_knows_where_a_device_sits(unit):
    """Only the root hub is the controller itself, not all that lacks the file; seen on a captured laptop."""
    device = unit.device(f"{ROOT}/1-2", bDeviceClass="00")

    assert usb.inside(unit.tree, device).why is Why.NOT_SUPPORTED
    assert usb.inside(unit.tree, f"/sys/devices/{ROOT}").value is True
