"""What udev noted about a device: the files of `/run/udev/data`, read as text.

`E:KEY=value` lines hold the properties (systemd, src/libsystemd/sd-device/device-private.c). Read as
files, so that a copied tree answers as well; pyudev would only ever ask the running machine. A boot
image without udevd has none of it, and every reader does without.
"""

from __future__ import annotations

from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why


def properties(tree: Tree, device: str, kind: str) -> dict[str, str]:
    """The properties of the device folder `device`; `kind` is `b` or `c` for a node, else its subsystem.

    Empty where udev noted nothing.
    """
    text = tree.words(f"/run/udev/data/{_key(tree, device, kind)}")
    lines = (line[2:] for line in text.splitlines() if line.startswith("E:") and "=" in line)
    return dict(line.split("=", 1) for line in lines)


def property_of(tree: Tree, device: str, kind: str, name: str) -> Reading | Absent:
    """One property, or not there."""
    source = f"udev {name} of {tree.resolved(device).rpartition('/')[2]}"
    value = properties(tree, device, kind).get(name, "").strip()
    return Reading(value, "", source) if value else Absent(Why.NOT_THERE, source)


def _key(tree: Tree, device: str, kind: str) -> str:
    if kind in ("b", "c"):
        return f"{kind}{tree.words(f'{device}/dev')}"
    return f"+{kind}:{tree.resolved(device).rpartition('/')[2]}"
