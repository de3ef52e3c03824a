"""Bluetooth controllers: found once, with driver, place and switches."""

import errno

import pytest

from agent.machine.linux import bluetooth
from reports.model.evidence import Absent, Reading, Why

DONGLE = "pci0000:00/0000:00:14.0/usb1/1-10"
INTERFACE = f"{DONGLE}/1-10:1.0"


def controller(unit, removable="fixed", driver="btusb"):
    unit.device(DONGLE, bDeviceClass="e0", devpath="10", removable=removable, product="Tarnwick Bluetooth")
    unit.device(INTERFACE, driver=driver)
    return unit.device(f"{INTERFACE}/bluetooth/hci0", "bluetooth", parent=INTERFACE)


def switch(unit, number, place=f"{INTERFACE}/bluetooth/hci0", kind="bluetooth", soft=0, hard=0):
    unit.device(f"{place}/rfkill{number}", "rfkill", type=kind, soft=soft, hard=hard)


def only(unit):
    (found,) = bluetooth.controllers(unit.tree)
    return found


def test_a_controller_is_named_by_its_bus_its_product_and_its_driver(unit):
    controller(unit)

    assert only(unit).id == "pci-0000:00:14.0-usb-0:10:1.0"
    assert only(unit).model == Reading("Tarnwick Bluetooth", "", f"/sys/devices/{DONGLE}/product")
    assert only(unit).driver == Reading("btusb", "", "/sys/class/bluetooth/hci0/device/driver")


@pytest.mark.parametrize("name", [None, ""])
def test_a_controller_that_gives_no_name_has_none(unit, name):
    controller(unit)
    product = unit.place(f"/sys/devices/{DONGLE}/product")
    product.unlink() if name is None else product.write_text("\n")

    assert only(unit).model.why is Why.NOT_THERE


def test_a_controller_that_lost_its_driver_says_so(unit):
    controller(unit, driver="")

    assert only(unit).driver == Absent(
        Why.NOT_THERE, "/sys/class/bluetooth/hci0/device/driver", "no driver took it"
    )


@pytest.mark.parametrize(("removable", "inside"), [("fixed", True), ("removable", False)])
def test_a_dongle_at_a_socket_is_not_part_of_the_unit(unit, removable, inside):
    controller(unit, removable)

    assert only(unit).inside.value is inside


def test_a_controller_on_a_serial_line_has_a_place_too(unit):
    unit.device("platform/serial8250/serial0/serial0-0", driver="hci_uart_tarn")
    unit.device(
        "platform/serial8250/serial0/serial0-0/bluetooth/hci0",
        "bluetooth",
        parent="platform/serial8250/serial0/serial0-0",
    )

    assert (only(unit).id, only(unit).inside.value) == ("platform-serial8250", True)


def test_any_of_its_switches_silences_it(unit):
    controller(unit)
    switch(unit, 1)
    switch(unit, 2, place="platform/tarnkeys/rfkill", soft=1, hard=1)

    assert (only(unit).soft_blocked.value, only(unit).hard_blocked.value) == (True, True)


def test_the_switch_of_another_controller_or_of_the_radio_beside_it_does_not(unit):
    controller(unit)
    switch(unit, 1)
    switch(unit, 2, place="pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/bluetooth/hci1", soft=1)
    switch(unit, 3, place="platform/tarnkeys/rfkill", kind="wlan", hard=1)

    assert (only(unit).soft_blocked.value, only(unit).hard_blocked.value) == (False, False)


def test_without_a_switch_there_is_no_answer(unit):
    controller(unit)

    assert only(unit).soft_blocked == Absent(Why.NOT_THERE, "/sys/class/rfkill", "no switch")


@pytest.mark.parametrize(
    ("number", "why"), [(errno.EACCES, Why.NOT_PERMITTED), (errno.EIO, Why.DID_NOT_ANSWER)]
)
def test_a_switch_that_cannot_be_read_says_why(unit, refuse, number, why):
    controller(unit)
    switch(unit, 1)
    refuse({"/hard": number})

    assert only(unit).hard_blocked.why is why
    assert only(unit).soft_blocked.value is False


def test_connections_of_a_controller_are_no_controllers(unit):
    controller(unit)
    unit.device(f"{INTERFACE}/bluetooth/hci0/hci0:256", "bluetooth")

    assert only(unit).id.endswith("10:1.0")


def test_a_kernel_without_the_class_has_found_none(unit):
    assert bluetooth.controllers(unit.tree) == ()


def test_without_a_kernel_nobody_looked(unit):
    unit.place("/sys/class").rmdir()

    assert bluetooth.controllers(unit.tree) == Absent(Why.NOT_THERE, bluetooth.CLASS)


def test_a_switch_whose_kind_cannot_be_read_is_not_taken_for_another_kinds(unit, refuse):
    controller(unit)
    switch(unit, 1)
    refuse({"rfkill1/type": errno.EIO})

    assert only(unit).soft_blocked.why is Why.DID_NOT_ANSWER
