"""The work order: unit, complaint, one line per part worked on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Form(StrEnum):
    """The shape of a unit; each has a generic service map."""

    ALL_IN_ONE = "all-in-one"
    LAPTOP = "laptop"
    TOWER = "tower"


class Action(StrEnum):
    REPLACED = "replaced"
    REFITTED = "refitted"
    SERVICED = "serviced"
    UPDATED = "updated"


class Condition(StrEnum):
    """The condition of the part fitted."""

    NEW = "new"
    REFURBISHED = "refurbished"
    USED = "used"
    OWNERS = "owner's"


class Contents(StrEnum):
    """What a drive should hold at hand-back."""

    OWNERS = "owner's"
    BLANK = "blank"
    IMAGED = "imaged"


class DriveRead(StrEnum):
    """How much of a drive to read."""

    SAMPLE = "sample"
    WHOLE = "whole"


@dataclass(frozen=True, slots=True)
class Unit:
    """The unit as its label and intake give it; "" where the label does not say.

    `family` names a service map; without one the generic map of `form` is used.
    """

    form: Form
    serial: str
    family: str = ""
    maker: str = ""
    product: str = ""
    sku: str = ""
    uuid: str = ""


@dataclass(frozen=True, slots=True)
class Piece:
    """A part that went in or came out."""

    serial: str = ""
    part_number: str = ""


@dataclass(frozen=True, slots=True)
class Expected:
    """Properties the fitted part must show; None where the order does not say.

    `modules` counts memory modules; `capacity_bytes` is the nominal size of a drive or the sum of the
    modules; `megatransfers_per_s` the configured speed of memory.
    """

    capacity_bytes: int | None = None
    modules: int | None = None
    megatransfers_per_s: int | None = None
    minimum_rpm: float | None = None
    firmware_version: str | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One part worked on. `part` is its id in the service map.

    `substitutes` are part numbers that may stand in for the one ordered. A drive is read by sample unless
    `drive_read` says otherwise.
    """

    part: str
    action: Action
    condition: Condition = Condition.NEW
    fitted: Piece = Piece()
    removed: Piece = Piece()
    substitutes: tuple[str, ...] = ()
    expected: Expected = Expected()
    contents: Contents | None = None
    drive_read: DriveRead | None = None
    supplier: str = ""
    lot: str = ""


@dataclass(frozen=True, slots=True)
class Customer:
    """Who the unit belongs to. Never enters a signed body."""

    name: str = ""
    contact: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """A work order. `ordered` is a date, YYYY-MM-DD; `technician` an id, not a name."""

    schema: str
    number: str
    ordered: str
    unit: Unit
    complaint: str
    lines: tuple[Line, ...]
    technician: str = ""
    customer: Customer | None = None
    budget_minutes: float = 10.0


SCHEMA = "benchproof/order/1"
