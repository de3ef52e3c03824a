"""Wireless adapters and what they hear (Linux, include/uapi/linux/nl80211.h; Documentation of the
`ieee80211` class).

An adapter is what stands on a bus, whether or not a driver took it: a PCI function of class 0280h
without a driver is one, with its driver absent. Signals come through nl80211, in hundredths of a dBm
for a whole frame and in dBm for each antenna chain. Nothing is transmitted except probe requests of a
scan, no interface is brought up, and no network name leaves this module.
"""

from __future__ import annotations

import statistics
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from agent.machine.linux import pci, rfkill, udevdb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, absent, first
from checks.measures.air import sum_dbm
from reports.model.evidence import Absent, Reading, Why

CLASS: Final = "/sys/class/ieee80211"
NETS: Final = "/sys/class/net"

SCANS: Final = 3
"""How often the air is scanned for one answer: three, so that the median can drop one stray frame."""

STALE_MS: Final = 15_000
"""A frame heard longer ago says nothing of the lead as it is plugged now; a scan takes 2 to 5 s."""


@dataclass(frozen=True, slots=True)
class Adapter:
    """One adapter: `folder` is its device, `phys` the radios that its driver made of it."""

    id: str
    folder: str
    phys: tuple[str, ...]
    model: Reading | Absent
    driver: Reading | Absent
    soft_blocked: Reading | Absent
    hard_blocked: Reading | Absent


@dataclass(frozen=True, slots=True)
class Heard:
    """One network or station heard: who (only to find it again), how loud, and per chain, in dBm; 0 MHz is
    not told."""

    sender: str
    signal: float
    chains: tuple[tuple[int, int], ...]
    mhz: int = 0


@dataclass(frozen=True, slots=True)
class Chain:
    """Median over `frames` frames of the strongest sender, dBm, through one antenna chain."""

    chain: int
    signal: float
    frames: int


@dataclass(frozen=True, slots=True)
class Network:
    """Median over `frames` frames of one sender, dBm, and where it sends."""

    sender: str
    mhz: int
    signal: float
    frames: int


def adapters(tree: Tree) -> tuple[Adapter, ...] | Absent:
    """Every adapter; a computer whose kernel knows neither radios nor a PCI bus cannot look."""
    by_device: dict[str, list[str]] = {}
    for phy in tree.listed(CLASS):
        by_device.setdefault(tree.resolved(f"{CLASS}/{phy}/device"), []).append(phy)
    cards = pci.of_class(tree, pci.OTHER_NETWORK_CONTROLLER)
    if isinstance(cards, Absent) and not by_device:
        return Absent(Why.NOT_SUPPORTED, CLASS) if cards.why is Why.NOT_THERE else cards
    for card in () if isinstance(cards, Absent) else cards:
        by_device.setdefault(tree.resolved(card.folder), [])
    return tuple(_adapter(tree, folder, tuple(phys)) for folder, phys in sorted(by_device.items()))


def interfaces(tree: Tree, adapter: Adapter) -> tuple[tuple[str, int], ...]:
    """Name and index of the network interfaces on the adapter's radios."""
    found = []
    for name in tree.listed(NETS):
        phy = tree.resolved(f"{NETS}/{name}/phy80211").rpartition("/")[2]
        index = tree.integer(f"{NETS}/{name}/ifindex")
        if phy in adapter.phys and isinstance(index, Reading):
            found.append((name, int(index.value)))
    return tuple(found)


def listen(tree: Tree, adapter: Adapter, air: Callable[[int], Iterable[Heard]]) -> tuple[Chain, ...] | Absent:
    """Chain signals of the strongest sender that `air` hears on the adapter's first interface.

    `air` is asked with the interface's index, `SCANS` times; `over_the_air` is the real one.
    """
    rounds = _rounds(tree, adapter, air, SCANS)
    return rounds if isinstance(rounds, Absent) else _strongest(rounds, f"nl80211 {adapter.id}")


def networks(
    tree: Tree, adapter: Adapter, air: Callable[[int], Iterable[Heard]], scans: int
) -> tuple[Network, ...] | Absent:
    """Every network that `air` tells a frequency of in `scans` scans, by its sender."""
    rounds = _rounds(tree, adapter, air, scans)
    if isinstance(rounds, Absent):
        return rounds
    by_sender: dict[str, list[Heard]] = {}
    for frame in (each for hearing in rounds for each in hearing):
        by_sender.setdefault(frame.sender, []).append(frame)
    return tuple(
        Network(sender, mhz, _loudness(frames), len(frames))
        for sender, frames in sorted(by_sender.items())
        if (mhz := max(frame.mhz for frame in frames))
    )


def _rounds(
    tree: Tree, adapter: Adapter, air: Callable[[int], Iterable[Heard]], scans: int
) -> list[tuple[Heard, ...]] | Absent:
    """What is heard on the adapter's first interface, scan by scan."""
    source = f"nl80211 {adapter.id}"
    found = interfaces(tree, adapter)
    if not found:
        return Absent(Why.NOT_THERE, source, "the adapter has no network interface")
    name, index = found[0]
    if _down(tree, name):
        return Absent(Why.SWITCHED_OFF, source, f"{name} is down")
    try:
        return [tuple(air(index)) for _ in range(scans)]
    except OSError as error:
        return absent(error, source)


def frequencies(
    tree: Tree, adapter: Adapter, ask: Callable[[int], Iterable[int]]
) -> tuple[int, ...] | Absent:
    """MHz that the adapter's first radio may listen at; `ask` is asked with its number (`may_listen`)."""
    source = f"nl80211 {adapter.id}"
    if not adapter.phys:
        return Absent(Why.NOT_THERE, source, "no driver made a radio of it")
    index = tree.integer(f"{CLASS}/{adapter.phys[0]}/index")
    if isinstance(index, Absent):
        return index
    try:
        found = tuple(sorted(set(ask(int(index.value)))))
    except OSError as error:
        return absent(error, source)
    return found or Absent(Why.NOT_SUPPORTED, source, "the driver tells no frequencies")


def may_listen(phy: int) -> Iterator[int]:
    """What the kernel says of the radio `phy`: its frequencies but for those switched off; OSError where
    that is refused."""
    from pyroute2.iwutil import IW
    from pyroute2.netlink import NLM_F_DUMP, NLM_F_REQUEST
    from pyroute2.netlink.exceptions import NetlinkError
    from pyroute2.netlink.nl80211 import NL80211_NAMES, nl80211cmd

    request = nl80211cmd()
    request["cmd"] = NL80211_NAMES["NL80211_CMD_GET_WIPHY"]
    # unsplit, the kernel leaves out what does not fit one message
    request["attrs"] = [("NL80211_ATTR_WIPHY", phy), ("NL80211_ATTR_SPLIT_WIPHY_DUMP", None)]
    try:
        with IW() as socket:
            answer = socket.nlm_request(request, msg_type=socket.prid, msg_flags=NLM_F_REQUEST | NLM_F_DUMP)
            yield from enabled(answer, phy)
    except NetlinkError as error:
        raise OSError(error.code, str(error)) from error


def enabled(messages: Iterable[Any], phy: int) -> Iterator[int]:
    """MHz of every frequency of a dump of the radio `phy` that is not switched off."""
    for message in messages:
        if message.get_attr("NL80211_ATTR_WIPHY") != phy:
            continue
        for band in message.get_attr("NL80211_ATTR_WIPHY_BANDS") or ():
            for each in band.get_attr("NL80211_BAND_ATTR_FREQS") or ():
                mhz = each.get_attr("NL80211_FREQUENCY_ATTR_FREQ")
                if mhz and not each.get_attr("NL80211_FREQUENCY_ATTR_DISABLED"):
                    yield int(mhz)


def over_the_air(index: int) -> Iterator[Heard]:
    """One scan of the interface, and the station it is joined to; OSError where that is refused.

    Scanning needs the right to administer the network.
    """
    from pyroute2.iwutil import IW
    from pyroute2.netlink.exceptions import NetlinkError

    try:
        with IW() as socket:
            yield from scanned(socket.scan(index))
            yield from joined(socket.get_stations(index))
    except NetlinkError as error:
        raise OSError(error.code, str(error)) from error


def scanned(messages: Iterable[Any]) -> Iterator[Heard]:
    """The networks of a scan dump that were heard lately."""
    for message in messages:
        bss = message.get_attr("NL80211_ATTR_BSS")
        if bss is None:
            continue
        fields = _attributes(_raw(bss))
        seen, chains = fields.get(_BSS_SEEN_MS_AGO), _chains(fields.get(_BSS_CHAIN_SIGNAL))
        signal = _whole(fields.get(_BSS_SIGNAL_MBM), chains)
        if signal is None or (seen is not None and _unsigned(seen) > STALE_MS):
            continue
        mhz = _unsigned(fields.get(_BSS_FREQUENCY, b""))
        yield Heard(fields.get(_BSS_BSSID, b"").hex(), signal, chains, mhz)


def _whole(mbm: bytes | None, chains: tuple[tuple[int, int], ...]) -> float | None:
    """dBm of the whole frame: as told, else of the chains together (some drivers tell a bare percentage)."""
    if mbm is not None:
        return _signed(mbm) / 100
    return round(sum_dbm(level for _, level in chains), 1) if chains else None


def joined(messages: Iterable[Any]) -> Iterator[Heard]:
    """The stations of a station dump (the access point, where the interface is joined to one)."""
    for message in messages:
        station = message.get_attr("NL80211_ATTR_STA_INFO")
        if station is None:
            continue
        fields = _attributes(_raw(station))
        if _STA_SIGNAL in fields:
            sender = str(message.get_attr("NL80211_ATTR_MAC")).replace(":", "")
            yield Heard(sender, float(_signed(fields[_STA_SIGNAL][:1])), _chains(fields.get(_STA_CHAIN)))


# enum nl80211_bss and nl80211_sta_info, include/uapi/linux/nl80211.h (stable: numbers are never reused).
# Decoded here because pyroute2 0.9.7 has no name for the chains of a network, and of a station's
# chains it keeps the values and drops their numbers: with one lead off, chain 1 would pass for chain 0.
_BSS_BSSID: Final = 1
_BSS_FREQUENCY: Final = 2
_BSS_SIGNAL_MBM: Final = 7
_BSS_SEEN_MS_AGO: Final = 10
_BSS_CHAIN_SIGNAL: Final = 19
_STA_SIGNAL: Final = 7
_STA_CHAIN: Final = 25

_TYPE_MASK: Final = 0x3FFF  # without the flags for nesting and byte order (linux/netlink.h)


def _raw(nested: Any) -> bytes:
    """The payload of a nested attribute as it came from the kernel."""
    return bytes(nested.data[nested.offset + 4 : nested.offset + nested.length])


def _attributes(payload: bytes) -> dict[int, bytes]:
    """Netlink attributes by number: length and type, then the value, padded to four bytes."""
    found: dict[int, bytes] = {}
    offset = 0
    while offset + 4 <= len(payload):
        length, number = struct.unpack_from("=HH", payload, offset)
        if length < 4:
            break
        found[number & _TYPE_MASK] = payload[offset + 4 : offset + length]
        offset += length + (-length % 4)
    return found


def _chains(nested: bytes | None) -> tuple[tuple[int, int], ...]:
    """Chain number and dBm; each value is one signed byte."""
    fields = _attributes(nested or b"")
    return tuple((chain, _signed(value[:1])) for chain, value in sorted(fields.items()) if value)


def _signed(value: bytes) -> int:
    return int.from_bytes(value, "little", signed=True)


def _unsigned(value: bytes) -> int:
    return int.from_bytes(value, "little")


def _strongest(rounds: list[tuple[Heard, ...]], source: str) -> tuple[Chain, ...] | Absent:
    """The chains of the loudest sender, by the median over the frames that tell their chains."""
    heard = [each for hearing in rounds for each in hearing]
    if not heard:
        return Absent(Why.DID_NOT_ANSWER, source, "no network was heard")
    by_sender: dict[str, list[Heard]] = {}
    for frame in heard:
        if frame.chains:
            by_sender.setdefault(frame.sender, []).append(frame)
    if not by_sender:
        return Absent(Why.NOT_SUPPORTED, source, "the driver does not tell its chains apart")
    return _medians(max(by_sender.values(), key=_loudness))


def _loudness(frames: list[Heard]) -> float:
    return statistics.median(frame.signal for frame in frames)


def _medians(frames: list[Heard]) -> tuple[Chain, ...]:
    by_chain: dict[int, list[int]] = {}
    for chain, signal in (each for frame in frames for each in frame.chains):
        by_chain.setdefault(chain, []).append(signal)
    return tuple(
        Chain(chain, float(statistics.median(signals)), len(signals))
        for chain, signals in sorted(by_chain.items())
    )


def _down(tree: Tree, name: str) -> bool:
    """Administratively down: bit 0 of `flags` (IFF_UP, linux/if.h)."""
    try:
        return not int(tree.words(f"{NETS}/{name}/flags"), 16) & 1
    except ValueError:
        return False


def _adapter(tree: Tree, folder: str, phys: tuple[str, ...]) -> Adapter:
    return Adapter(
        id=bus_path(tree, folder),
        folder=folder,
        phys=phys,
        model=_model(tree, folder),
        driver=tree.driver(folder),
        soft_blocked=rfkill.blocked(tree, "wlan", folder, "soft"),
        hard_blocked=rfkill.blocked(tree, "wlan", folder, "hard"),
    )


def _model(tree: Tree, folder: str) -> Reading | Absent:
    """A PCI function's name, else what the USB device calls itself."""
    address = folder.rpartition("/")[2]
    if tree.exists(f"{pci.DEVICES}/{address}"):
        return pci.model(tree, pci.Device(address, pci.OTHER_NETWORK_CONTROLLER, folder))
    usb = folder.rpartition("/")[0]
    named = udevdb.property_of(tree, usb, "usb", "ID_MODEL_FROM_DATABASE")
    return first(tree.text(f"{usb}/product"), named)
