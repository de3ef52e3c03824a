"""PCI Express links: how fast and how wide a device runs, and what it could (Linux,
Documentation/ABI/testing/sysfs-bus-pci: `current_link_*`, `max_link_*`).

A width of 255 is the kernel's word for "cannot tell", and 0 for "no link": functions inside the processor
or chipset have none, and their numbers mean nothing. Links rest: many drop to 2.5 GT/s when idle, so a
rate is judged under load. What a link could run at is the lesser of the device and the port above it.
Firmware may set the port to less; that stands in the configuration space alone (7.5.3.19: link control 2 at
30h of a capability of version 2, bits 3:0).

Without those files the same comes from the configuration space (PCI Express Base Specification 5.0, 7.5.3:
link capabilities at 0Ch, link status at 12h of the capability 10h), of which all but root see 64 bytes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree, not_understood
from reports.model.evidence import Absent, Reading, Why

GIGATRANSFERS_PER_S: Final = (0.0, 2.5, 5.0, 8.0, 16.0, 32.0, 64.0)
"""By the code in bits 3:0 of both registers (Linux include/uapi/linux/pci_regs.h)."""

NO_WIDTH: Final = 255
_FUNCTION: Final = re.compile(r"[0-9a-f]{4,}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]")
_ROOT: Final = re.compile(r"pci[0-9a-f]{4,}:[0-9a-f]{2}")
_CAPABILITIES, _STATUS, _EXPRESS = 0x34, 0x06, 0x10
_MOST_CAPABILITIES: Final = 48  # what fits into 256 bytes: a longer chain is a circle


@dataclass(frozen=True, slots=True)
class Link:
    """Rates in GT/s of one lane, widths in lanes; `most_*` is the lesser of device and port.

    `set_speed` is what the port is set to at most; not supported where it cannot be set.
    """

    speed: Reading | Absent
    width: Reading | Absent
    most_speed: Reading | Absent
    most_width: Reading | Absent
    set_speed: Reading | Absent


def link_of(tree: Tree, device: str) -> Link:
    """The link of the PCI function with the folder `device`."""
    own, port = _own(tree, device), tree.resolved(device).rpartition("/")[0]
    above = _own(tree, port) if tree.exists(f"{port}/class") else own
    return Link(
        speed=own.speed,
        width=own.width,
        most_speed=_lesser(own.most_speed, above.most_speed),
        most_width=_lesser(own.most_width, above.most_width),
        set_speed=above.set_speed,
    )


def allowed_speed(link: Link) -> Reading | Absent:
    """What a link runs at under load if nothing is wrong; absent where what it is set to cannot be told."""
    if isinstance(link.set_speed, Absent) and link.set_speed.why is not Why.NOT_SUPPORTED:
        return link.set_speed
    return _lesser(link.most_speed, link.set_speed)


def links(tree: Tree, device: str) -> tuple[Link, ...]:
    """The links on the way from the processor to the function that the folder `device` is or lies in.

    Two neighbours on the way, a port and what is plugged into it, share a link. A card with a switch of its
    own has another one behind that, so the function's own link need not be that of the slot. A controller
    that hides its drives begins a way of its own (`pci10000:e0`).
    """
    steps = tree.resolved(device).split("/")
    root = max((index for index, step in enumerate(steps) if _ROOT.fullmatch(step)), default=0)
    way = [index for index, step in enumerate(steps) if index > root and _FUNCTION.fullmatch(step)]
    return tuple(link_of(tree, "/".join(steps[: index + 1])) for index in way[1::2])


def _own(tree: Tree, device: str) -> Link:
    source = f"{device}/config"
    config = tree.data(source)
    if tree.exists(f"{device}/current_link_speed"):
        return Link(
            speed=_speed(tree, f"{device}/current_link_speed"),
            width=_width(tree, f"{device}/current_link_width"),
            most_speed=_speed(tree, f"{device}/max_link_speed"),
            most_width=_width(tree, f"{device}/max_link_width"),
            set_speed=config if isinstance(config, Absent) else _set_speed(config, source),
        )
    return _all(config) if isinstance(config, Absent) else from_config(config, source)


def from_config(config: bytes, source: str) -> Link:
    """The same from the configuration space; not supported where the function is not PCI Express."""
    start = _express(config)
    if start is None:
        return _all(_no_capability(config, source))
    registers = config[start + 0x0C : start + 0x14]
    if len(registers) < 8:
        return _all(not_understood(registers.hex(" "), source))
    most, now = int.from_bytes(registers[:4], "little"), int.from_bytes(registers[6:8], "little")
    return Link(
        _coded_speed(now, source), _lanes(now >> 4 & 0x3F, source),
        _coded_speed(most, source), _lanes(most >> 4 & 0x3F, source),
        _set_speed(config, source),
    )  # fmt: skip


def _set_speed(config: bytes, source: str) -> Reading | Absent:
    start = _express(config)
    if start is None:
        return _no_capability(config, source)
    if config[start + 2] & 0xF < 2 or len(config) < start + 0x32:
        return Absent(Why.NOT_SUPPORTED, source, "no target link speed")
    return _coded_speed(int.from_bytes(config[start + 0x30 : start + 0x32], "little"), source)


def _no_capability(config: bytes, source: str) -> Absent:
    why = Why.NOT_PERMITTED if len(config) <= 64 else Why.NOT_SUPPORTED
    return Absent(why, source, "no PCI Express capability")


def _express(config: bytes) -> int | None:
    """Where capability 10h begins; the chain hangs on 34h, and bit 4 of the status says that there is one."""
    if len(config) < 64 or not config[_STATUS] & 0x10:
        return None
    place = config[_CAPABILITIES] & 0xFC
    for _ in range(_MOST_CAPABILITIES):
        if not 0x40 <= place <= len(config) - 2:
            return None
        if config[place] == _EXPRESS:
            return place
        place = config[place + 1] & 0xFC
    return None


def _speed(tree: Tree, path: str) -> Reading | Absent:
    """`8.0 GT/s PCIe`; `Unknown` where the kernel cannot tell."""
    text = tree.text(path)
    if isinstance(text, Absent):
        return text
    words = str(text.value)
    if words.startswith("Unknown"):
        return Absent(Why.NOT_SUPPORTED, path, "the kernel cannot tell")
    rate = re.fullmatch(r"(\d+(?:\.\d+)?) GT/s(?: PCIe)?", words)
    return Reading(float(rate[1]), "GT/s", path) if rate else not_understood(words, path)


def _width(tree: Tree, path: str) -> Reading | Absent:
    raw = tree.integer(path)
    return raw if isinstance(raw, Absent) else _lanes(int(raw.value), path)


def _lanes(width: int, source: str) -> Reading | Absent:
    if width in (0, NO_WIDTH):
        return Absent(Why.NOT_SUPPORTED, source, "no link of its own")
    return Reading(width, "lanes", source)


def _coded_speed(register: int, source: str) -> Reading | Absent:
    code = register & 0xF
    if code == 0:
        return Absent(Why.NOT_SUPPORTED, source, "no link of its own")
    if not code < len(GIGATRANSFERS_PER_S):
        return not_understood(f"speed code {code}", source)
    return Reading(GIGATRANSFERS_PER_S[code], "GT/s", source)


def _lesser(one: Reading | Absent, other: Reading | Absent) -> Reading | Absent:
    """The smaller of two readings; a port that does not say leaves the device's own."""
    if isinstance(one, Absent) or isinstance(other, Absent):
        return one
    return min(one, other, key=lambda reading: float(reading.value))


def _all(reason: Absent) -> Link:
    return Link(reason, reason, reason, reason, reason)
