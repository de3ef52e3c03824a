"""Records: the signed entries of a chain. A report is the record of an attempt.

The raw parsed JSON is what is signed and verified; these values are for reading it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from reports.model.evidence import Absent, Reading
from reports.model.finding import Chain, Depth, Finding, Limit, Stage, Weight
from reports.model.order import Order
from reports.model.verdict import UnitVerdict

SCHEMA = "benchproof/record/1"


class RecordType(StrEnum):
    OPENED = "opened"
    ATTEMPT = "attempt"
    CONCESSION = "concession"
    HAND_BACK = "hand-back"
    COUNTERSIGN = "countersign"


class Source(StrEnum):
    """What was measured: only `live` is hardware."""

    LIVE = "live"
    REHEARSAL = "rehearsal"
    RECORDED = "recorded"


@dataclass(frozen=True, slots=True)
class Position:
    """Where a record stands: `chain` is its id, `position` counts from 0.

    `previous` is the digest of the record before ("sha256:<hex>", `reports.chain.digest`), empty at 0.
    """

    chain: str
    position: int
    previous: str


@dataclass(frozen=True, slots=True)
class Versions:
    """What made the record; `checks` names each check with its judgement version (`fan.spin@1`)."""

    program: str
    python: str
    kernel: str
    image: str = ""
    checks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ClockNote:
    """When, as the unit's clock says (UTC, RFC 3339, ending in Z), and how far that is trusted."""

    began: str
    ended: str
    trust: str


@dataclass(frozen=True, slots=True)
class MapNote:
    """The service map used: `digest` over its canonical JSON ("sha256:<hex>")."""

    family: str
    title: str
    revision: int
    generic: bool
    digest: str


@dataclass(frozen=True, slots=True)
class BaselineNote:
    """The baseline compared with: when it was taken (UTC, RFC 3339), whether the unit ran ("ran", "did
    not start"), and `digest` over its canonical JSON ("sha256:<hex>")."""

    taken: str
    intake: str
    digest: str


@dataclass(frozen=True, slots=True)
class BenchNote:
    """The bench reference compared with: its id, when it was taken (UTC, RFC 3339) and for how many days
    that is good, its age in days by the unit's clock, its `values` (a band's level in dBm), and `digest` over
    its canonical JSON ("sha256:<hex>")."""

    id: str
    taken: str
    valid_days: int
    age: Reading | Absent
    values: tuple[Limit, ...]
    ambient: Reading | Absent
    clock: Reading | Absent
    digest: str


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """What was planned, run or not: one check of one part."""

    check: str
    part: str
    stage: Stage
    depth: Depth
    weight: Weight
    because: Chain


@dataclass(frozen=True, slots=True)
class Opened:
    """Written and signed before the first check, so that a run that was cut off shows."""

    schema: str
    type: RecordType
    source: Source
    chain: Position
    order_number: str
    order_digest: str
    nonce: str
    opened: str
    credential: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the unit says it is (firmware tables)."""

    maker: Reading | Absent
    product: Reading | Absent
    serial: Reading | Absent
    sku: Reading | Absent
    uuid: Reading | Absent
    firmware_version: Reading | Absent
    firmware_date: Reading | Absent
    board_serial: Reading | Absent
    chassis_serial: Reading | Absent


@dataclass(frozen=True, slots=True)
class Report:
    """The signed document of an attempt. `order` is without the customer; `baseline` is None where
    nothing was recorded at intake, `bench_reference` where the bench has none.

    `technician` is an id, named by the bench. `ended_by` is "" for a whole run, else what cut it short
    ("stopped by the operator", "stopped for safety: ..."). `unproven` says in words what the budget or
    the hardware left unproven. `credential` is the bench's, with its own proof. `follows_cut_off` are the
    attempts of this bench since its last report that were cut off and have none, oldest first, in words.
    """

    schema: str
    type: RecordType
    source: Source
    chain: Position
    order: Order
    order_digest: str
    service_map: MapNote
    unit: Identity
    technician: str
    versions: Versions
    clock: ClockNote
    plan: tuple[PlannedStep, ...]
    findings: tuple[Finding, ...]
    verdict: UnitVerdict
    ended_by: str
    unproven: tuple[str, ...]
    credential: Mapping[str, Any]
    baseline: BaselineNote | None = None
    follows_cut_off: tuple[str, ...] = ()
    bench_reference: BenchNote | None = None
