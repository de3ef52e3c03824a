"""Names for devices that stay the same: where they sit on their bus, never an enumeration number.

The words are those of udev's `path_id` where it has them (`pci-0000:00:17.0-ata-3.0`,
`pci-0000:00:14.0-usb-0:4:1.0`), because technicians meet them in `/dev/disk/by-path`; the tests
compare the two. Buses that udev leaves out (I2C chips, PNP) get a name in the same manner; platform
devices between a PCI function and its chips, whose numbers may change, are left out.
"""

from __future__ import annotations

import re
from typing import Final

from agent.machine.linux.files import Tree

_PCI: Final = re.compile(r"[0-9a-f]{4,}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]")
_USB: Final = re.compile(r"\d+-(?P<ports>[\d.]+)(?P<interface>:\d+\.\d+)?")
_SCSI: Final = re.compile(r"\d+:(?P<target>\d+:\d+:\d+)")
_ATA: Final = re.compile(r"ata(?P<port>\d+)")
_NAMESPACE: Final = re.compile(r"nvme\d+(?:c\d+)?n(?P<namespace>\d+)")
_HID: Final = r"(?:[A-Z]{3}|[A-Z]{4})[0-9A-F]{4}:[0-9a-f]{2,}"
"""Names that the firmware gives (ACPI specification 6.5, 6.1.5 _HID), with the kernel's count behind."""
_I2C: Final = re.compile(rf"(?:\d+|i2c)-(?P<address>[0-9a-f]{{4}}|{_HID})")
_ACPI: Final = re.compile(rf"{_HID}|LNX(?!SYSTM|SYBUS)[A-Z]+:[0-9a-f]{{2,}}")
"""One of those, or one of the kernel's own (LNXPWRBN, the fixed power key; the root and its bus, LNXSYSTM and
LNXSYBUS, name no device)."""
_PNP: Final = re.compile(r"[0-9a-f]{2}:[0-9a-f]{2}")
_SERIO: Final = re.compile(r"serio(?P<port>\d+)")


def bus_path(tree: Tree, device: str) -> str:
    """The bus path of the device folder `device` (links are followed first)."""
    steps = tree.resolved(device).strip("/").split("/")[2:]
    if not steps:
        return "unknown"
    return _joined(tree, steps) or f"virtual-{steps[-1]}"


def _joined(tree: Tree, steps: list[str]) -> str:
    pci = max((index for index, step in enumerate(steps) if _PCI.fullmatch(step)), default=None)
    parent = [] if pci is None else [f"pci-{steps[pci]}"]
    rest = steps if pci is None else steps[pci + 1 :]
    return "-".join(parent + _beyond(tree, rest, platform=pci is None))


def _beyond(tree: Tree, steps: list[str], *, platform: bool) -> list[str]:
    """What follows the last PCI device: platform parent, USB port, ATA port, SCSI address, namespace."""
    names = [f"platform-{steps[1]}"] if platform and steps[0] == "platform" and len(steps) > 1 else []
    names += _last(_SERIO, steps, "serio-{0[port]}") if names else []
    names += _last(_PNP, steps, "pnp-{0[0]}") if platform and steps[0].startswith("pnp") else []
    names += _last(_ACPI, steps, "acpi-{0[0]}") if platform and not names else []
    usb = _last(_USB, steps if any(step.startswith("usb") for step in steps) else [], "usb-0:{0[ports]}")
    if usb:
        interface = [found["interface"] for step in steps if (found := _USB.fullmatch(step))][-1]
        names += [usb[0] + (interface or "")]
    else:
        names += _last(_I2C, steps, "i2c-{0[address]}")
    names += _scsi(tree, steps, behind_usb=bool(usb))
    return names + _last(_NAMESPACE, steps, "nvme-{0[namespace]}")


def _scsi(tree: Tree, steps: list[str], *, behind_usb: bool) -> list[str]:
    ports = [found["port"] for step in steps if (found := _ATA.fullmatch(step))]
    targets = [found["target"] for step in steps if (found := _SCSI.fullmatch(step))]
    if ports:
        # ata3 counts over all controllers in the order they were found; port_no counts on its own
        number = tree.words(f"/sys/class/ata_port/ata{ports[-1]}/port_no") or ports[-1]
        return [f"ata-{number}{_ata_unit(targets)}"]
    return [f"scsi-0:{targets[-1]}"] if targets else []


def _ata_unit(targets: list[str]) -> str:
    """Behind a port multiplier its port and 0, else 0 or 1 for master and slave."""
    if not targets:
        return ""
    bus, target, _ = targets[-1].split(":")
    return f".{bus}.0" if bus != "0" else f".{target}"


def _last(pattern: re.Pattern[str], steps: list[str], form: str) -> list[str]:
    """`form` of the last step that fits `pattern`, as a list of none or one."""
    found = [match for step in steps if (match := pattern.fullmatch(step))]
    return [form.format(found[-1])] if found else []
