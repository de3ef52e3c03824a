"""The baseline: what was recorded at intake, before the unit was opened.

It is a document of the shop and unsigned; a report names the one it was judged by, to the byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Verdict
from reports.model.record import Identity, Source

SCHEMA = "benchproof/baseline/1"

NOT_RECORDED: Final = Absent(Why.NOT_SUPPORTED, "baseline", "not recorded at intake")


class Intake(StrEnum):
    RAN = "ran"
    DID_NOT_START = "did not start"


@dataclass(frozen=True, slots=True)
class Noted:
    """The verdict of one check of one part at intake."""

    check: str
    part: str
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class Device:
    """One drive, memory module, radio or camera: `id` is its bus path, or the locator of its slot.

    `soldered`: it is part of the main board and changes with it.
    """

    id: str
    model: Reading | Absent
    serial: Reading | Absent
    soldered: bool = False


Devices = tuple[Device, ...] | Absent
"""What was found (empty: looked, and there was none), or why nobody could look."""


@dataclass(frozen=True, slots=True)
class Inside:
    """What was in the unit, by kind; what is plugged in from outside stays out."""

    drives: Devices = NOT_RECORDED
    modules: Devices = NOT_RECORDED
    radios: Devices = NOT_RECORDED
    cameras: Devices = NOT_RECORDED


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of the firmware that a reset or a new board flips.

    `boot_entries` are the systems registered on the unit's drives, in the order they are tried, each by
    its name; what the firmware lists by itself (sticks, networks) is not among them. `controller_mode`
    says how storage controllers present their drives.
    """

    secure_boot: Reading | Absent = NOT_RECORDED
    boot_entries: tuple[Reading, ...] | Absent = NOT_RECORDED
    controller_mode: Reading | Absent = NOT_RECORDED


@dataclass(frozen=True, slots=True)
class ThermalContact:
    """What lies between a chip and its cooler: K/W, or K at full load where the power was not known; s."""

    resistance: Reading | Absent = NOT_RECORDED
    time_constant: Reading | Absent = NOT_RECORDED


@dataclass(frozen=True, slots=True)
class Baseline:
    """Inventory findings at intake, identity, whether the complaint shows, thermal figure if it runs.

    `taken` is UTC, RFC 3339. `thermal_resistance_k_per_w` is that of the processor's cooler. `source` says
    what was measured; a baseline of a rehearsal serves a rehearsal only. `contact` is the processor's,
    `graphics_contact` that of the graphics card, where there is one.
    """

    schema: str
    order_number: str
    intake: Intake
    label_serial: str
    taken: str
    unit: Identity
    complaint_shows: str
    noted: tuple[Noted, ...]
    thermal_resistance_k_per_w: Reading | Absent
    inside: Inside = Inside()
    settings: Settings = Settings()
    source: Source = Source.LIVE
    contact: ThermalContact = ThermalContact()
    graphics_contact: ThermalContact = ThermalContact()
