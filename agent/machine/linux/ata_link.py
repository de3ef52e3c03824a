"""SATA links: how fast a drive's cable carries (Linux, Documentation/ABI/testing/sysfs-ata: `sata_spd`).

The kernel starts at what port and drive agree on (`hw_sata_spd_limit`, unknown where the port sets no
limit) and lowers `sata_spd_limit` when a link keeps failing: a lowered limit speaks of the cable or its
plugs. What the drive itself can stands in its IDENTIFY data (ACS-3 7.12.7.36: word 76, bits 1 to 3).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import block
from agent.machine.linux.files import Tree, not_understood
from reports.model.evidence import Absent, Reading, Why

RATES: Final = (1.5, 3.0, 6.0)
"""Gbit/s of the three generations, in the order of their bits."""

UNIT: Final = "Gbit/s"


@dataclass(frozen=True, slots=True)
class Link:
    """Rates in Gbit/s; `most_speed` is the lesser of drive and port, absent unless both tell theirs."""

    speed: Reading | Absent
    most_speed: Reading | Absent
    lowered: Reading | Absent


def link_of(tree: Tree, disk: str) -> Link:
    """The link behind which the drive with the block folder `disk` sits."""
    folder = _folder(tree, disk)
    if folder is None:
        unknown = Absent(Why.NOT_THERE, disk, "its port shows no link")
        return Link(unknown, unknown, unknown)
    port, now = _rate(tree, f"{folder}/hw_sata_spd_limit"), _rate(tree, f"{folder}/sata_spd_limit")
    return Link(
        speed=_rate(tree, f"{folder}/sata_spd"),
        most_speed=_lesser(of_drive(tree, disk), port),
        lowered=_lowered(port, now, f"{folder}/sata_spd_limit"),
    )


def of_drive(tree: Tree, disk: str) -> Reading | Absent:
    """The highest rate that the drive's IDENTIFY data name."""
    word = block.identify_word(tree, disk, 76)
    if isinstance(word, Absent):
        return word
    capable = [rate for bit, rate in enumerate(RATES, 1) if int(word.value) >> bit & 1]
    if not capable or word.value == 0xFFFF:
        return not_understood(f"word 76 is {word.value:04x}", word.source)
    return Reading(capable[-1], UNIT, word.source)


def _folder(tree: Tree, disk: str) -> str | None:
    """`ataN` holds `linkN`, and that the class device of the same name; a multiplier has `linkN.M` too."""
    steps = tree.resolved(disk).split("/")
    at = next((index for index, step in enumerate(steps) if re.fullmatch(r"ata\d+", step)), None)
    if at is None:
        return None
    port = "/".join(steps[: at + 1])
    name = f"link{steps[at][3:]}"
    folder = f"{port}/{name}/ata_link/{name}"
    return folder if tree.exists(folder) else None


def _rate(tree: Tree, path: str) -> Reading | Absent:
    """`6.0 Gbps`; `<unknown>` where there is no limit or no link."""
    text = tree.text(path)
    if isinstance(text, Absent):
        return text
    if text.value == "<unknown>":
        return Absent(Why.NOT_SUPPORTED, path, "no limit is set, or there is no link")
    rate = re.fullmatch(r"(\d\.\d) Gbps", str(text.value))
    return Reading(float(rate[1]), UNIT, path) if rate else not_understood(str(text.value), path)


def _lowered(port: Reading | Absent, now: Reading | Absent, source: str) -> Reading | Absent:
    """A limit where there was none, or a lower one."""
    if isinstance(now, Absent):
        return Reading(False, "", source) if now.why is Why.NOT_SUPPORTED else now
    if isinstance(port, Absent):
        return Reading(True, "", source) if port.why is Why.NOT_SUPPORTED else port
    return Reading(float(now.value) < float(port.value), "", source)


def _lesser(drive: Reading | Absent, port: Reading | Absent) -> Reading | Absent:
    if isinstance(drive, Absent) or isinstance(port, Absent):
        return drive if isinstance(drive, Absent) else port
    return min(drive, port, key=lambda rate: float(rate.value))
