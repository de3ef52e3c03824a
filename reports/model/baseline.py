"""The baseline: what was recorded at intake."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reports.model.evidence import Absent, Reading
from reports.model.finding import Verdict
from reports.model.record import Identity

SCHEMA = "benchproof/baseline/1"


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
class Baseline:
    """Inventory findings at intake, identity, whether the complaint shows, thermal figure if it runs.

    `taken` is UTC, RFC 3339. `thermal_resistance_k_per_w` is that of the processor's cooler.
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
