"""Sound cards and what they can play and record (Linux, class `sound`; /proc/asound).

A card shows one node for each stream: `pcmC0D0p` plays, `pcmC0D0c` records. Streams that end in a display
cable call themselves HDMI or DP in `/proc/asound` (sound/pci/hda/patch_hdmi.c) and prove nothing of the
unit's own speakers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading

CLASS: Final = "/sys/class/sound"
PROC: Final = "/proc/asound"

_STREAM: Final = re.compile(r"pcmC(?P<card>\d+)D(?P<device>\d+)(?P<way>[pc])")
_TO_A_DISPLAY: Final = re.compile(r"^id:\s*(HDMI|DP)\b", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Card:
    """One card; `plays` and `records` by streams of the unit's own, not of a display cable."""

    id: str
    model: Reading | Absent
    inside: Reading | Absent
    plays: Reading | Absent
    records: Reading | Absent


def cards(tree: Tree) -> tuple[Card, ...] | Absent:
    """Every card. The kernel makes the class with its sound core: without it nobody looked."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    streams = [found for name in names if (found := _STREAM.fullmatch(name))]
    return tuple(_card(tree, name, streams) for name in names if re.fullmatch(r"card\d+", name))


def _card(tree: Tree, name: str, streams: list[re.Match[str]]) -> Card:
    number = name.removeprefix("card")
    own = {
        stream["way"]
        for stream in streams
        if stream["card"] == number and not _to_a_display(tree, number, stream)
    }
    return Card(
        id=bus_path(tree, f"{CLASS}/{name}"),
        model=_model(tree, name),
        inside=usb.inside(tree, f"{CLASS}/{name}"),
        plays=Reading("p" in own, "", f"{CLASS}/{name}"),
        records=Reading("c" in own, "", f"{CLASS}/{name}"),
    )


def _to_a_display(tree: Tree, number: str, stream: re.Match[str]) -> bool:
    info = tree.words(f"{PROC}/card{number}/pcm{stream['device']}{stream['way']}/info")
    return bool(_TO_A_DISPLAY.search(info))


def _model(tree: Tree, name: str) -> Reading | Absent:
    """The codec's name, else the card's id."""
    number = name.removeprefix("card")
    for codec in tree.listed(f"{CLASS}/{name}"):
        if re.fullmatch(rf"hwC{number}D\d+", codec):
            chip = tree.text(f"{CLASS}/{name}/{codec}/chip_name")
            if isinstance(chip, Reading) and chip.value:
                return chip
    return tree.text(f"{CLASS}/{name}/id")
