"""File trees in the shape of the kernel's, built in a folder or read from a description.

`Unit` builds what a test needs and no more; `read_description` unfolds the text form of umockdev into
a plain folder, so that one description serves both ways of reading.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from agent.machine.linux.files import Tree

Content = str | bytes | int


class Unit:
    """A computer in a folder: `device` adds one, as the kernel would show it."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "sys/class").mkdir(parents=True, exist_ok=True)
        (root / "sys/devices").mkdir(parents=True, exist_ok=True)

    @property
    def tree(self) -> Tree:
        return Tree(self.root)

    def device(
        self,
        path: str,
        subsystem: str = "",
        *,
        parent: str = "",
        driver: str = "",
        bus: bool = False,
        **attributes: Content,
    ) -> str:
        """A device folder under `/sys/devices`; gives its path as the kernel names it.

        It shows under `/sys/class/<subsystem>`, or `/sys/bus/<subsystem>/devices` where `bus`; its
        `device` link leads to `parent`. Names of attributes may hold `/`.
        """
        full = f"/sys/devices/{path}"
        self.place(full).mkdir(parents=True, exist_ok=True)
        for name, content in attributes.items():
            self.file(f"{full}/{name}", content)
        if subsystem:
            folder = f"/sys/bus/{subsystem}/devices" if bus else f"/sys/class/{subsystem}"
            self.link(f"{folder}/{path.rpartition('/')[2]}", full)
        if parent:
            self.link(f"{full}/device", f"/sys/devices/{parent}")
        if driver:
            self.drive(full, driver)
        return full

    def drive(self, device: str, driver: str) -> None:
        """Let `driver` take `device`."""
        self.place(f"/sys/bus/any/drivers/{driver}").mkdir(parents=True, exist_ok=True)
        self.link(f"{device}/driver", f"/sys/bus/any/drivers/{driver}")

    def file(self, path: str, content: Content) -> None:
        """Write a file; text gets the kernel's newline."""
        place = self.place(path)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content if isinstance(content, bytes) else f"{content}\n".encode())

    def link(self, path: str, target: str) -> None:
        """A relative link, as sysfs makes them."""
        place = self.place(path)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.symlink_to(os.path.relpath(self.place(target), place.parent))

    def place(self, path: str) -> Path:
        return self.root / path.lstrip("/")


def read_description(text: str, root: Path) -> Unit:
    """Unfold a umockdev description (`P:`, `E:`, `A:`, `L:`, `H:` lines) into a plain tree."""
    unit = Unit(root)
    for block in re.split(r"\n\s*\n", text):
        lines = [line.split(": ", 1) for line in block.splitlines() if ": " in line]
        path = next((value for kind, value in lines if kind == "P"), None)
        if path is not None:
            _unfold(unit, path, lines)
    return unit


def _unfold(unit: Unit, path: str, lines: list[list[str]]) -> None:
    events = dict(value.split("=", 1) for kind, value in lines if kind == "E")
    subsystem = events.get("SUBSYSTEM", "")
    bus = subsystem in ("pci", "usb", "cpu", "platform", "acpi", "i2c")
    unit.device(path.removeprefix("/devices/"), subsystem, bus=bus)
    for kind, value in lines:
        name, _, content = value.partition("=")
        if kind == "A":
            raw = content.encode().decode("unicode_escape").encode("latin-1")
            unit.file(f"/sys{path}/{name}", raw)
        elif kind == "H":
            unit.file(f"/sys{path}/{name}", bytes.fromhex(content))
        elif kind == "L":
            place = unit.place(f"/sys{path}/{name}")
            place.parent.mkdir(parents=True, exist_ok=True)
            place.symlink_to(content)
