"""Wired network adapters (Linux, Documentation/ABI/testing/sysfs-class-net).

An adapter is what stands on a bus, whether or not a driver took it: a PCI function of class 0200h without
a driver is one. `carrier` refuses with EINVAL while the interface is down; nothing here brings one up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from agent.machine.linux import pci, usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, gathered
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/net"
ETHERNET_CONTROLLER: Final = 0x0200
_ARPHRD_ETHER: Final = "1"  # linux/if_arp.h


@dataclass(frozen=True, slots=True)
class Adapter:
    """One adapter; `carrier` is whether something answers at the other end of its cable."""

    id: str
    model: Reading | Absent
    driver: Reading | Absent
    inside: Reading | Absent
    carrier: Reading | Absent


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
    device = f"{folder}/device"
    return Adapter(
        id=bus_path(tree, device),
        model=_model(tree, tree.resolved(device)),
        driver=tree.driver(device),
        inside=usb.inside(tree, device),
        carrier=_carrier(tree, f"{folder}/carrier"),
    )


def _bare(tree: Tree, card: pci.Device) -> Adapter:
    return Adapter(
        id=bus_path(tree, card.folder),
        model=pci.model(tree, card),
        driver=tree.driver(card.folder),
        inside=Reading(True, "", card.folder),
        carrier=Absent(Why.NOT_THERE, card.folder, "no driver took it"),
    )


def _carrier(tree: Tree, path: str) -> Reading | Absent:
    said = tree.flag(path)
    if isinstance(said, Absent) and said.why is Why.NOT_SUPPORTED:
        return Absent(Why.SWITCHED_OFF, path, "the interface is down")
    return said


def _model(tree: Tree, folder: str) -> Reading | Absent:
    address = folder.rpartition("/")[2]
    if tree.exists(f"{pci.DEVICES}/{address}"):
        return pci.model(tree, pci.Device(address, ETHERNET_CONTROLLER, folder))
    return tree.text(f"{folder.rpartition('/')[0]}/product")
