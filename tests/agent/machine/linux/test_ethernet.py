"""Wired network adapters, with or without a driver, and what answers on their cables."""

import errno
import json

import pytest

from agent.machine.linux import ethernet
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import need, output

CARD = "pci0000:00/0000:00:1f.6"
PCI = {"class": "0x020000", "vendor": "0x1d00", "device": "0x0050"}
CARRIER = "/sys/class/net/eth0/carrier"


def card(unit, driver="tarneth", name="eth0", place=CARD, **files):
    unit.device(place, "pci", bus=True, driver=driver, **PCI)
    if driver:
        unit.device(f"{place}/net/{name}", "net", parent=place, type=1, **files)


def dongle(unit, removable):
    port = "pci0000:00/0000:00:14.0/usb2/2-1"
    unit.device(port, bDeviceClass="00", devpath="1", removable=removable, product="Tarnwick Ethernet")
    unit.device(f"{port}/2-1:1.0", driver="tarnusbnet")
    unit.device(f"{port}/2-1:1.0/net/eth1", "net", parent=f"{port}/2-1:1.0", type=1, carrier=1)


def only(unit):
    (found,) = ethernet.adapters(unit.tree)
    return found


def test_an_adapter_has_its_bus_its_ids_and_its_driver(unit):
    card(unit, carrier=1)

    assert only(unit) == ethernet.Adapter(
        id="pci-0000:00:1f.6",
        model=Reading("1d00:0050", "", f"/sys/devices/{CARD}"),
        driver=Reading("tarneth", "", "/sys/class/net/eth0/device/driver"),
        inside=Reading(True, "", "/sys/class/net/eth0/device: not on USB"),
        carrier=Reading(True, "", CARRIER),
    )


def test_the_name_of_the_hardware_database_comes_first(unit):
    card(unit)
    unit.file("/run/udev/data/+pci:0000:00:1f.6", "E:ID_MODEL_FROM_DATABASE=Tarnwick Gigabit")

    assert only(unit).model.value == "Tarnwick Gigabit"


@pytest.mark.parametrize(("carrier", "answers"), [(1, True), (0, False)])
def test_the_cable_answers_or_not(unit, carrier, answers):
    card(unit, carrier=carrier)

    assert only(unit).carrier == Reading(answers, "", CARRIER)


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.EINVAL, Why.SWITCHED_OFF),
        (errno.EACCES, Why.NOT_PERMITTED),
        (errno.EIO, Why.DID_NOT_ANSWER),
        (errno.ENODEV, Why.NOT_THERE),
    ],
)
def test_an_interface_that_is_down_is_switched_off_and_other_silence_has_its_reason(
    unit, refuse, number, why
):
    card(unit, carrier=1)
    refuse({"/carrier": number})

    assert only(unit).carrier.why is why


@pytest.mark.parametrize("words", ["", "2", "up"])
def test_a_carrier_that_is_neither_is_not_understood(unit, words):
    card(unit, carrier=words)

    assert only(unit).carrier == Absent(Why.NOT_UNDERSTOOD, CARRIER, words)


def test_a_card_that_no_driver_took_is_an_adapter_all_the_same(unit):
    unit.device("virtual/net/lo", "net", type=772)
    card(unit, driver="")

    assert (only(unit).id, only(unit).model.value) == ("pci-0000:00:1f.6", "1d00:0050")
    assert only(unit).driver == Absent(
        Why.NOT_THERE, "/sys/bus/pci/devices/0000:00:1f.6/driver", "no driver took it"
    )
    assert only(unit).carrier == Absent(
        Why.NOT_THERE, "/sys/bus/pci/devices/0000:00:1f.6", "no driver took it"
    )
    assert only(unit).inside == Reading(True, "", "/sys/bus/pci/devices/0000:00:1f.6")


def test_an_interface_that_is_down_says_so_in_words(unit, refuse):
    card(unit, carrier=1)
    refuse({"/carrier": errno.EINVAL})

    assert only(unit).carrier == Absent(Why.SWITCHED_OFF, CARRIER, "the interface is down")


def test_two_interfaces_of_one_card_are_one_adapter(unit):
    card(unit, carrier=1)
    unit.device(f"{CARD}/net/eth1", "net", parent=CARD, type=1, carrier=0)

    assert only(unit).driver.value == "tarneth"


def test_a_card_that_answers_nothing_says_why_it_has_no_model(unit):
    card(unit)
    unit.place(f"/sys/devices/{CARD}/vendor").unlink()

    assert only(unit).model.why is Why.NOT_THERE


@pytest.mark.parametrize(("removable", "inside"), [("fixed", True), ("removable", False)])
def test_an_adapter_on_usb_calls_itself_by_its_product(unit, removable, inside):
    unit.place("/sys/bus/pci/devices").mkdir(parents=True)
    dongle(unit, removable)

    assert (only(unit).id, only(unit).model.value) == ("pci-0000:00:14.0-usb-0:1:1.0", "Tarnwick Ethernet")
    assert (only(unit).driver.value, only(unit).inside.value) == ("tarnusbnet", inside)


def test_radios_bridges_loops_and_tunnels_are_no_wired_adapters(unit):
    unit.device(CARD)
    unit.device("virtual/net/lo", "net", type=772)
    unit.device("virtual/net/br0", "net", type=1)
    unit.device("virtual/net/ipsec0", "net", type=65534, parent=CARD)
    for sign in ("wireless", "phy80211"):
        unit.device(f"{CARD}/net/{sign}", "net", type=1, parent=CARD, **{f"{sign}/index": 0})

    assert ethernet.adapters(unit.tree) == ()


def test_a_virtual_adapter_of_a_virtual_bus_is_one(unit):
    """Virtual machines have theirs on a bus of their own, not on PCI."""
    unit.device("virtio/virtio0", driver="virtio_net")
    unit.device("virtio/virtio0/net/eth0", "net", parent="virtio/virtio0", type=1, carrier=1)

    assert (only(unit).driver.value, only(unit).carrier.value) == ("virtio_net", True)
    assert only(unit).model.why is Why.NOT_THERE


def test_without_a_network_nobody_can_look(unit):
    card(unit, driver="")

    assert ethernet.adapters(unit.tree) == Absent(Why.NOT_THERE, ethernet.CLASS)


def test_an_interface_that_cannot_be_asked_what_it_is_is_not_taken_for_none(unit, refuse):
    card(unit, carrier=1)
    refuse({"eth0/type": errno.EIO})

    assert ethernet.adapters(unit.tree).why is Why.DID_NOT_ANSWER


def test_a_card_that_cannot_be_asked_for_its_class_is_not_taken_for_none(unit, refuse):
    unit.device("virtual/net/lo", "net", type=772)
    card(unit, driver="")
    refuse({"1f.6/class": errno.EIO})

    assert ethernet.adapters(unit.tree).why is Why.DID_NOT_ANSWER


def by_ip() -> dict[str, dict[str, object]]:
    text = output(need("ip"), "-json", "-details", "link")
    return {each["ifname"]: each for each in json.loads(text)}


def test_the_carrier_of_this_computers_adapters_is_that_which_ip_shows():
    theirs = by_ip()
    found = [
        name for name in Tree().listed(ethernet.CLASS) if ethernet._wired(Tree(), f"/sys/class/net/{name}")
    ]

    assert len(found) <= len(ethernet.adapters(Tree()))
    for name in found:
        carrier = ethernet._carrier(Tree(), f"/sys/class/net/{name}/carrier")
        up = "UP" in theirs[name]["flags"]
        assert carrier.value is ("LOWER_UP" in theirs[name]["flags"]) if up else isinstance(carrier, Absent)
