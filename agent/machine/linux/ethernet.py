"""Wired network adapters (Linux, Documentation/ABI/testing/sysfs-class-net).

An adapter is what stands on a bus, whether or not a driver took it: a PCI function of class 0200h without
a driver is one. `carrier` refuses with EINVAL while the interface is down; nothing here brings one up.

What both ends of a cable can is asked of the running kernel by pyroute2 (Linux,
Documentation/networking/ethtool-netlink.rst, LINKMODES_GET): the modes that we offer and those that the other
end offered. Modes are named for their rate, as `1000baseT/Full`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from agent.machine.linux import pci, usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, absent, gathered
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/net"
ETHERNET_CONTROLLER: Final = 0x0200
_ARPHRD_ETHER: Final = "1"  # linux/if_arp.h
_UNKNOWN: Final = (-1, 0xFFFFFFFF)  # linux/ethtool.h, SPEED_UNKNOWN
_ETHTOOL: Final = "ethtool"


@dataclass(frozen=True, slots=True)
class Adapter:
    """One adapter; `carrier` is whether something answers at the other end of its cable.

    `speed` is that of the link, Mbit/s, and `most_speed` the highest that both ends offered.
    """

    id: str
    model: Reading | Absent
    driver: Reading | Absent
    inside: Reading | Absent
    carrier: Reading | Absent
    speed: Reading | Absent
    most_speed: Reading | Absent


def adapters(tree: Tree) -> tuple[Adapter, ...] | Absent:
    """Every wired adapter; radios, bridges and other interfaces without a device are none."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    wired = gathered(_wired(tree, f"{CLASS}/{name}") for name in names)
    cards = pci.of_class(tree, ETHERNET_CONTROLLER)
    if isinstance(wired, Absent):
        return wired
    if isinstance(cards, Absent):
        if cards.why is not Why.NOT_THERE:
            return cards
        cards = ()
    taken = {tree.resolved(f"{folder}/device"): folder for folder in wired if folder}
    bare = [card for card in cards if isinstance(tree.driver(card.folder), Absent)]
    return (*(_adapter(tree, folder) for folder in taken.values()), *(_bare(tree, card) for card in bare))


def _wired(tree: Tree, folder: str) -> str | Absent:
    """`folder` where it is a wired adapter's, "" where it is not."""
    radio = tree.exists(f"{folder}/wireless") or tree.exists(f"{folder}/phy80211")
    if radio or not tree.exists(f"{folder}/device"):
        return ""
    sort = tree.sort(f"{folder}/type")
    return sort if isinstance(sort, Absent) else folder if sort == _ARPHRD_ETHER else ""


def _adapter(tree: Tree, folder: str) -> Adapter:
    device, speed = f"{folder}/device", _speed(tree, f"{folder}/speed")
    return Adapter(
        id=bus_path(tree, device),
        model=_model(tree, tree.resolved(device)),
        driver=tree.driver(device),
        inside=usb.inside(tree, device),
        carrier=_carrier(tree, f"{folder}/carrier"),
        speed=speed,
        most_speed=_most_speed(tree, folder, speed),
    )


def _bare(tree: Tree, card: pci.Device) -> Adapter:
    no_driver = Absent(Why.NOT_THERE, card.folder, "no driver took it")
    return Adapter(
        id=bus_path(tree, card.folder),
        model=pci.model(tree, card),
        driver=tree.driver(card.folder),
        inside=Reading(True, "", card.folder),
        carrier=no_driver,
        speed=no_driver,
        most_speed=no_driver,
    )


def _carrier(tree: Tree, path: str) -> Reading | Absent:
    said = tree.flag(path)
    if isinstance(said, Absent) and said.why is Why.NOT_SUPPORTED:
        return Absent(Why.SWITCHED_OFF, path, "the interface is down")
    return said


def _speed(tree: Tree, path: str) -> Reading | Absent:
    said = tree.integer(path)
    if isinstance(said, Absent):
        return said
    if said.value in _UNKNOWN:
        return Absent(Why.NOT_THERE, path, "no link, or the driver does not know its rate")
    return Reading(said.value, "Mbit/s", path)


def _most_speed(tree: Tree, folder: str, speed: Reading | Absent) -> Reading | Absent:
    """Asked where there is a rate to compare with, and of the running computer only."""
    if isinstance(speed, Absent):
        return Absent(Why.NOT_THERE, _ETHTOOL, "no link to ask about")
    if tree.root != Path("/"):
        return Absent(Why.NOT_SUPPORTED, _ETHTOOL, "a copied tree cannot be asked")
    return offered(folder.rpartition("/")[2])


def offered(name: str) -> Reading | Absent:
    """The highest rate that both ends of the cable at the interface `name` offered, Mbit/s."""
    from pyroute2.netlink.exceptions import NetlinkError
    from pyroute2.netlink.generic.ethtool import NlEthtool

    try:
        with NlEthtool() as socket:
            return best_of_both(socket.get_linkmode(name))
    except NetlinkError as error:
        return absent(OSError(error.code, str(error)), _ETHTOOL)
    except OSError as error:
        return absent(error, _ETHTOOL)


def best_of_both(messages: Iterable[Any]) -> Reading | Absent:
    """The answer to LINKMODES_GET; what the other end offered is there only where the two negotiated."""
    for message in messages:
        ours = set(_modes(message.get_attr("ETHTOOL_A_LINKMODES_OURS"), "ETHTOOL_A_BITSET_BIT_VALUE"))
        both = ours.intersection(_modes(message.get_attr("ETHTOOL_A_LINKMODES_PEER")))
        rates = [int(rate[0]) for mode in both if (rate := re.match(r"\d+(?=base)", mode))]
        if rates:
            return Reading(max(rates), "Mbit/s", _ETHTOOL)
    return Absent(Why.NOT_SUPPORTED, _ETHTOOL, "the other end is not known to have said what it can")


def _modes(bitset: Any, marked: str = "") -> Iterator[str]:
    """The names of the modes of a bit set; with `marked` only those that have this attribute."""
    listed = bitset.get_attr("ETHTOOL_A_BITSET_BITS") if bitset is not None else None
    for bit in listed.get_attrs("ETHTOOL_A_BITSET_BITS_BIT") if listed is not None else ():
        if not marked or bit.get_attr(marked) is not None:
            yield str(bit.get_attr("ETHTOOL_A_BITSET_BIT_NAME"))


def _model(tree: Tree, folder: str) -> Reading | Absent:
    address = folder.rpartition("/")[2]
    if tree.exists(f"{pci.DEVICES}/{address}"):
        return pci.model(tree, pci.Device(address, ETHERNET_CONTROLLER, folder))
    return tree.text(f"{folder.rpartition('/')[0]}/product")
