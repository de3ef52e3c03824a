"""Wired network adapters, with or without a driver, and what answers on their cables."""

import errno
import json
import struct

import pytest
from pyroute2.netlink.generic import ethtool

from agent.machine.linux import ethernet
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why
from tests.support.airwaves import NESTED, attribute
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
        speed=Absent(Why.NOT_THERE, "/sys/class/net/eth0/speed"),
        most_speed=Absent(Why.NOT_THERE, "ethtool", "no link to ask about"),
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


@pytest.mark.parametrize(("speed", "told"), [(1000, 1000), (-1, None), (4294967295, None)])
def test_a_link_has_a_rate_and_a_copied_tree_is_never_answered_by_the_running_kernel(unit, speed, told):
    card(unit, carrier=1, speed=speed)

    adapter = only(unit)

    assert getattr(adapter.speed, "value", None) == told
    assert isinstance(adapter.most_speed, Absent)


def modes(ours, peer=None):
    """The kernel's answer to LINKMODES_GET: ours by name, with whether we offer each, and the peer's."""
    body = attribute(3 | NESTED, bits(ours))
    if peer is not None:
        body += attribute(4 | NESTED, attribute(1, b"") + bits(dict.fromkeys(peer, False)))
    raw = struct.pack("=BBH", ethtool.ETHTOOL_MSG_LINKMODES_GET, 1, 0) + body
    decoded = ethtool.ethtool_linkmode_msg(struct.pack("=IHHII", 16 + len(raw), 21, 0, 0, 0) + raw)
    decoded.decode()
    return [decoded]


def bits(named):
    """A bit set as a list (Linux, Documentation/networking/ethtool-netlink.rst)."""
    each = (
        attribute(2, name.encode() + b"\0") + (attribute(3, b"") if marked else b"")
        for name, marked in named.items()
    )
    return attribute(3 | NESTED, b"".join(attribute(1 | NESTED, it) for it in each))


GIGABIT = {"10baseT/Full": True, "100baseT/Full": True, "1000baseT/Full": True, "Autoneg": True}


@pytest.mark.parametrize(
    ("ours", "peer", "best"),
    [
        (GIGABIT, ["100baseT/Full", "1000baseT/Full", "Pause"], 1000),
        (GIGABIT, ["10baseT/Full", "100baseT/Full"], 100),
        (GIGABIT | {"1000baseT/Full": False}, ["100baseT/Full", "1000baseT/Full"], 100),
        (GIGABIT | {"2500baseT/Full": True}, ["1000baseT/Full", "2500baseT/Full"], 2500),
        (GIGABIT, [], None),
        (GIGABIT, None, None),
        ({}, None, None),
    ],
)
def test_the_best_of_both_ends_is_what_both_offered(ours, peer, best):
    found = ethernet.best_of_both(modes(ours, peer))

    assert (found.value if isinstance(found, Reading) else None) == best
    assert isinstance(found, Reading) or found.why is Why.NOT_SUPPORTED


def test_the_numbers_are_those_of_the_kernel_s_header():
    """include/uapi/linux/ethtool_netlink.h; a published number never changes."""
    ours = ethtool.ethtool_linkmode_msg.nla_map
    assert [name for name, _ in ours].index("ETHTOOL_A_LINKMODES_OURS") == 3
    assert [name for name, _ in ours].index("ETHTOOL_A_LINKMODES_PEER") == 4


def test_this_computers_kernel_answers_and_knows_no_interface_that_is_not_there():
    assert isinstance(ethernet.offered("lo"), Reading | Absent)
    assert ethernet.offered("no-such-if").why in (Why.NOT_THERE, Why.NOT_SUPPORTED)


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
